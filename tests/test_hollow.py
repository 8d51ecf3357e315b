"""Hollow behind the shoulder: a straight-edge neither jumps when its end moves by a millimetre nor minds a slope."""

from dataclasses import replace

import numpy as np
import pytest

from shimwright.export.owners_words import why
from shimwright.optimize.findings import build_findings
from shimwright.scan.back import Back
from shimwright.scan.build import measure_build
from shimwright.scan.synthetic import BUILDS, true_back

LEFT = true_back(BUILDS["hollow left"])


def with_shoulder(back: Back, moved_mm: float, sd_mm: float) -> Back:
    """The back with its left shoulder edge felt elsewhere, and measured anew."""
    marks = tuple(
        replace(mark, position_mm=mark.position_mm + np.array([moved_mm, 0, 0]), sd_mm=sd_mm)
        if mark.name == "shoulder_left"
        else mark
        for mark in back.landmarks
    )
    build = measure_build(back.surface, back.midline, back.frame, marks, back.stations)
    return replace(back, landmarks=marks, build=build)


def test_a_shoulder_felt_a_little_elsewhere_is_the_same_hollow() -> None:
    depths = [with_shoulder(LEFT, mm, 1.0).build.hollow_mm[0] for mm in np.arange(-10.0, 11.0, 2.0)]
    assert np.abs(np.diff(depths)).max() < 1.0
    assert depths[5] == pytest.approx(14.0, abs=2.0)  # what the shape was told


def test_a_marked_shoulder_knows_its_hollow_well() -> None:
    assert with_shoulder(LEFT, 0.0, 1.0).build.hollow_sd_mm[0] < 1.0


def test_no_word_for_what_is_within_its_error() -> None:
    words = {word.word for word in LEFT.build.words}
    assert "hollow behind the left shoulder" in words
    doubtful = with_shoulder(LEFT, 0.0, 250.0)
    assert doubtful.build.hollow_sd_mm[0] > 0.5 * doubtful.build.hollow_mm[0]
    assert "hollow behind the left shoulder" not in {word.word for word in doubtful.build.words}


def test_the_owner_reads_its_error_and_what_helps() -> None:
    rows = build_findings(with_shoulder(LEFT, 0.0, 1.0))
    found = next(row for row in rows if row.code == "hollow behind the left shoulder")
    assert (found.side, found.helps) == ("left", "height in front, on the hollow side")
    assert "±" in why("A", found)[1]
