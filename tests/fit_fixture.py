"""A small hand-made answer for the tests of export: a smooth analytic back, invented saddle, pad and figures.

Nothing here was solved. The numbers only have to be plausible and to agree with one another where a sheet compares them
(zone means are means of the pressure field, a stack's height is the sum of its layers).
"""

from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.answer import (
    ArchJudgement,
    CaseResult,
    Confidence,
    Contact,
    Finding,
    Fit,
    HandCheck,
    Placement,
    Proof,
    Rival,
    SearchReport,
    SecondOpinion,
    TakeOutStep,
    Zone,
)
from shimwright.optimize.case import ZONES, Aim, Case, Horse, PartialSetup, Rider, Today
from shimwright.optimize.pad import Insert, Pad, Pocket, Shim, StackLimits
from shimwright.optimize.saddle import Arch, Filling, Saddle
from shimwright.optimize.setup import Layer, Setup, Stack
from shimwright.scan.back import (
    DEPTHS_MM,
    STATIONS_MM,
    Back,
    Build,
    BuildWord,
    Frame,
    Landmark,
    Midline,
    Quality,
    QualityMessage,
    Source,
    Stations,
)
from shimwright.scan.surface import Surface, phi_grid

FloatArray = NDArray[np.float64]

AXIS_DEPTH_MM = 250.0
PANEL_MM, CHANNEL_MM, PANEL_WIDTH_MM, FRONT_X_MM = 420.0, 70.0, 100.0, -150.0


def topline(x: FloatArray) -> FloatArray:
    """Withers at 0, a dip of about 40 mm, croup at −800 mm."""
    dip = -40.0 * np.exp(-(((x + 390.0) / 190.0) ** 2))
    neck = -0.0006 * np.clip(x, 0.0, None) ** 2
    behind = -0.0009 * np.clip(-820.0 - x, 0.0, None) ** 2
    return dip + neck + behind + 4.0 * np.exp(-((x / 70.0) ** 2)) - 4.0 + 40.0 * np.exp(-((390.0 / 190.0) ** 2))


def invented_surface() -> Surface:
    """Superellipse sections, roof-like at the withers and round behind, the left hollow behind the shoulder."""
    x = np.arange(-1000.0, 151.0, 5.0)
    phi = phi_grid()
    share = np.clip(-x / 500.0, 0.0, 1.0)[:, None]
    share = share * share * (3.0 - 2.0 * share)
    power, half = 1.45 + 0.55 * share, 235.0 + 65.0 * share
    sin, cos = np.sqrt(np.sin(phi) ** 2 + 0.0009), np.sqrt(np.cos(phi) ** 2 + 0.0009)
    radius = ((sin / half) ** power + (cos / AXIS_DEPTH_MM) ** power) ** (-1.0 / power)
    hollow = 9.0 * np.exp(-(((x + 190.0) / 90.0) ** 2))[:, None] * np.exp(-(((phi - 0.62) / 0.25) ** 2))
    radius = radius - hollow
    radius = radius * np.where(np.abs(phi) < np.radians(112.0 - 6.0), 1.0, np.nan)
    axis_y = np.zeros_like(x)
    ridge = radius[:, phi.size // 2]
    return Surface(x, phi, axis_y, topline(x) - ridge, radius, np.where(np.isfinite(radius), 0.6, np.nan))


def _sampled(section: FloatArray, step_mm: float) -> FloatArray:
    """The section resampled every step_mm of arc from its middle."""
    points = section[np.isfinite(section).all(axis=1)]
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    arc = arc - np.interp(0.0, points[:, 0], arc)
    steps = step_mm * np.arange(np.ceil(arc[0] / step_mm), np.floor(arc[-1] / step_mm) + 1)
    return np.column_stack([np.interp(steps, arc, points[:, 0]), np.interp(steps, arc, points[:, 1])])


def _half_width(section: FloatArray, depth: float, sign: int) -> float:
    side = section[section[:, 0] * sign >= 0]
    side = side[np.argsort(np.abs(side[:, 0]) - side[:, 1])]
    below = np.flatnonzero(side[:, 1] < -depth)
    if below.size == 0:
        return float("nan")
    a, b = side[below[0] - 1], side[below[0]]
    return float(abs(a[0] + (b[0] - a[0]) * (-depth - a[1]) / (b[1] - a[1])))


def _stations(surface: Surface) -> Stations:
    sections, slope, half = [], np.full((13, 2), np.nan), np.full((13, 4, 2), np.nan)
    area = np.zeros(13)
    lateral = np.arange(20.0, 101.0)
    for i, x in enumerate(STATIONS_MM):
        section = surface.section(float(x)) - np.array([0.0, float(topline(np.array(x)))])
        section = _sampled(section, 5.0)
        sections.append(section)
        for s, sign in enumerate((1, -1)):
            order = section[np.argsort(sign * section[:, 0])]
            z = np.interp(lateral, sign * order[:, 0], order[:, 1])
            slope[i, s] = -np.degrees(np.arctan(np.polyfit(lateral, z, 1)[0]))
            half[i, :, s] = [_half_width(section, depth, sign) for depth in DEPTHS_MM]
            area[i] -= sign * np.interp(np.arange(150.0), sign * order[:, 0], order[:, 1]).sum() / 100.0
    return Stations(
        STATIONS_MM,
        slope,
        np.full((13, 2), 0.4),
        half,
        np.full((13, 4, 2), 1.5),
        area,
        np.full(13, 2.5),
        np.full(13, 0.97),
        tuple(sections),
    )


def _landmark(surface: Surface, name: str, x: float, phi: float, source: str, sd: float) -> Landmark:
    kind = {"withers": "knee", "croup": "peak", "low": "low"}.get(name, "mark" if source == "marked" else "estimate")
    return Landmark(name, surface.point(np.array(x), np.array(phi)), source, kind, sd)


def example_back() -> Back:
    """The invented back: dipped, hollow behind the left shoulder."""
    surface = invented_surface()
    x = np.arange(-820.0, 121.0, 10.0)
    midline = Midline(x, np.zeros_like(x), topline(x), np.full_like(x, 2.0), np.full_like(x, 0.6))
    places = (
        ("withers", 0.0, 0.0, "marked", 2.0),
        ("croup", -800.0, 0.0, "estimated", 12.0),
        ("low", -390.0, 0.0, "estimated", 15.0),
        ("shoulder_left", -102.0, 0.6, "marked", 3.0),
        ("shoulder_right", -96.0, -0.6, "marked", 3.0),
        ("last_rib_left", -590.0, 0.55, "told", 10.0),
        ("last_rib_right", -590.0, -0.55, "told", 10.0),
        ("saddle_front_left", -150.0, 0.35, "estimated", 12.0),
        ("saddle_front_right", -150.0, -0.35, "estimated", 12.0),
        ("saddle_rear", -575.0, 0.0, "estimated", 20.0),
    )
    return Back(
        Source("linnet.ply", "ab" * 32, "2026-03-14", "Linnet", MappingProxyType({"unit": "mm", "up": "+z"})),
        Frame(
            np.array([12.0, -40.0, 1510.0]),
            np.array([0.6, 0.8, 0.0]),
            np.array([-0.8, 0.6, 0.0]),
            np.array([0.0, 0.0, 1.0]),
            1.0,
            "told",
            "told",
            "told",
            False,
            0.4,
            0.3,
            0.3,
        ),
        surface,
        midline,
        tuple(_landmark(surface, *place) for place in places),
        _stations(surface),
        Build(
            0.1,
            0.2,
            38.4,
            1.2,
            -391.0,
            (1.4, 1.3),
            (8.6, float("nan")),
            (488.0, 494.0),
            (BuildWord("dipped", "dip_mm", 38.4, 30.0), BuildWord("hollow behind the shoulder", "hollow_mm", 8.6, 6.0)),
        ),
        Quality(
            "usable",
            84210,
            3.4,
            0.7,
            0.93,
            float("nan"),
            300.0,
            299.4,
            (
                QualityMessage(
                    "thin", (-160.0, 150.0, -90.0), "left behind the shoulder is thin, a hand's size; fine for choosing"
                ),
            ),
        ),
    )


def example_saddle() -> Saddle:
    return Saddle(
        name="Yard saddle, rigid tree",
        style="english",
        tree="rigid",
        ei_nm2=np.inf,
        length_mm=PANEL_MM,
        panel_width_mm=np.array([80.0, 100.0, 110.0]),
        channel_mm=np.array([70.0, 70.0, 75.0]),
        angle_deg=np.array([31.0, 22.0, 15.0]),
        rocker_mm=14.0,
        rise_mm=6.0,
        panel_curve_mm=4.0,
        arches=(Arch("narrow", 108.0, 250.0), Arch("medium", 116.0, 270.0), Arch("wide", 124.0, 292.0)),
        reference_arch="medium",
        arch_length_mm=110.0,
        filling=Filling("wool", 25.0),
        mass_kg=8.5,
        seat_x_mm=-215.0,
        straps_x_mm=(-130.0, -200.0),
        stirrup_bar_x_mm=-70.0,
    )


def _outline(side: int, front: float, length: float) -> FloatArray:
    """A pocket with a slanted front and rounded hind corner, counter-clockwise."""
    near, far = 40.0, 132.0
    points = np.array(
        [
            [front - length, near],
            [front - 6.0, near],
            [front, near + 8.0],
            [front - 14.0, far],
            [front - length + 18.0, far],
            [front - length + 5.0, far - 5.0],
            [front - length, far - 18.0],
        ]
    )
    return points if side > 0 else np.column_stack([points[::-1, 0], -points[::-1, 1]])


def example_pad() -> Pad:
    pockets = tuple(
        Pocket(f"{place}_{side}", side, _outline(1 if side == "left" else -1, front, length))
        for place, front, length in (("front", -15.0, 125.0), ("middle", -145.0, 130.0), ("rear", -280.0, 125.0))
        for side in ("left", "right")
    )
    return Pad(
        "Yard pad, six pockets",
        4.0,
        "felt",
        (Insert("felt 6", "felt", 6.0), Insert("felt 10", "felt", 10.0)),
        pockets,
        (
            Shim("felt", "felt", (3.1, 6.2), (500.0, 300.0), has_face=True, grain=True),
            Shim("foam", "foam", (5.0,), (400.0, 250.0)),
        ),
        StackLimits(),
    )


THIN, THICK, FOAM = Layer("felt", 3.1), Layer("felt", 6.2), Layer("foam", 5.0)


def _setup(arch: str, insert: str, **stacks: Stack) -> Setup:
    return Setup(arch, insert, {pocket.name: stacks.get(pocket.name, ()) for pocket in example_pad().pockets})


def best_setup() -> Setup:
    return _setup(
        "medium",
        "felt 6",
        front_left=(THIN,),
        middle_left=(THICK, THIN),
        middle_right=(THICK,),
        rear_right=(FOAM,),
    )


def _nodes(surface: Surface, spacing: float = 10.0) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    flat, points, sides, along = [], [], [], []
    for station in np.arange(spacing / 2, PANEL_MM, spacing):
        x = FRONT_X_MM - station
        section = surface.section(x)
        section = section[np.isfinite(section).all(axis=1)]
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(section, axis=0).T))])
        arc -= np.interp(0.0, section[:, 0], arc)
        for side in (1, -1):
            for d in np.arange(CHANNEL_MM / 2 + spacing / 2, CHANNEL_MM / 2 + PANEL_WIDTH_MM, spacing):
                y, z = (np.interp(side * d, arc, section[:, i]) for i in (0, 1))
                flat.append((-station, side * d))
                points.append((x, y, z))
                sides.append(float(side))
                along.append(station / PANEL_MM)
    return np.array(flat), np.array(points), np.array(sides), np.array(along)


def _zones(p: FloatArray, gap: FloatArray, side: FloatArray, along: FloatArray) -> dict[str, Zone]:
    third = np.clip((3 * along).astype(int), 0, 2)
    zones = {}
    for name in ZONES:
        place, hand = name.split("_")
        here = (third == ("front", "middle", "rear").index(place)) & (side == (1.0 if hand == "left" else -1.0))
        touching = p[here][p[here] > 0.1]
        mean = float(touching.mean()) if touching.size else 0.0
        zones[name] = Zone(mean, float(p[here].max()), float(np.clip(gap[here], 0.0, None).mean()))
    return zones


def _case(
    field: FloatArray, load_n: float, pose: tuple[float, float], side: FloatArray, along: FloatArray, area: FloatArray
) -> CaseResult:
    shape = np.clip(field, 0.0, None)
    p = shape * load_n / (1e-3 * (shape * area).sum())
    gap = np.where(field < 0, -12.0 * field, -0.2 * p)
    touching = p > 0.1
    return CaseResult(
        pitch_deg=pose[0],
        roll_deg=pose[1],
        vertical_n=load_n,
        side_n=4.0,
        left_share=float((p * area)[side > 0].sum() / (p * area).sum()),
        bridged_share=float(area[p < 0.1 * p.mean()].sum() / area.sum()),
        contact_area_cm2=float(area[touching].sum() / 100.0),
        mean_kpa=float(p[touching].mean()),
        peak_kpa=float(p.max()),
        unevenness=float(p.std() / p.mean()),
        zones=_zones(p, gap, side, along),
        clearance_mm={"withers_above": 41.0, "withers_left": 36.0, "withers_right": 38.0, "channel": 14.0},
        strain={"felt": 0.08, "wool": 0.21},
        proof=Proof(2e-9, 3e-7, 1e-10),
        pressure_kpa=p,
        gap_mm=gap,
    )


def _contact(surface: Surface, setup: Setup, bridging: float, pose: tuple[float, float], cost: float) -> Contact:
    flat, points, side, along = _nodes(surface)
    area = np.full(len(flat), 100.0)
    across = (np.abs(flat[:, 1]) - CHANNEL_MM / 2) / PANEL_WIDTH_MM
    field = 1.0 + bridging * np.cos(2 * np.pi * along) - 0.5 * (2 * across - 1) ** 2
    field = field - 0.3 * bridging * (side > 0) * np.exp(-(((along - 0.15) / 0.12) ** 2))
    loads = {"saddle_only": 83.0, "girthed": 283.0, "mounted": 1019.0, "walk": 1170.0, "trot": 1755.0, "canter": 2120.0}
    cases = {name: _case(field, load, pose, side, along, area) for name, load in loads.items()}
    return Contact(setup, cases, points, flat, side, area, along, cost, ())


def example_case() -> Case:
    return Case(
        Horse("Linnet", 1575.0, 510.0, 7.0, "fit"),
        Today("2026-03-14", True, (), False, False, "no", PartialSetup("medium", "felt 6")),
        Rider(72.0, True),
        Aim(),
        (PartialSetup(pockets={"middle_left": (THICK,), "middle_right": (THICK,)}),),
        "mm",
        False,
        "the yard",
        "home",
    )


def example_fit() -> Fit:
    """The whole invented answer."""
    back = example_back()
    found, best = _setup("medium", "felt 6"), best_setup()
    middle = _setup("medium", "felt 6", middle_left=(THICK,), middle_right=(THICK,))
    wide = _setup("wide", "felt 10", middle_left=(THICK,), middle_right=(THICK,))
    as_found = _contact(back.surface, found, 1.1, (-0.6, 0.4), 1.62)
    with_setup = _contact(back.surface, best, 0.25, (0.3, 0.1), 0.71)
    tried = _contact(back.surface, middle, 0.4, (0.2, 0.5), 0.83)
    return Fit(
        back=back,
        saddle=example_saddle(),
        pad=example_pad(),
        case=example_case(),
        placement=Placement(FRONT_X_MM, np.array([FRONT_X_MM, 0.0, 34.0]), "rule", 10.0),
        verdict="good contact with this set-up",
        sentence="Good contact with this set-up: the middle was bridged, and the left was hollow behind the shoulder.",
        setup=best,
        level_setup=middle,
        as_found=as_found,
        with_setup=with_setup,
        arch=ArchJudgement("medium", (-1.6, 0.8), (-3.0, 1.5), "parallel"),
        second_opinion=SecondOpinion(16.4, 9.1, 15.2, 15.6, 0.05, {"as found": 31.0, "middle only": 18.2}),
        tries=(Rival(middle, tried, "your idea"),),
        runners_up=(
            Rival(middle, tried, "both sides alike"),
            Rival(wide, _contact(back.surface, wide, 0.5, (-0.8, 0.1), 0.95), "another arch"),
        ),
        search=SearchReport(18432, 2210, {"stack height": 8100, "neighbour step": 6122, "pitch": 2000}, 0.71, True),
        confidence=Confidence(0.82, 200, True, "withers height"),
        flocking_mm=dict(zip(ZONES, (3.0, 0.0, 8.5, 6.0, 0.0, 4.0), strict=True)),
        findings=(
            Finding("bridging", "middle", "both", 7.4, "mm", 1.2, "daylight in the middle third", "fill the middle"),
            Finding("hollow", "front", "left", 8.6, "mm", 1.5, "hollow behind the left shoulder", "a thin front shim"),
            Finding("dip", "back", "none", 38.4, "mm", 1.2, "the back is dipped", "middle shims follow the dip"),
        ),
        hand_checks=(
            HandCheck("under the points", "left", "saddle only", "light", 2.5, 1.5),
            HandCheck("under the points", "right", "saddle only", "firm", 0.0, 1.5),
            HandCheck("middle", "left", "saddle only", "daylight", 7.9, 1.2),
            HandCheck("middle", "right", "saddle only", "daylight", 6.8, 1.2),
            HandCheck("rear", "left", "saddle only", "firm", 0.0, 1.2),
            HandCheck("rear", "right", "saddle only", "firm", 0.0, 1.2),
            HandCheck("middle", "left", "with set-up", "even", 0.0, 1.2),
            HandCheck("middle", "right", "with set-up", "even", 0.0, 1.2),
            HandCheck("under the points", "left", "mounted", "even", 0.0, 1.5),
        ),
        take_out=(
            TakeOutStep(4, "If the left has filled behind the shoulder, take out front left."),
            TakeOutStep(12, "If the middle feels firm, take the upper layer out of middle left."),
        ),
        cautions=(
            "A workshop aid, not a diagnosis and no substitute for a qualified fitter or a vet.",
            "A stack over 6 mm: build it up in two steps, some rides apart.",
        ),
        recheck_weeks=4,
        recheck_on="2026-04-11",
        horse_load={"rider_share": 0.141, "rider_and_tack_share": 0.158},
    )
