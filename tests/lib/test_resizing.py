"""One joint made anew: only its two pieces change, and what comes is what a whole making gives."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from seamwright.choice import AUTO, PLAIN, JointAt, JointChoice
from seamwright.errors import BadInput
from seamwright.imprint import jointed, renewed
from seamwright.job import FigureChoice, Job
from seamwright.joint import Joint
from seamwright.printer import PrinterProfile
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare, rejointed
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, torus
from seamwright.sizing import is_locked, resized

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


@pytest.mark.parametrize("name", CHOICES)
def test_only_the_two_pieces_concerned_change(name: str) -> None:
    was = before()
    joints = resized(was.joints, 1, CHOICES[name], was.blanks, PROFILE, bores=was.bores)
    assert [a is b for a, b in zip(joints, was.joints, strict=True)] == [True, False, True]
    pieces = renewed(was.pieces, was.blanks, was.joints, joints, was.bores)
    face = joints[1].interface
    for piece, old in zip(pieces, was.pieces, strict=True):
        assert (piece is old) == (piece.id not in (face.piece_a, face.piece_b))
    # And they are what imprinting all of them would give.
    for piece, whole in zip(pieces, jointed(was.blanks, joints, was.bores), strict=True):
        np.testing.assert_array_equal(piece.mesh.vertices, whole.mesh.vertices)
        np.testing.assert_array_equal(piece.mesh.faces, whole.mesh.faces)
        np.testing.assert_array_equal(piece.mesh.tag, whole.mesh.tag)


def test_nothing_changes_where_no_joint_did() -> None:
    was = before()
    pieces = renewed(was.pieces, was.blanks, was.joints, was.joints, was.bores)
    assert all(a is b for a, b in zip(pieces, was.pieces, strict=True))


# The last joint is made last: nothing that was made before it depends on it.
@pytest.mark.parametrize("name", CHOICES)
def test_it_is_what_a_whole_making_gives(name: str) -> None:
    now = rejointed(before(), "C", CHOICES[name])
    whole = result_of(a_job(CHOICES[name], 3))
    for one, other in zip(now.joints, whole.joints, strict=True):
        same(one, other)
    for piece, twin in zip(now.pieces, whole.pieces, strict=True):
        assert piece.mesh.volume == pytest.approx(twin.mesh.volume, rel=1e-12)
        assert len(piece.mesh.faces) == len(twin.mesh.faces)
    assert [c.name for c in now.checks] == [c.name for c in whole.checks]
    assert now.checks[1:] == whole.checks[1:]
    assert now.warnings == whole.warnings and now.order.sentences == whole.order.sentences
    assert [s.sentence for s in now.strengths] == [s.sentence for s in whole.strengths]
    assert [p.label for p in now.loose] == [p.label for p in whole.loose]
    assert {n: w.mass for n, w in now.weights.items()} == pytest.approx(
        {n: w.mass for n, w in whole.weights.items()}
    )
    assert {n: f.way for n, f in now.fits.items()} == {n: f.way for n, f in whole.fits.items()}


def test_there_and_back_is_where_it_began() -> None:
    was = before()
    back = rejointed(rejointed(was, "C", CHOICES["magnets"]), "C", AUTO)
    for one, other in zip(back.joints, was.joints, strict=True):
        same(one, other)
    for piece, twin in zip(back.pieces, was.pieces, strict=True):
        np.testing.assert_allclose(piece.mesh.vertices, twin.mesh.vertices, atol=1e-9)


def test_the_result_given_is_not_changed() -> None:
    was = before()
    volumes = [p.mesh.volume for p in was.pieces]
    rejointed(was, "B", PLAIN)
    assert [p.mesh.volume for p in was.pieces] == volumes
    assert all(j.pegs for j in was.joints)


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
        rejointed(was, "B", replace(deep, depth=33.0, width=10.0))
    now = rejointed(was, "B", replace(deep, depth=12.0, width=8.0))
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
    again = rejointed(was, leaning.letter, AUTO)
    k = was.joints.index(leaning)
    same(again.joints[k], leaning)
    assert again.order.is_whole


def test_a_joint_that_must_not_lock_is_plain_again_unless_pegs_are_asked_for() -> None:
    was = ring((0.0, 1.0, 0.0), (1.0, 0.3, 0.0))
    (locked,) = (j for j in was.joints if is_locked(j))
    again = rejointed(was, locked.letter, AUTO)
    same(again.joints[was.joints.index(locked)], locked)
    asked = rejointed(was, locked.letter, JointChoice("pegs"))
    assert asked.joints[was.joints.index(locked)].pegs
    assert any("together" in w for w in asked.warnings) and not asked.order.is_whole
    assert was.order.is_whole and again.order.is_whole


def test_others_yield_to_a_joint_that_was_asked_to_have_pegs() -> None:
    was = ring((0.0, 1.0, 0.0), (1.0, 0.3, 0.0))
    (locked,) = (j for j in was.joints if is_locked(j))
    at = JointAt(locked.interface.seam.name, None, JointChoice("pegs"))
    job = replace(was.job, joints=(at,))
    now = make(was.figure, job)
    (other,) = (j for j in now.joints if is_locked(j))
    assert other.letter != locked.letter and now.order.is_whole


# --- refusals -----------------------------------------------------------------------------------


def test_a_letter_that_is_not_there_is_refused() -> None:
    with pytest.raises(BadInput, match="There is no joint D; joints go from A to C"):
        rejointed(before(), "D", PLAIN)


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
        rejointed(before(), "B", choice)


@pytest.mark.parametrize("full", [2, 3])
def test_pegs_stand_where_the_printer_has_room_for_them(full: int) -> None:
    was = before()

    def fits(piece: int, ends: np.ndarray) -> bool:
        assert ends.shape[1] == 3
        return piece != full

    joints = resized(was.joints, 1, AUTO, was.blanks, PROFILE, fits, was.bores)
    assert joints[1].pegs and joints[1].peg_piece == 5 - full
