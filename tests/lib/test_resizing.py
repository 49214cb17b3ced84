"""One joint made to another choice: only its two pieces change, and what comes is what a whole
making gives."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from seamwright.choice import AUTO, PLAIN, JointAt, JointChoice
from seamwright.errors import BadInput
from seamwright.job import FigureChoice, Job
from seamwright.joint import Joint
from seamwright.printer import PrinterProfile
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, torus
from seamwright.sizing import is_locked, joints

PROFILE = PrinterProfile(build_volume=(300.0, 300.0, 400.0))
ROD = Rod("spine", (30.0, 16.0, 30.0), (30.0, 16.0, 230.0), 6.0)
CHOICES = {
    "auto": AUTO,
    "plain": PLAIN,
    "magnets": JointChoice("magnets", magnet="6x2"),
    "loose pegs": JointChoice("loose pegs"),
    "pegs on A": JointChoice("pegs", pegs_on="A"),
    "hexagon": JointChoice(footprint="hexagon", width=9.0),
    "two": JointChoice(count=2, width=8.0),
    "leaning": JointChoice(direction=(0.2, 0.1, 1.0)),
    "wide": JointChoice(clearance=0.3, marks=False),
}


def a_job(joint: JointChoice, at: int, rods: tuple[Rod, ...] = (ROD,)) -> Job:
    """A post of four pieces, one of its three seams with this joint."""
    seams = tuple(
        Seam(n, f"seam {n}", (30.0, 30.0, 60.0 * n), (0.0, 0.0, 1.0),
             joint=joint if n == at else AUTO)
        for n in (1, 2, 3)
    )  # fmt: skip
    return Job("Post", FigureChoice(), PROFILE, seams, None, (), rods)


def result_of(job: Job) -> Result:
    return make(prepare(box(60, 60, 240), "mm", job), job)


@cache
def before() -> Result:
    return result_of(a_job(AUTO, 2))


def same(one: Joint, other: Joint) -> None:
    """Assert that two joints are the same in every number."""
    assert (one.letter, one.kind, one.socket_side, one.loose) == (
        other.letter, other.kind, other.socket_side, other.loose,
    )  # fmt: skip
    assert (one.clearance, one.relief, one.lead_in, one.draft) == (
        other.clearance, other.relief, other.lead_in, other.draft,
    )  # fmt: skip
    assert one.reason == other.reason
    assert one.slope == pytest.approx(other.slope)
    assert len(one.pegs) == len(other.pegs) and len(one.magnets) == len(other.magnets)
    for p, q in zip(one.pegs, other.pegs, strict=True):
        assert (p.shape, p.width, p.depth, p.groove) == (q.shape, q.width, q.depth, q.groove)
        assert p.outline == pytest.approx(q.outline) and p.wall == pytest.approx(q.wall)
    for m, n in zip(one.magnets, other.magnets, strict=True):
        assert (m.diameter, m.thickness, m.north) == (n.diameter, n.thickness, n.north)
        assert m.centre == pytest.approx(n.centre)
    assert (one.marks is None) == (other.marks is None)
    for mark, twin in zip(one.marks or (), other.marks or (), strict=True):
        assert (mark.text, mark.depth) == (twin.text, twin.depth)
        assert len(mark.outlines) == len(twin.outlines)
        assert all(a == pytest.approx(b) for a, b in zip(mark.outlines, twin.outlines, strict=True))


def again(was: Result, seam: str, choice: JointChoice) -> Result:
    """The result with the joint of one seam made to another choice."""
    at = tuple(replace(s, joint=choice) if s.name == seam else s for s in was.job.seams)
    return make(was.figure, replace(was.job, seams=at), before=was)


@pytest.mark.parametrize("at", [2, 3])
@pytest.mark.parametrize("name", CHOICES)
def test_it_is_what_a_whole_making_gives(name: str, at: int) -> None:
    now = again(before(), f"seam {at}", CHOICES[name])
    whole = result_of(a_job(CHOICES[name], at))
    for one, other in zip(now.joints, whole.joints, strict=True):
        same(one, other)
    for piece, twin in zip(now.pieces, whole.pieces, strict=True):
        np.testing.assert_array_equal(piece.mesh.vertices, twin.mesh.vertices)
        np.testing.assert_array_equal(piece.mesh.faces, twin.mesh.faces)
        np.testing.assert_array_equal(piece.mesh.tag, twin.mesh.tag)
    assert now.checks == whole.checks
    assert now.warnings == whole.warnings and now.order.sentences == whole.order.sentences
    assert [s.sentence for s in now.strengths] == [s.sentence for s in whole.strengths]
    assert [p.label for p in now.loose] == [p.label for p in whole.loose]
    assert {n: w.mass for n, w in now.weights.items()} == {
        n: w.mass for n, w in whole.weights.items()
    }
    assert {n: f.way for n, f in now.fits.items()} == {n: f.way for n, f in whole.fits.items()}


# The last joint is made last: nothing that was made before it depends on it.
@pytest.mark.parametrize("name", [n for n in CHOICES if n != "auto"])
def test_only_the_two_pieces_concerned_change(name: str) -> None:
    was = before()
    now = again(was, "seam 3", CHOICES[name])
    face = now.joints[2].interface
    for piece, old in zip(now.pieces, was.pieces, strict=True):
        assert (piece.mesh is old.mesh) == (piece.id not in (face.piece_a, face.piece_b))
    assert all(a is b for a, b in zip(now.blanks, was.blanks, strict=True))


def test_nothing_changes_where_no_joint_did() -> None:
    now = again(before(), "seam 2", AUTO)
    assert all(a is b for a, b in zip(now.pieces, before().pieces, strict=True))


def test_there_and_back_is_where_it_began() -> None:
    was = before()
    back = again(again(was, "seam 3", CHOICES["magnets"]), "seam 3", AUTO)
    for one, other in zip(back.joints, was.joints, strict=True):
        same(one, other)
    for piece, twin in zip(back.pieces, was.pieces, strict=True):
        np.testing.assert_array_equal(piece.mesh.vertices, twin.mesh.vertices)


def test_a_new_joint_keeps_clear_of_those_that_stay() -> None:
    # Two sockets back to back in a slice: the deep one must leave the wall to the other.
    seams = tuple(
        Seam(n, f"seam {n}", (30.0, 30.0, z), (0.0, 0.0, 1.0), joint=JointChoice(pegs_on=side))
        for n, z, side in ((1, 100.0, "B"), (2, 136.0, "A"))
    )
    job = Job("Post", FigureChoice(), PROFILE, seams)
    was = result_of(job)
    deep = JointChoice(depth=20.0, pegs_on="A")
    with pytest.raises(BadInput, match="would fit"):
        again(was, "seam 2", replace(deep, depth=33.0, width=10.0))
    now = again(was, "seam 2", replace(deep, depth=12.0, width=8.0))
    assert min(p.wall for j in now.joints for p in j.pegs) >= PROFILE.wall - 1e-6


# --- rings --------------------------------------------------------------------------------------


def ring(*normals: tuple[float, float, float]) -> Result:
    """A ring cut twice, a quarter of it apart."""
    places = ((80.0, 0.0, 0.0), (0.0, 80.0, 0.0))
    seams = tuple(
        Seam(n, f"seam {n}", at, normal, Reach("nearest", (at,)))
        for n, (at, normal) in enumerate(zip(places, normals, strict=True), start=1)
    )
    job = Job("Ring", FigureChoice(), PROFILE, seams)
    return make(prepare(torus(80, 20, 48, 24), "mm", job), job)


def test_pegs_that_were_turned_lest_they_lock_are_turned_again() -> None:
    was = ring((0.5, 1.0, 0.0), (1.0, 0.9, 0.0))
    (leaning,) = (j for j in was.joints if j.slope.any())
    name = leaning.interface.seam.name
    now = again(again(was, name, PLAIN), name, AUTO)
    same(now.joints[was.joints.index(leaning)], leaning)
    assert now.order.is_whole


def test_others_yield_to_a_joint_that_was_asked_to_have_pegs() -> None:
    was = ring((0.0, 1.0, 0.0), (1.0, 0.3, 0.0))
    (locked,) = (j for j in was.joints if is_locked(j))
    at = JointAt(locked.interface.seam.name, None, JointChoice("pegs"))
    job = replace(was.job, joints=(at,))
    now = make(was.figure, job, before=was)
    (other,) = (j for j in now.joints if is_locked(j))
    assert other.letter != locked.letter and now.order.is_whole


# --- refusals -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "choice",
    [
        JointChoice(width=50.0),
        JointChoice("magnets", magnet="20x5", count=2),
        JointChoice(direction=(1.0, 0.0, 0.1)),
    ],
)
def test_a_wish_that_does_not_fit_is_refused_by_name(choice: JointChoice) -> None:
    with pytest.raises(BadInput, match=r"^Joint B \(seam 'seam 2', \(30.0, 30.0, 120.0\) mm\)"):
        again(before(), "seam 2", choice)


@pytest.mark.parametrize("full", [2, 3])
def test_pegs_stand_where_the_printer_has_room_for_them(full: int) -> None:
    was = before()

    def fits(piece: int, ends: np.ndarray) -> bool:
        assert ends.shape[1] == 3
        return piece != full

    faces = tuple(j.interface for j in was.joints)
    made = joints(was.blanks, faces, PROFILE, fits, bores=was.bores)
    assert made[1].pegs and made[1].peg_piece == 5 - full
