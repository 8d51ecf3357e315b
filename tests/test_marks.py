"""Marks: colours by hue sector, patches on the body, left and right, the scale pair."""

import colorsys
from dataclasses import replace

import numpy as np
import pytest

from shimwright.scan.clean import clean
from shimwright.scan.dots import is_colour, patches
from shimwright.scan.frame import FrameFound, find_frame
from shimwright.scan.marks import PAIR_SD_MM, PairFound, told_against_pair
from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.told import BehindWithers, Dot, ScalePair, ScanPoint, Told

from .plain_back import LEVEL, PlainBack, cloud, dots

BACK = PlainBack()
RED, YELLOW, CYAN, BLUE = (210, 30, 40), (240, 210, 30), (20, 190, 210), (30, 80, 210)
HUES = {
    "red": (350, 10),
    "yellow": (45, 65),
    "green": (95, 145),
    "cyan": (170, 190),
    "blue": (215, 250),
    "magenta": (290, 325),
}


def place(x: float, t: float) -> FloatArray:
    return BACK.surface(np.array([x]), np.array([t]))[0]


def scan(spots: dict[str, tuple[FloatArray, tuple[int, int, int]]], n: int = 40_000, **declared: object) -> RawScan:
    points = BACK.points(n, np.random.default_rng(0))
    return cloud(LEVEL.to_scan(points), paint=dots(points, spots, LEVEL), **declared)


def found(raw: RawScan, told: Told) -> FrameFound:
    return find_frame(clean(raw), raw.paint, raw, told)


KNOWN = Told(unit_mm=1.0, up=(0, 0, 1), head=(1, 0, 0))


@pytest.mark.parametrize("word", HUES)
def test_colour_words_are_hue_sectors(word: str) -> None:
    for hue in HUES[word]:
        vivid = np.array([[round(255 * v) for v in colorsys.hsv_to_rgb(hue / 360, 0.9, 0.8)]], np.uint8)
        pale = np.array([[round(255 * v) for v in colorsys.hsv_to_rgb(hue / 360, 0.5, 0.8)]], np.uint8)
        assert is_colour(vivid, word)[0]
        assert not is_colour(pale, word)[0]
        assert not any(is_colour(vivid, other)[0] for other in HUES if other != word)


def test_hash_colours() -> None:
    assert is_colour(np.array([[250, 130, 10]], np.uint8), "#ff8800")[0]
    assert not is_colour(np.array([[250, 30, 10]], np.uint8), "#ff8800")[0]
    assert is_colour(np.array([[250, 250, 245]], np.uint8), "#ffffff")[0]
    assert not is_colour(np.array([[180, 180, 180]], np.uint8), "#ffffff")[0]
    with pytest.raises(WrongUse, match="no colour"):
        is_colour(np.zeros((1, 3), np.uint8), "mauve")


def test_a_dot_is_found_at_its_centre() -> None:
    at = place(-70.0, 0.6)
    raw = scan({"a": (at, RED)})
    result = found(raw, replace(KNOWN, marks={"shoulder_left": Dot("red")}))
    mark = result.marks[0]
    assert (mark.name, mark.source, mark.kind) == ("shoulder_left", "marked", "dot")
    assert result.frame.to_scan(mark.position_mm[None])[0] == pytest.approx(at, abs=3.0)


def test_no_dot_and_two_alike_are_refused() -> None:
    raw = scan({"a": (place(-70.0, 0.6), RED), "b": (place(-300.0, -0.6), RED)})
    with pytest.raises(InputRefused, match="no blue dot"):
        found(raw, replace(KNOWN, marks={"shoulder_left": Dot("blue")}))
    with pytest.raises(InputRefused, match="alike"):
        found(raw, replace(KNOWN, marks={"shoulder_left": Dot("red")}))


def test_the_larger_patch_counts_when_the_other_is_a_speck() -> None:
    raw = scan({"a": (place(-70.0, 0.6), RED)})
    assert raw.paint is not None
    rgb = raw.paint.rgb.copy()
    speck = np.argsort(np.linalg.norm(raw.points - place(-400.0, -0.5), axis=1))[:6]
    rgb[speck] = RED
    result = found(
        replace(raw, paint=Paint(raw.paint.points, rgb)), replace(KNOWN, marks={"shoulder_left": Dot("red")})
    )
    assert result.frame.to_scan(result.marks[0].position_mm[None])[0] == pytest.approx(place(-70.0, 0.6), abs=3.0)


def test_two_dots_of_one_colour_are_left_and_right() -> None:
    left, right = place(-70.0, 0.6), place(-75.0, -0.62)
    raw = scan({"a": (left, RED), "b": (right, RED)})
    result = found(raw, replace(KNOWN, marks={"shoulder_left": Dot("red"), "shoulder_right": Dot("red")}))
    by_name = {mark.name: mark.position_mm for mark in result.marks}
    assert by_name["shoulder_left"][1] > 50
    assert by_name["shoulder_right"][1] < -50
    with pytest.raises(WrongUse, match="one colour"):
        found(raw, replace(KNOWN, marks={"shoulder_left": Dot("red"), "withers": Dot("red")}))


def test_a_dot_off_the_body_does_not_count() -> None:
    raw = scan({})
    assert raw.paint is not None
    away = np.random.default_rng(1).normal([0, 1500, 0], 8, (300, 3))
    paint = Paint(
        np.concatenate([raw.paint.points, away]), np.concatenate([raw.paint.rgb, np.full((300, 3), RED, np.uint8)])
    )
    cleaned = clean(raw)
    assert patches(paint, "red", cleaned.cells, cleaned.cell) == ()


def test_a_withers_dot_sets_the_withers() -> None:
    raw = scan({"a": (place(25.0, 0.0), YELLOW)})
    result = found(raw, replace(KNOWN, marks={"withers": Dot("yellow")}))
    assert result.topline.withers_kind == "mark"
    assert result.frame.to_back(np.array([[25.0, 0.0, 0.0]]))[0, 0] == pytest.approx(0.0, abs=3.0)


def test_told_distances_have_x_only() -> None:
    result = found(scan({}), replace(KNOWN, marks={"saddle_rear": BehindWithers(470.0)}))
    mark = result.marks[0]
    assert (mark.source, mark.position_mm[0]) == ("told", -470.0)
    assert np.isnan(mark.position_mm[1:]).all()


def test_a_point_off_the_horse_is_refused_with_its_distance() -> None:
    with pytest.raises(InputRefused, match="off the horse"):
        found(scan({}), replace(KNOWN, marks={"shoulder_left": ScanPoint((0.0, 0.0, 500.0))}))


def pair_scan(**declared: object) -> tuple[RawScan, float]:
    one, two = place(-200.0, 0.1), place(-540.0, 0.1)
    return scan({"a": (one, YELLOW), "b": (two, CYAN)}, **declared), float(np.linalg.norm(one - two))


def test_a_scale_pair_sets_the_unit_whatever_is_declared() -> None:
    raw, apart = pair_scan(unit_mm=1.2)
    result = found(raw, Told(up=(0, 0, 1), scale=ScalePair("yellow", "cyan", apart)))
    assert result.frame.unit_source == "scale pair"
    assert result.frame.mm_per_unit == pytest.approx(1.0, rel=0.01)
    assert result.scale_told_mm == apart
    assert result.scale_measured_mm == pytest.approx(1.2 * apart, rel=0.01)


@pytest.mark.parametrize(("factor", "corrected"), [(1.0, False), (1.005, False), (1.03, True), (0.95, True)])
def test_a_told_unit_is_corrected_above_twice_the_pairs_sd(factor: float, corrected: bool) -> None:
    # project design §9: sd about 0.45 % at 340 mm
    assert pytest.approx(0.0045, abs=1e-4) == PAIR_SD_MM / 340.0
    mm, message = told_against_pair(1.0, PairFound(told_mm=340.0, units=340.0 * factor))
    assert (message is not None) == corrected
    assert mm == pytest.approx(1 / factor if corrected else 1.0)


def test_a_pair_more_than_ten_percent_off_is_refused() -> None:
    with pytest.raises(InputRefused, match="--scale"):
        told_against_pair(1.0, PairFound(told_mm=340.0, units=380.0))


def test_a_corrected_unit_is_said() -> None:
    raw, apart = pair_scan()
    result = found(raw, replace(KNOWN, scale=ScalePair("yellow", "cyan", 1.05 * apart)))
    assert result.frame.mm_per_unit == pytest.approx(1.05, rel=0.01)
    assert any("scale corrected" in message for message in result.messages)
