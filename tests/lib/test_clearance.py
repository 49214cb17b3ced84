"""Clearances: their grade in words, the most that keys a peg, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from seamwright.__main__ import main
from seamwright.clearance import (
    SIZES,
    TOLERANCES,
    WIDEST,
    grade,
    in_words,
    most,
    tolerance,
)
from seamwright.errors import BadInput
from seamwright.files import write_stl
from seamwright.footprint import most_share, offset, other_seatings
from seamwright.interface import interfaces
from seamwright.job import job_from_toml
from seamwright.joint import Joint
from seamwright.pieces import take_apart
from seamwright.printer import BUILT_IN, LOOSEST, printer
from seamwright.seam import Seam
from seamwright.shapes import box
from seamwright.sizing import joints
from seamwright.wishes import footprint_of

# --- grades ---------------------------------------------------------------------------


def test_a_quarter_millimetre_on_a_20_mm_peg_is_about_it14() -> None:
    assert grade(0.25, 20) == "IT14"
    assert in_words(0.25, 20.0) == "0.25 mm per side on a 20 mm peg is about IT14"


@pytest.mark.parametrize("size", [2.0, 3.0, 12.0, 30.0, 30.001, 500.0])
@pytest.mark.parametrize("number", [1, 7, 14, 18])
def test_a_play_as_wide_as_a_tolerance_is_of_that_grade(size: float, number: int) -> None:
    assert grade(tolerance(number, size) / 2, size) == f"IT{number}"


@pytest.mark.parametrize("size", [1.0, 10.0, 99.0])
def test_between_two_grades_the_nearer_by_ratio_counts(size: float) -> None:
    for number in range(1, 18):
        middle = np.sqrt(tolerance(number, size) * tolerance(number + 1, size))
        assert grade(middle / 2 * 0.999, size) == f"IT{number}"
        assert grade(middle / 2 * 1.001, size) == f"IT{number + 1}"


def test_beyond_the_grades_it_says_so() -> None:
    assert grade(0.0, 20) == "finer than IT1"
    assert in_words(0.0002, 20) == "0.0002 mm per side on a 20 mm peg is finer than IT1"
    assert grade(2.5, 20) == "coarser than IT18"


def test_the_steps_of_size_include_their_upper_end() -> None:
    assert tolerance(7, 18.0) == 0.018
    assert tolerance(7, 18.1) == 0.021
    assert TOLERANCES.shape == (len(SIZES), 18)
    assert (np.diff(TOLERANCES, axis=1) > 0).all() and (np.diff(TOLERANCES, axis=0) >= 0).all()


@pytest.mark.parametrize("size", [0.0, -1.0, 500.1, np.nan])
def test_sizes_without_grades_are_refused(size: float) -> None:
    with pytest.raises(BadInput, match="has no tolerance grade"):
        grade(0.2, size)


def test_bad_clearances_and_grades_are_refused() -> None:
    for wrong in (-0.1, np.nan):
        with pytest.raises(BadInput, match="give 0 or more"):
            grade(wrong, 20)
    for number in (0, 19):
        with pytest.raises(BadInput, match="not one of IT1 to IT18"):
            tolerance(number, 20)


# --- the most that keys a peg -----------------------------------------------------------


def seats_one_way(width: float, clearance: float, draft: float) -> bool:
    _, outline = footprint_of(width, 20.0)
    return not other_seatings([outline], [offset(outline, clearance / np.cos(np.radians(draft)))])


@pytest.mark.parametrize("width", [2.0, 2.4, 5.9, 6.0, 12.0, 30.0])
@pytest.mark.parametrize("draft", [0.0, 15.0])
def test_the_most_still_keys_and_a_little_more_does_not(width: float, draft: float) -> None:
    kind, _ = footprint_of(width, 0.0)
    assert seats_one_way(width, most(width, kind), draft)
    assert seats_one_way(width, most_share(kind) * width, draft)
    assert not seats_one_way(width, 1.05 * most_share(kind) * width, draft)


def test_the_default_clearances_key_even_the_thinnest_peg() -> None:
    for profile in BUILT_IN.values():
        thin = max(6 * profile.nozzle, 2.0)
        assert profile.clearance <= most(thin, footprint_of(thin, 0.0)[0])


# --- refusals ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clearance", "says"),
    [
        (-0.1, "clearance must be 0 or more"),
        (np.nan, "clearance must be 0 or more"),
        (9.0, "a clearance of 9 mm per side .* give at most 2.52 mm"),
        (np.inf, "give at most 2.52 mm"),
    ],
)
def test_a_profile_refuses_clearances_that_key_no_peg(clearance: float, says: str) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        printer("filament-256", clearance=clearance)
    assert "\n" not in str(caught.value)


def test_a_job_refuses_them_where_it_is_read() -> None:
    text = 'seamwright = 1\nname = "A"\n[printer]\nclearance = 9'
    with pytest.raises(BadInput, match=r"^dragon.toml, \[printer\]: .* at most 2.52 mm"):
        job_from_toml(text, "dragon.toml")
    limit = job_from_toml(text.replace("9", str(most(WIDEST))))
    assert limit.printer.clearance == most(WIDEST) == 2.52


def one_joint(across: float, clearance: float) -> Joint:
    seams = (Seam(1, "waist", (0.0, 0.0, 50.0), (0.0, 0.0, 1.0)),)
    pieces = take_apart(box(across, across, 100), seams)
    profile = printer("filament-256", clearance=clearance)
    (joint,) = joints(pieces, interfaces(pieces, seams), profile)
    return joint


def test_a_clearance_larger_than_the_peg_is_refused() -> None:
    with pytest.raises(BadInput, match=r"more than the 2\.4 mm peg that seam 'waist' would get"):
        one_joint(10.0, 2.5)


def test_a_clearance_too_wide_for_a_face_says_what_would_do_and_that_does() -> None:
    joint = one_joint(60.0, 2.0)
    assert joint.kind == "plain"
    assert "with 2 mm of clearance no peg small enough" in joint.reason
    would_do = float(joint.reason.split("; ")[1].split(" mm or less would do")[0])
    assert 0.5 < would_do < 2.0
    assert one_joint(60.0, would_do).kind == "pegs"
    assert one_joint(60.0, 1.1 * would_do).kind == "plain"


# --- in the report ------------------------------------------------------------------------


def test_every_peg_s_grade_is_in_the_report_and_in_what_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_stl(box(90, 90, 120), tmp_path / "post.stl", "post")
    (tmp_path / "post.toml").write_text(
        'seamwright = 1\nname = "Post"\n[figure]\nfile = "post.stl"\nunit = "mm"\n'
        "[printer]\nclearance = 0.25\n"
        "[[seam]]\npoint = [0, 0, 60]\nnormal = [0, 0, 1]\n"
    )
    assert main([str(tmp_path / "post.toml")]) == 0
    assert "0.25 mm per side on a 20.2 mm peg is about IT14 of ISO 286-1" in capsys.readouterr().out
    report = json.loads((tmp_path / "post-pieces" / "report.json").read_text(encoding="utf-8"))
    (joint,) = report["joints"]
    assert joint["pegs"]
    for peg in joint["pegs"]:
        assert peg["clearance_mm"] == 0.25
        assert peg["clearance_grade"] == grade(0.25, peg["width_mm"])


def test_the_printers_limit_is_the_widest_pegs():
    assert pytest.approx(most(WIDEST), abs=0.005) == LOOSEST
