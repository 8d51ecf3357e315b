"""The arch is judged over the length where its legs bear (PRACTICE §5), not where they hang in the air."""

from dataclasses import replace

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, pad, saddle, setup

from shimwright.optimize import arch
from shimwright.optimize.answer import ArchJudgement
from shimwright.optimize.arch import judge_arch
from shimwright.optimize.assess import settle
from shimwright.optimize.bench import prepare
from shimwright.optimize.case import Rider
from shimwright.optimize.limits import limits
from shimwright.optimize.loads import load_case
from shimwright.optimize.place import place
from shimwright.scan.raw import FloatArray

TACK, CLOTH = saddle(), pad()  # legs of 110 mm


def fallen(x: FloatArray, y: FloatArray) -> FloatArray:
    """The fitted back, but in front of −135 mm (the first half of the legs) fallen away by up to 90 mm and flatter."""
    fitted = fitted_height(TACK, FRONT_X_MM)(x, y)
    ahead = np.clip((np.asarray(x, float) + 135.0) / 15.0, 0.0, 1.0)
    return fitted - ahead * (90.0 - 0.4 * np.abs(y))


def judged(height) -> ArchJudgement:  # type: ignore[no-untyped-def]
    back = back_of(height)
    bench = prepare(back, TACK, CLOTH, place(back, TACK), None, 10.0)
    state = settle(bench, CLOTH, setup(CLOTH), load_case(TACK, bench.underside, Rider(), "girthed"))
    return judge_arch(state.bench, state.found.q)


def test_the_half_that_hangs_in_the_air_is_not_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Behind, the legs lie on the back that they fit: parallel. Counting the air as well they would seem too narrow."""
    assert judged(fitted_height(TACK, FRONT_X_MM)).words == "parallel"
    found = judged(fallen)
    assert found.words == "parallel"
    assert max(map(abs, found.difference_deg)) < 3.0
    anywhere = replace(limits(), arch=replace(limits().arch, bearing_mm=1000.0))
    monkeypatch.setattr(arch, "limits", lambda: anywhere)
    assert judged(fallen).words == "too narrow"
