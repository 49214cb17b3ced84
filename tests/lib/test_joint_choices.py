"""Joint choices: read, refused in one sentence, written back the same, laid over each other."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import manifold3d
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.choice import (
    AUTO,
    FIRM,
    FOOTPRINTS,
    KINDS,
    MAGNETS,
    MOST_PEGS,
    PLAIN,
    JointAt,
    JointChoice,
)
from seamwright.errors import BadInput
from seamwright.interface import Interface, choices, interfaces
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml
from seamwright.joint_tables import choice_of, choice_table
from seamwright.mesh import Mesh
from seamwright.pieces import take_apart
from seamwright.printer import PrinterProfile
from seamwright.rod import Rod
from seamwright.seam import Reach, Seam
from seamwright.shapes import box

UP = (0.0, 0.0, 1.0)
NUMBERS = st.floats(-1e4, 1e4)
POINTS = st.tuples(NUMBERS, NUMBERS, NUMBERS)
SIZES = st.floats(0.01, 100)
NAMES = st.text(min_size=1, max_size=12).filter(lambda t: t.strip() and "\x00" not in t)


@st.composite
def made_choices(draw: st.DrawFn) -> JointChoice:
    """Any choice that can be made."""
    kind = draw(st.sampled_from(KINDS))
    table: dict[str, Any] = {
        "clearance": draw(st.none() | st.floats(0, 2)),
        "turn": draw(st.none() | NUMBERS),
        "marks": draw(st.booleans()),
        "at": draw(st.lists(POINTS, max_size=MOST_PEGS).map(tuple)),
        "firm": tuple(draw(st.sets(st.sampled_from(FIRM)))),
    }
    if not table["at"]:
        table["count"] = draw(st.none() | st.integers(1, MOST_PEGS))
    if kind == "magnets":
        table["magnet"] = draw(st.none() | st.sampled_from(sorted(MAGNETS)))
    elif kind != "plain":
        table["footprint"] = draw(st.none() | st.sampled_from(FOOTPRINTS))
        table["width"] = draw(st.none() | SIZES)
        table["depth"] = draw(st.none() | SIZES)
        table["pegs_on"] = draw(st.sampled_from((None, "A", "B")))
        way = POINTS.filter(lambda p: np.linalg.norm(p) > 1e-6)
        table["direction"] = draw(st.none() | way)
    return JointChoice(kind, **table)


RODS = st.builds(Rod, NAMES, POINTS, POINTS, SIZES, st.none() | st.floats(0, 2))


def a_seam(number: int, name: str, choice: JointChoice) -> Seam:
    return Seam(number, name, (0.0, 0.0, float(number)), UP, joint=choice)


def job_with(
    seams: tuple[Seam, ...], joints: tuple[JointAt, ...] = (), rods: tuple[Rod, ...] = ()
) -> Job:
    return Job("A", FigureChoice(), PrinterProfile(), seams, None, joints, rods)


# --- round trips ----------------------------------------------------------------------------


@given(choice=made_choices())
def test_a_choice_is_written_and_read_back_the_same(choice: JointChoice) -> None:
    table = choice_table(choice)
    assert choice_of(table, "job") == choice
    # What is left open is left out.
    assert all(choice.says(key) for key in table)
    assert all(getattr(choice, key) != getattr(AUTO, key) or key in choice.firm for key in table)


@settings(max_examples=30, deadline=None)
@given(
    whole=made_choices(), single=made_choices(), near=st.none() | POINTS,
    rods=st.lists(RODS, max_size=3, unique_by=lambda r: r.name),
)  # fmt: skip
def test_a_job_with_joints_and_rods_comes_back(
    whole: JointChoice, single: JointChoice, near: Any, rods: list[Rod]
) -> None:
    seams = (a_seam(1, "low", whole), a_seam(2, "high", AUTO))
    job = job_with(seams, (JointAt("low", near, single), JointAt("high", None, AUTO)), tuple(rods))
    text = job_to_toml(job)
    assert job_from_toml(text) == job
    assert job_to_toml(job_from_toml(text)) == text


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_alone_is_written_as_one_word(kind: Any) -> None:
    text = job_to_toml(job_with((a_seam(1, "low", JointChoice(kind)),)))
    assert (f'joint = "{kind}"' in text) == (kind != "auto")
    assert "[seam.joint]" not in text
    (seam,) = job_from_toml(text).seams
    assert seam.joint == JointChoice(kind)


def test_jobs_without_joints_and_rods_say_nothing_of_them() -> None:
    text = job_to_toml(job_with((a_seam(1, "low", AUTO),)))
    assert "joint" not in text and "rod" not in text
    assert job_from_toml(text).joints == job_from_toml(text).rods == ()


def test_rods_are_numbered_where_they_have_no_name() -> None:
    text = HEAD + (ROD + "diameter = 4\n") * 2
    one, two = job_from_toml(text).rods
    assert (one.name, two.name, one.length) == ("rod 1", "rod 2", 9.0)


# --- refusals -------------------------------------------------------------------------------

SEAM = '[[seam]]\nname = "low"\npoint = [0, 0, 1]\nnormal = [0, 0, 1]\n'
HEAD = 'seamwright = 1\nname = "A"\n' + SEAM
JOINT = '[[joint]]\nseam = "low"\n'
ROD = "[[rod]]\nfrom = [0, 0, 0]\nto = [0, 0, 9]\n"
ALL_OF_A_CHOICE = [
    ("kind = 'dowel'", "'dowel' is unknown"),
    ("kind = 3", "'kind' must be a text"),
    ("footprint = 'star'", "'star' is unknown"),
    ("kind = 'magnets'\nmagnet = '7x7'", "'7x7' is no size that is sold"),
    ("magnet = '6x3'", 'needs kind = "magnets"'),
    ("pegs_on = 'C'", '"A" (above) or "B" (below)'),
    ("count = 0", "count is 0; it must be 1 to 6"),
    ("count = 7", "1 to 6"),
    ("count = 2.0", "whole number"),
    ("count = true", "whole number"),
    ("width = 0", "width is 0; it must be above 0 mm"),
    ("width = 'wide'", "'width' must be a number"),
    ("depth = -1", "depth is -1; it must be above 0 mm"),
    ("clearance = -0.1", "0 mm or more"),
    ("clearance = nan", "'clearance' must be a number"),
    ("turn = inf", "'turn' must be a number"),
    ("direction = [0, 0, 0]", "direction has no length"),
    ("direction = [1e-200, 0, 0]", "direction has no length"),
    ("direction = [0, 1]", "three numbers"),
    ("marks = 1", "true or false"),
    ("at = []", "one place or more"),
    ("at = [0, 0, 1]", "three numbers"),
    ("at = [[0, 0]]", "three numbers"),
    (f"at = {[[0, 0, 1]] * 7}", "at has 7 places"),
    ("at = [[0, 0, 1]]\ncount = 2", "drop count"),
    ("kind = 'plain'\nwidth = 3", "'width' is for a joint with pegs"),
    ("kind = 'magnets'\nfootprint = 'D'", "'footprint' is for a joint with pegs"),
    ("kind = 'magnets'\ndirection = [0, 0, 1]", "'direction' is for a joint with pegs"),
    ("kind = 'magnets'\npegs_on = 'A'", "'pegs_on' is for a joint with pegs"),
    ("kind = 'magnets'\ndepth = 3", "'depth' is for a joint with pegs"),
    ("widht = 3", "did you mean 'width'?"),
    ("colour = 'red'", "key 'colour' is unknown; use kind, footprint"),
]
"""What cannot be said of one joint, and what is said to it."""


def refused(text: str) -> str:
    with pytest.raises(BadInput) as caught:
        job_from_toml(text, "dragon.toml")
    said = str(caught.value)
    assert said.startswith(("dragon.toml, ", "dragon.toml: "))
    one_sentence(said)
    return said


def one_sentence(said: str) -> None:
    assert "\n" not in said and ". " not in said
    assert said.endswith((".", "?"))


@pytest.mark.parametrize(("line", "says"), ALL_OF_A_CHOICE)
def test_a_bad_joint_of_a_seam_is_refused_in_one_sentence(line: str, says: str) -> None:
    said = refused(HEAD + "[seam.joint]\n" + line)
    assert says in said and "seam 'low', joint" in said


@pytest.mark.parametrize(("line", "says"), ALL_OF_A_CHOICE)
def test_a_bad_single_joint_is_refused_in_one_sentence(line: str, says: str) -> None:
    said = refused(HEAD + JOINT + "near = [0, 0, 1]\n" + line)
    assert says in said and "joint 1" in said


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (SEAM.replace("low", "high") + 'joint = "dowel"', "joint is 'dowel'; use one of"),
        (SEAM.replace("low", "high") + "joint = 3", "joint is 3; use one of"),
        ("joint = 3", "joint is 3"),
        (JOINT.replace("low", "hip"), "there is no seam 'hip'; use one of low"),
        ("[[joint]]\nkind = 'plain'", "'seam' must be a text"),
        (JOINT + "near = [0, 0]", "'near' must be three numbers"),
        ("[joint]\nseam = 'low'", "[[joint]]"),
        ("[rod]\ndiameter = 3", "[[rod]]"),
        ("[[rod]]\nfrom = [0, 0, 0]\ndiameter = 3", "'to' must be three numbers"),
        (ROD, "needs a diameter above 0 mm"),
        (ROD + "diameter = 0", "needs a diameter above 0 mm"),
        (ROD + "diameter = 'M6'", "'diameter' must be a number"),
        (ROD + "diameter = 6\nclearance = -1", "clearance is -1; it must be 0 mm or more"),
        (ROD + "diameter = 6\nname = ''", "'name' must be a text"),
        (ROD + "diameter = 6\nlength = 3", "key 'length' is unknown"),
        ((ROD + "diameter = 6\nname = 'spine'\n") * 2, "two rods are named 'spine'"),
    ],
)
def test_bad_tables_are_refused_in_one_sentence(text: str, says: str) -> None:
    assert says in refused(HEAD + text)


@pytest.mark.parametrize(
    ("table", "says"),
    [({"kind": "glue"}, "unknown"), ({"footprint": "O"}, "unknown"), ({"width": -1.0}, "above 0"),
     ({"kind": "plain", "magnet": "6x3"}, "needs kind"), ({"pegs_on": "a"}, "above"),
     ({"at": ((0.0, 0.0, 0.0),) * 7}, "7 places"), ({"width": float("nan")}, "above 0"),
     ({"clearance": float("nan")}, "0 mm or more")],
)  # fmt: skip
def test_a_choice_made_in_code_is_held_to_the_same(table: dict[str, Any], says: str) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        JointChoice(**table)
    one_sentence(str(caught.value))


# --- one choice over another ------------------------------------------------------------------


@given(choice=made_choices())
def test_nothing_said_changes_nothing(choice: JointChoice) -> None:
    # What comes out is decided: nothing goes over it any more.
    decided = replace(choice, firm=())
    assert AUTO.over(choice) == decided
    assert choice.over(AUTO) == decided
    assert choice.over(choice) == decided


def test_what_is_said_goes_before_what_the_seam_says() -> None:
    seam = JointChoice("pegs", footprint="cross", width=12.0, clearance=0.3, marks=False)
    assert JointChoice(width=9.0).over(seam) == replace(seam, width=9.0)
    assert JointChoice("pegs", count=2).over(seam) == replace(seam, count=2)
    # Of another kind, a peg's shape and size mean nothing: what is for any joint is kept.
    kept = {"clearance": 0.3, "marks": False}
    assert JointChoice("magnets").over(seam) == JointChoice("magnets", **kept)
    assert PLAIN.over(seam) == JointChoice("plain", **kept)
    assert JointChoice("loose pegs").over(seam) == JointChoice("loose pegs", **kept)


def test_one_joint_can_be_as_by_default_again_where_its_seam_is_not() -> None:
    seam = JointChoice("magnets", magnet="6x3", clearance=0.3, marks=False, key=False)
    assert JointChoice().over(seam) == seam
    assert JointChoice(firm=("marks",)).over(seam) == replace(seam, marks=True)
    assert JointChoice(firm=("key",)).over(seam) == replace(seam, key=True)
    # A magnet's size means nothing to pegs, and these have their key unless it is taken away.
    anew = JointChoice(firm=("kind",))
    assert anew.over(seam) == JointChoice(clearance=0.3, marks=False)
    assert JointChoice(width=9.0, firm=("kind",)).over(PLAIN) == JointChoice(width=9.0)
    # It is said of what is as by default alone.
    assert JointChoice("plain", marks=False, firm=FIRM).firm == ("key",)
    assert replace(anew, kind="pegs") == JointChoice("pegs")


def test_a_job_file_says_so_by_writing_it_out() -> None:
    low = SEAM + 'joint = { kind = "plain", marks = false }\n'
    text = 'seamwright = 1\nname = "A"\n' + low + JOINT
    (open_,) = job_from_toml(text).joints
    (marked,) = job_from_toml(text + "marks = true\n").joints
    (both,) = job_from_toml(text + 'marks = true\nkind = "auto"\n').joints
    (seam,) = job_from_toml(text).seams
    assert open_.choice.over(seam.joint) == seam.joint
    assert marked.choice.over(seam.joint) == PLAIN
    assert both.choice.over(seam.joint) == AUTO
    again = job_to_toml(job_from_toml(text + 'marks = true\nkind = "auto"\n'))
    assert job_from_toml(again).joints == (both,)


def test_pegs_are_asked_for_by_kind_or_by_what_only_pegs_have() -> None:
    assert not AUTO.asks_pegs and not PLAIN.asks_pegs and not JointChoice("magnets").asks_pegs
    for choice in (JointChoice("pegs"), JointChoice("loose pegs"), JointChoice(width=9.0),
                   JointChoice(footprint="D"), JointChoice(count=2)):  # fmt: skip
        assert choice.asks_pegs
    assert not JointChoice("magnets", count=2).asks_pegs
    assert not JointChoice(clearance=0.3).asks_pegs


# --- which joint is meant ---------------------------------------------------------------------


def two_posts() -> tuple[Interface, ...]:
    """The interfaces of a seam across both legs of a bench, and one of a seam across its seat."""
    legs = [box(20, 20, 80), box(20, 20, 80, (80, 0, 0))]
    seat = box(100, 20, 20, (0, 0, 80))
    whole = manifold3d.Manifold.batch_boolean(
        [
            manifold3d.Manifold(manifold3d.Mesh64(m.vertices, m.faces.astype(np.uint64)))
            for m in (*legs, seat)
        ],
        manifold3d.OpType.Add,
    ).to_mesh64()
    bench = Mesh.of(np.asarray(whole.vert_properties)[:, :3], np.asarray(whole.tri_verts))
    seams = (
        Seam(1, "legs", (0.0, 0.0, 40.0), UP, joint=JointChoice("magnets", magnet="6x2")),
        Seam(2, "seat", (50.0, 0.0, 0.0), (1.0, 0.0, 0.0), Reach("nearest", ((50, 10, 90),))),
    )
    return interfaces(take_apart(bench, seams), seams)


FACES = two_posts()
LEFT, RIGHT = ((10.0, 10.0, 40.0), (90.0, 10.0, 40.0))


def test_each_seam_s_choice_is_its_joints() -> None:
    assert [f.seam.name for f in FACES] == ["legs", "legs", "seat"]
    assert choices(FACES, ()) == tuple(f.seam.joint for f in FACES)


@pytest.mark.parametrize("place", [LEFT, RIGHT])
def test_the_joint_by_a_place_is_the_nearest(place: Any) -> None:
    found = choices(FACES, (JointAt("legs", tuple(np.add(place, 3.0)), PLAIN),))
    near = [np.linalg.norm(f.centre - place) < 1 for f in FACES]
    assert [c == PLAIN for c in found] == near
    assert sum(near) == 1


def test_a_seam_with_one_joint_needs_no_place() -> None:
    assert choices(FACES, (JointAt("seat", None, PLAIN),))[2] == PLAIN


@pytest.mark.parametrize(
    ("at", "says"),
    [
        ((JointAt("legs", None, PLAIN),), r"has 2 joints; say which .*\(10.0, 10.0, 40.0\) mm, "),
        ((JointAt("legs", (50.0, 10.0, 40.0), PLAIN),), "no interface near"),
        ((JointAt("arms", None, PLAIN),), "has no interface any more"),
        ((JointAt("legs", LEFT, PLAIN), JointAt("legs", LEFT, AUTO)), "Two choices are given"),
        (
            (JointAt("legs", LEFT, JointChoice(width=9.0)),),
            r"^Seam 'legs', its joint at \(10.0, 10.0, 40.0\) mm: 'width' is for a joint with pegs",
        ),
    ],
)
def test_a_choice_for_no_joint_or_for_several_is_refused(at: Any, says: str) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        choices(FACES, at)
    one_sentence(str(caught.value))
