"""Withers clearance as the search takes it: straight lines where it is smooth, nothing where it jumps."""

from dataclasses import replace

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, changed, pad, saddle

from shimwright.case_file import read_case
from shimwright.meshes.yard import HORSES, YARD
from shimwright.optimize import options
from shimwright.optimize.bench import Bench, prepare
from shimwright.optimize.clearance import clearances_mm
from shimwright.optimize.fit import opened, prepared
from shimwright.optimize.limits import limits
from shimwright.optimize.place import place
from shimwright.optimize.screen import resting_pose
from shimwright.scan.raw import FloatArray
from shimwright.scan.synthetic import BUILDS, random_shape, true_back


def test_a_clearance_that_jumps_is_left_to_the_true_model(monkeypatch: pytest.MonkeyPatch) -> None:
    """Told by formula: above falls by the heave; left is straight in the roll; right loses 9 mm as the saddle sinks by
    half a millimetre, as where a leg passes the flat top of the withers.
    """
    tack = changed(saddle(), arches=saddle().arches[2:3])
    back = back_of(fitted_height(tack, FRONT_X_MM))
    bench = prepare(back, tack, pad(rows=2), place(back, tack), None, 20.0)

    def told(_: Bench, q: FloatArray) -> dict[str, float]:
        return {"withers_above": 40 - q[0], "withers_left": 30 + 50 * q[2], "withers_right": 29.0 - 9.0 * (q[0] > 0.5)}

    monkeypatch.setattr(options, "withers_clearances_mm", told)
    value, slope = options.clearance_rows(bench, np.zeros(3))
    assert value == pytest.approx([40.0, 30.0])
    assert slope == pytest.approx(np.array([[-1.0, 0.0, 0.0], [0.0, 0.0, 50.0]]))


@pytest.mark.accuracy
def test_what_is_left_out_is_far_from_the_limit() -> None:
    """A row that jumps is one where a leg clears the withers' flat top, so there is room: over the yard's horses, all
    builds and twelve random ones it stood at more than twice the limit. So leaving it out cuts no corner, and the
    pick is held against the limit on the true model in any case.
    """
    case = read_case(HORSES / "fennel" / "case.toml")
    told = replace(case.case, today=replace(case.case.today, worn=None))
    shapes = [*(horse.shape for horse in YARD.values()), *BUILDS.values()]
    shapes += [random_shape(np.random.default_rng(seed)) for seed in range(12)]
    least, left_out, all_rows = np.inf, 0, 0
    for shape in shapes:
        job = prepared(true_back(shape), case.saddle, case.pad, told)
        for arch in job.arches.values():
            bed = opened(job, arch, case.pad.inserts[0].name, options.thickness_table(arch.bench, case.pad, job.stacks))
            pose = resting_pose(bed)
            known = {
                k: v for k, v in clearances_mm(arch.bench, pose).items() if k in options.WITHERS and np.isfinite(v)
            }
            kept = options.clearance_rows(arch.bench, pose)
            here = kept[0] + kept[1] @ pose
            out = [v for v in known.values() if not np.isclose(here, v, atol=1e-6).any()]
            least, left_out, all_rows = min([least, *out]), left_out + len(out), all_rows + len(known)
    print(f"{left_out} of {all_rows} left out, the least at {least:.0f} mm")
    assert left_out < 0.06 * all_rows
    assert least > 2 * limits().clearance.hard_mm["english"]
