"""A set-up under its load cases: sums, measures, mirror images, strain, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from plain_backs import Height, back_of, fitted_height
from plain_tack import FRONT_X_MM, changed, pad, saddle, setup
from scipy.spatial.transform import Rotation

from shimwright.optimize.answer import Contact
from shimwright.optimize.assess import assess, assess_on
from shimwright.optimize.bench import prepare
from shimwright.optimize.case import Case, Rider
from shimwright.optimize.loads import CASES, load_cases
from shimwright.optimize.pad import Pad, StackLimits
from shimwright.optimize.place import place
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.underside import underside
from shimwright.optimize.windows import windows
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused, WrongUse

TACK, CLOTH = saddle(), pad(("felt", "foam"))
FITTED = fitted_height(TACK, FRONT_X_MM)


def twisted(x: FloatArray, y: FloatArray) -> FloatArray:
    """Fitted, with the left hollow behind the shoulder and the right rear higher."""
    hollow = 8 * np.exp(-(((x + 170) / 60) ** 2) - ((y - 90) / 40) ** 2)
    return FITTED(x, y) - hollow + 3 * np.exp(-(((x + 430) / 80) ** 2) - ((y + 90) / 50) ** 2)


def contact(
    height: Height = FITTED,
    heights: dict[str, float] | None = None,
    tack: Saddle = TACK,
    case: Case | None = None,
    **more: str,
) -> Contact:
    back = back_of(height)
    chosen = setup(CLOTH, heights, **more)
    return assess(back, tack, CLOTH, case or Case(), place(back, tack), chosen, spacing_mm=8.0)


FOUND = contact()


def test_vertical_sum_is_the_load() -> None:
    """Rider 75 kg at 1, 1.2, 2.0, 2.5, saddle 8 kg at 1, straps 100 N a side (DESIGN §13)."""
    g = 9.80665
    for name, factor in zip(CASES, (None, 0, 1, 1.2, 2.0, 2.5), strict=True):
        expected = 8 * g + (0 if factor is None else 200 + 75 * factor * g)
        found = FOUND.cases[name]
        assert found.vertical_n == pytest.approx(
            expected, rel=2e-3
        )  # normals at the pose against those of the reference
        assert found.proof.force_n < 1e-6 * expected
        assert found.proof.moment_nmm < 1e-6 * expected * TACK.length_mm


def test_symmetric_back_is_carried_evenly() -> None:
    for found in FOUND.cases.values():
        assert found.left_share == pytest.approx(0.5, abs=1e-4)
        assert found.roll_deg == pytest.approx(0.0, abs=1e-3)
        assert found.side_n == pytest.approx(0.0, abs=0.1)


def test_measures_again_by_hand() -> None:
    back = back_of(FITTED)
    nodes = underside(TACK, TACK.arches[2], 8.0)
    found = FOUND.cases["mounted"]
    p, a = found.pressure_kpa, nodes.area_mm2
    assert place(back, TACK).front_x_mm == FRONT_X_MM
    touching = p > 0.1
    assert found.contact_area_cm2 == pytest.approx(a[touching].sum() / 100)
    assert found.mean_kpa == pytest.approx((p * a)[touching].sum() / a[touching].sum())
    mean = (p * a).sum() / a.sum()
    assert found.unevenness == pytest.approx(np.sqrt((a * (p - mean) ** 2).sum() / a.sum()) / mean)
    assert found.bridged_share == pytest.approx(a[p < 0.1 * mean].sum() / a.sum())
    front_left = (nodes.along < 1 / 3) & (nodes.side > 0)
    assert found.zones["front_left"].mean_kpa == pytest.approx(np.average(p[front_left], weights=a[front_left]))
    assert found.peak_kpa <= p.max()
    assert found.peak_kpa == max(zone.peak_kpa for zone in found.zones.values())


def test_side_force_is_taken_as_the_saddle_lies() -> None:
    """Statics: Σ a p n with n turned by scipy's Rotation. A back that falls to the left leans the saddle left, and the
    saddle pushes the horse to the right, by less than the load times the tangent of the lean (the flanks hold some).
    """
    lean = np.tan(np.radians(1.5))
    found = contact(lambda x, y: FITTED(x, y) - lean * y).cases["mounted"]
    assert found.pose is not None
    nodes = underside(TACK, TACK.arches[2], 8.0)
    turned = Rotation.from_rotvec([found.pose[2], -found.pose[1], 0.0]).apply(nodes.normals)
    force = 1e-3 * (nodes.area_mm2 * found.pressure_kpa) @ turned
    assert found.side_n == pytest.approx(force[1], abs=0.05)
    assert found.vertical_n == pytest.approx(-force[2], rel=1e-6)
    assert found.vertical_n == pytest.approx(8 * 9.80665 + 200 + 75 * 9.80665, rel=3e-4)
    assert -found.vertical_n * np.tan(np.radians(-found.roll_deg)) < found.side_n < -5.0


def test_windows_average_what_they_cover() -> None:
    nodes = underside(TACK, TACK.arches[2], 7.0)
    cells = windows(nodes)
    assert cells.means.sum(axis=1) == pytest.approx(1.0)
    along = cells.means @ (nodes.along * TACK.length_mm)
    assert along == pytest.approx(cells.along * TACK.length_mm, abs=0.6)
    assert len(cells.along) > 1000


def test_mirrored_back_mirrors_everything() -> None:
    one = contact(twisted, {"front_left": 6.0})
    other = contact(lambda x, y: twisted(x, -y), {"front_right": 6.0})
    for name in CASES:
        a, b = one.cases[name], other.cases[name]
        assert a.pitch_deg == pytest.approx(b.pitch_deg, abs=1e-4)
        assert a.roll_deg == pytest.approx(-b.roll_deg, abs=1e-4)
        assert a.left_share == pytest.approx(1 - b.left_share, abs=1e-5)
        assert a.side_n == pytest.approx(-b.side_n, abs=0.02)
        left, right = a.pressure_kpa.reshape(2, -1)
        assert np.append(right, left) == pytest.approx(b.pressure_kpa, abs=0.02)
        assert a.clearance_mm["withers_left"] == pytest.approx(b.clearance_mm["withers_right"], abs=0.05, nan_ok=True)


def test_signs() -> None:
    """A lifted front is pitch > 0, a lifted left side roll > 0, a lean to the left loads the left."""
    plain = FOUND.cases["mounted"]
    front = contact(heights={"front_left": 6.0, "front_right": 6.0}).cases["mounted"]
    assert front.pitch_deg > plain.pitch_deg + 0.2
    left = contact(heights={"front_left": 6.0, "middle_left": 6.0, "rear_left": 6.0}).cases["mounted"]
    assert left.roll_deg > 0.5
    lean = contact(case=Case(rider=Rider(lean="left"))).cases["mounted"]
    assert lean.left_share > 0.55
    assert lean.roll_deg < -0.1


def test_a_bridging_saddle_lifts_off_in_the_middle() -> None:
    hollow = contact(lambda x, y: FITTED(x, y) - 24 * np.exp(-(((x + 300) / 90) ** 2))).cases["mounted"]
    assert hollow.bridged_share > 0.08
    assert hollow.zones["middle_left"].mean_kpa < 0.5 * hollow.zones["front_left"].mean_kpa
    assert hollow.zones["middle_left"].mean_gap_mm > 0.5
    shims = {"middle_left": 6.0, "middle_right": 6.0}
    mended = contact(lambda x, y: FITTED(x, y) - 24 * np.exp(-(((x + 300) / 90) ** 2)), shims).cases["mounted"]
    assert mended.unevenness < hollow.unevenness


def test_finer_grids_agree() -> None:
    """Against 2 mm: halving the spacing at least halves the error in unevenness; pitch and mean are off by next to
    nothing.
    """
    back = back_of(twisted)
    where = place(back, TACK)
    values = []
    for spacing in (16.0, 8.0, 4.0, 2.0):
        found = assess(back, TACK, CLOTH, Case(), where, setup(CLOTH), ("mounted",), spacing).cases["mounted"]
        values.append([found.unevenness, found.pitch_deg, found.mean_kpa])
    error = np.abs(np.array(values[:3]) - values[3])
    assert error[1, 0] < 0.5 * error[0, 0]
    assert error[2, 0] < 0.5 * error[1, 0]
    assert error[1, 0] < 0.01
    assert (error[:, 1] < 0.005).all()
    assert (error[1:, 2] < 0.01).all()


def test_soft_foam_is_said_to_have_bottomed_out() -> None:
    cloth = Pad(
        "p", 0.0, None, (replace(CLOTH.inserts[0], name="gel", material="open-cell-foam"),), (), (), StackLimits()
    )
    back = back_of(FITTED)
    bench = prepare(back, TACK, cloth, place(back, TACK), None, 10.0)
    found = assess_on(bench, cloth, Case(), setup(cloth, insert="gel"), ("mounted",)).cases["mounted"]
    assert found.strain["open-cell-foam"] > 0.5
    assert any("bottomed out" in note for note in found.notes)


def test_working_strain_is_warned_of() -> None:
    heavy = contact(case=Case(rider=Rider(weight_kg=200))).cases["canter"]
    assert any("more than the 30 %" in note for note in heavy.notes)


def test_flexible_tree_agrees_with_many_modes() -> None:
    """Pressures by four modes (EI 30) and eight (EI 2) against forty: within 5 % of the peak (DESIGN §7)."""
    from shimwright.optimize import bench as benches
    from shimwright.optimize.assess import settle
    from shimwright.optimize.flexible import pair_modes

    for ei in (30.0, 2.0):
        tack = saddle(ei)
        back = back_of(twisted)
        few = prepare(back, tack, CLOTH, place(back, tack), None, 12.0)
        load = load_cases(tack, few.underside, Rider(), ("mounted",))["mounted"]
        modes = pair_modes(tack.length_mm, ei, tack.arch_length_mm, 40)
        stiffness = np.zeros((43, 43))
        stiffness[range(3, 43), range(3, 43)] = modes.stiffness_n_mm
        many = replace(few, modes=modes, stiffness=stiffness)
        many = replace(many, ways=benches.ways_of(many, many.points_mm, many.underside.normals, np.zeros(43)))
        one, other = (settle(b, CLOTH, setup(CLOTH), load).found.pressure_kpa for b in (few, many))
        assert np.abs(one - other).max() < 0.05 * other.max()


@pytest.mark.parametrize("kg", [0.0, 900.0, float("nan")])
def test_riders_that_cannot_be_meant(kg: float) -> None:
    with pytest.raises(WrongUse, match="rider"):
        load_cases(TACK, underside(TACK, None, 20.0), Rider(weight_kg=kg))


def test_seat_outside_the_panels() -> None:
    with pytest.raises(InputRefused, match="outside the panels"):
        contact(tack=changed(TACK, seat_x_mm=-600.0))


def test_much_tilt_is_said() -> None:
    found = contact(lambda x, y: FITTED(x, y) + np.tan(np.radians(6.0)) * (x + 300)).cases["mounted"]
    assert 5 < abs(found.pitch_deg) < 8
    assert "tips" in found.notes[0]
    assert found.proof.force_n < 1e-6 * found.vertical_n


def test_too_much_tilt() -> None:
    with pytest.raises(InputRefused, match="tips"):
        contact(lambda x, y: FITTED(x, y) + 0.3 * (x + 300))


@pytest.mark.parametrize(("arch", "insert", "says"), [("999", "felt 8", "arch"), ("220", "silk", "insert")])
def test_unknown_names(arch: str, insert: str, says: str) -> None:
    with pytest.raises(WrongUse, match=says):
        contact(arch=arch, insert=insert)


def test_no_arch_no_pad() -> None:
    """A saddle without changeable arch and a case without pad are ordinary: no clearance is made up."""
    tack = changed(TACK, arches=(), reference_arch=None)
    bare = Pad("none", 0.0, None, (), (), (), StackLimits())
    back = back_of(FITTED)
    found = assess(back, tack, bare, Case(), place(back, tack), setup(bare, arch=None, insert=None), spacing_mm=10.0)  # type: ignore[arg-type]
    assert np.isnan(found.cases["mounted"].clearance_mm["withers_above"])
    assert found.arch is not None
    assert found.arch.words == "not known"
    assert found.cases["mounted"].mean_kpa > 5
