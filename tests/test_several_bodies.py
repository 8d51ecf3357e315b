"""Several things in one file: the horse is found, by its shape or its mark, or asked for. Truth: the invented horse."""

from dataclasses import replace

import numpy as np
import pytest
from errors_of_survey import errors_of
from scanners import SCANNERS, Scanner, Scene, Taken, take, usual_dots

from shimwright.scan.refusal import InputRefused
from shimwright.scan.survey import survey
from shimwright.scan.synthetic import BUILDS

QUICK = replace(SCANNERS["handheld"], spacing_mm=(9.0, 10.0))


def scan_beside(thing: str, marked: bool, scanner: Scanner = QUICK) -> Taken:
    shape = BUILDS["uphill"]
    dots = {"withers": usual_dots(shape, 24.0)["withers"]} if marked else {}
    return take(shape, scanner, Scene(mesh=False, clutter=(thing,), dots=dots), np.random.default_rng(3))


@pytest.mark.parametrize("thing", ["handler", "barrel"])
def test_the_back_is_found_among_other_things_as_large(thing: str) -> None:
    taken = scan_beside(thing, marked=False)
    back = survey(taken.raw, taken.told, None, lambda _: None)
    slope = errors_of(back, taken).size["slope, one side, deg"]
    assert np.abs(slope).max() < 2.0
    assert any("other bodies" in message.text for message in back.quality.messages)


def test_of_two_horses_it_asks_which() -> None:
    taken = scan_beside("other horse", marked=False)
    with pytest.raises(InputRefused, match=r"2 of 2 bodies .* --mark withers="):
        survey(taken.raw, taken.told, None, lambda _: None)


def test_a_mark_says_which_horse() -> None:
    taken = scan_beside("other horse", marked=True)
    back = survey(taken.raw, taken.told, None, lambda _: None)
    assert np.linalg.norm(taken.to_true(back.frame.origin_scan[None])[0]) < 8.0
