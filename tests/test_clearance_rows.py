"""Withers clearance as the search takes it: straight lines where it is smooth, nothing where it jumps."""

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, changed, pad, saddle

from shimwright.optimize import options
from shimwright.optimize.bench import Bench, prepare
from shimwright.optimize.place import place
from shimwright.scan.raw import FloatArray


def test_a_clearance_that_jumps_is_left_to_the_true_model(monkeypatch: pytest.MonkeyPatch) -> None:
    """Told by formula: above falls by the heave; left is straight in the roll; right loses 9 mm as the saddle sinks by
    half a millimetre, as where a leg passes the flat top of the withers.
    """
    tack = changed(saddle(), arches=saddle().arches[2:3])
    back = back_of(fitted_height(tack, FRONT_X_MM))
    bench = prepare(back, tack, pad(rows=2), place(back, tack), None, 20.0)

    def told(_: Bench, q: FloatArray) -> dict[str, float]:
        return {"withers_above": 40 - q[0], "withers_left": 30 + 50 * q[2], "withers_right": 29.0 - 9.0 * (q[0] > 0.5)}

    monkeypatch.setattr(options, "clearances_mm", told)
    value, slope = options.clearance_rows(bench, np.zeros(3))
    assert value == pytest.approx([40.0, 30.0])
    assert slope == pytest.approx(np.array([[-1.0, 0.0, 0.0], [0.0, 0.0, 50.0]]))
