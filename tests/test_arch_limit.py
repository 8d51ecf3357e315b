"""An arch is held against its limit by itself: shims tilt the saddle, they never mend an arch (PRACTICE §5)."""

from dataclasses import replace

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, pad, saddle, setup

from shimwright.optimize.case import Case
from shimwright.optimize.fit import Job, choices, prepared
from shimwright.optimize.limits import limits
from shimwright.optimize.verdict import judge_chosen
from shimwright.scan.raw import FloatArray

TACK = replace(saddle(), arches=saddle().arches[1:4])
CLOTH = pad(rows=2)
LIES_ON = fitted_height(TACK, FRONT_X_MM)


def one_sided(x: FloatArray, y: FloatArray) -> FloatArray:
    """Steeper than the widest arch by some 6°, a hollow on the right that rolls the bare saddle."""
    hollow = 6 * np.exp(-(((x + 200) / 90) ** 2) - ((y + 90) / 60) ** 2)
    steeper = 0.07 * np.abs(y) * np.exp(-(((x + 140) / 110) ** 2))
    return LIES_ON(x, y) - steeper + 0.07 * x + 3 * np.exp(-(((x + 130) / 60) ** 2) - ((y - 60) / 40) ** 2) - hollow


@pytest.fixture(scope="module")
def job() -> Job:
    return prepared(back_of(one_sided), TACK, CLOTH, Case())


def test_search_and_a_person_meet_the_same_limit(job: Job) -> None:
    """Brute force = search (DESIGN §11): `Job.on` refuses an arch just where the search leaves it out, whatever lies
    in the pockets, and the figure beside the refusal is beyond the limit."""
    hard = limits().arch.hard_deg
    offered = {option.arch: option.refused == "arch" for option in choices(job)[0]}
    assert set(offered.values()) == {True, False}
    found = job.on(job.found_setup, None)
    for arch, refused in offered.items():
        for heights in ({}, {"front_right": 6.0, "rear_right": 6.0}, {"front_left": 6.0, "rear_left": 6.0}):
            contact = job.on(setup(CLOTH, heights, arch=arch), found, ("girthed", "mounted"))
            assert ("arch" in contact.refused_by) == refused
            if refused:
                assert contact.arch is not None
                assert abs(contact.arch.at_larger_deg) > hard
                assert judge_chosen(found, contact).verdict == "another arch"
