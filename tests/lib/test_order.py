"""Assembly order: closed forms, rings, cages, fights and the least change, in words."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.__main__ import main
from seamwright.blocking import Scene, Way, directions
from seamwright.choice import AUTO, JointChoice
from seamwright.errors import Cancelled
from seamwright.files import write_stl
from seamwright.imprint import jointed
from seamwright.interface import Interface, interfaces
from seamwright.joint import Joint, letter
from seamwright.mesh import Mesh
from seamwright.order import Order, heading, order
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, moved, revolved, sphere, torus
from seamwright.sizing import is_locked, joints
from seamwright.sweep import PLAY, Sweeps, sweeps

FILAMENT = PrinterProfile()
UP = (0.0, 0.0, 1.0)
FAR = (0.0, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0)
"""mm before home at which a step's pieces are looked at."""


def solid(mesh: Mesh) -> manifold3d.Manifold:
    whole = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64))
    )
    assert whole.status() == manifold3d.Error.NoError
    return whole


def mesh_of(whole: manifold3d.Manifold) -> Mesh:
    out = whole.to_mesh64()
    return Mesh.of(out.vert_properties[:, :3], out.tri_verts.astype(np.int32))


def blocks(*boxes: tuple[float, ...]) -> Mesh:
    """The union of boxes, each its least and greatest corner."""
    parts = [solid(box(*np.subtract(b[3:], b[:3]), tuple(b[:3]))) for b in boxes]
    return mesh_of(manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Add))


def pieces_of(*meshes: Mesh) -> tuple[Piece, ...]:
    return tuple(Piece(n, mesh) for n, mesh in enumerate(meshes, start=1))


def plain(*faces: tuple[int, int, tuple[float, float, float]]) -> tuple[Joint, ...]:
    """Plain joints: for each the pieces of sides A and B and the normal, from B into A."""
    made = []
    for n, (a, b, normal) in enumerate(faces):
        seam = Seam(n + 1, f"seam {n + 1}", (0.0, 0.0, 0.0), normal)
        face = Interface(seam, a, b, seam.frame, 1.0, np.zeros(3), None)
        made.append(Joint(letter(n), face, (), "B", 0.2, 0.8, 1.0, 0.0, "glued"))
    return tuple(made)


def clash(found: Order, pieces: tuple[Piece, ...]) -> float:
    """The most volume, mm³, that the moving pieces of any step share with those in place, at
    any of a number of places along its way."""
    body = {p.id: solid(p.mesh) for p in pieces}
    worst = 0.0
    for step in found.steps:
        for before in FAR:
            shift = step.offset(before)
            for p in step.moving:
                for q in step.onto:
                    worst = max(worst, (body[p].translate(shift.tolist()) ^ body[q]).volume())
    return worst


def put_on(found: Order, pieces: tuple[Piece, ...]) -> None:
    """Assert that the steps put every piece on just once, each set whole when it is used."""
    apart = [frozenset({p.id}) for p in pieces]
    for step in found.steps:
        moving, onto = frozenset(step.moving), frozenset(step.onto)
        assert moving in apart and onto in apart
        apart = [s for s in apart if s not in (moving, onto)] + [moving | onto]
    assert len(apart) == 1


def made(
    figure: Mesh, *seams: Seam, profile: PrinterProfile = FILAMENT
) -> tuple[tuple[Piece, ...], tuple[Joint, ...], tuple[Piece, ...]]:
    """Finished pieces, joints and blanks of a figure parted along seams."""
    blanks = take_apart(figure, seams)
    found = joints(blanks, interfaces(blanks, seams), profile)
    return jointed(blanks, found), found, blanks


def nearest(*points: tuple[float, float, float]) -> Reach:
    return Reach("nearest", points)


def ring_seams(turns: tuple[float, ...]) -> list[Seam]:
    """Across a ring of radius 80 mm about z at these turns, degrees."""
    seams = []
    for k, t in enumerate(np.radians(turns), start=1):
        point = (float(80 * np.cos(t)), float(80 * np.sin(t)), 0.0)
        normal = (float(-np.sin(t)), float(np.cos(t)), 0.0)
        seams.append(Seam(k, f"seam {k}", point, normal, nearest(point)))
    return seams


# --- closed forms -----------------------------------------------------------------------


def test_a_stack_goes_up_from_the_ground():
    figure = revolved(np.array([0.0, 30, 30, 0]), np.array([0.0, 0, 200, 200]), 48)
    seams = [Seam(k, f"seam {k}", (0, 0, 50.0 * k), UP) for k in (1, 2, 3)]
    pieces, found, blanks = made(figure, *seams)
    assert all(j.pegs for j in found)
    got = order(pieces, found, blanks)
    assert got.is_whole and got.freer == ()
    assert [s.moving for s in got.steps] == [(2,), (3,), (4,)]
    assert [s.onto for s in got.steps] == [(1,), (1, 2), (1, 2, 3)]
    np.testing.assert_allclose([s.direction for s in got.steps], [(0, 0, -1)] * 3, atol=1e-12)
    assert got.sentences == (
        "Slide piece 2 home onto piece 1, straight down (joint A).",
        "Slide piece 3 home onto piece 2, straight down (joint B).",
        "Slide piece 4 home onto piece 3, straight down (joint C).",
    )
    assert clash(got, pieces) < 1e-6


def test_every_slide_that_is_tried_is_told_of_and_may_stop_the_work(monkeypatch):
    figure = revolved(np.array([0.0, 30, 30, 0]), np.array([0.0, 0, 200, 200]), 48)
    made_ = made(figure, *(Seam(k, f"seam {k}", (0, 0, 50.0 * k), UP) for k in (1, 2, 3)))
    swept: list[int] = []
    blocked = Sweeps.blocked

    def counted(*given):
        swept.append(len(told))
        return blocked(*given)

    monkeypatch.setattr(Sweeps, "blocked", counted)
    told: list[float] = []
    got = order(*made_, progress=lambda done, _: told.append(done))
    # A word between any two sweeps, and on as pieces come off.
    assert len(swept) > 3 and swept == sorted(set(swept))
    assert told == sorted(told) and told[0] == 0 and 0.2 < told[-1] <= 1
    assert got.sentences == order(*made_).sentences

    def stop(done, _what):
        if done == told[-1]:
            raise Cancelled("Stopped.")

    with pytest.raises(Cancelled):
        order(*made_, progress=stop)


def test_one_piece_needs_no_step_and_nothing_to_say():
    assert order(pieces_of(box(1, 2, 3)), ()).sentences == ()


TRAY = blocks(
    (0, 0, 0, 100, 60, 5), (0, 0, 35, 100, 60, 40), (0, 0, 5, 5, 60, 35),
    (5, 0, 5, 100, 5, 35), (5, 55, 5, 100, 60, 35),
)  # fmt: skip
"""A chest, open towards +x, with a room of 95 × 50 × 30 mm."""

DRAWER = box(95, 50, 30, (5, 5, 5))
ROUND = ((2, 1, (1.0, 0, 0)), (2, 1, UP), (2, 1, (0, 0, -1.0)), (2, 1, (0, 1.0, 0)),
         (2, 1, (0, -1.0, 0)))  # fmt: skip


@pytest.mark.parametrize("joined", [plain(*ROUND), ()])
def test_a_drawer_goes_in_one_way_only(joined):
    pieces = pieces_of(TRAY, DRAWER)
    got = order(pieces, joined)
    (step,) = got.steps
    np.testing.assert_allclose(step.direction, (-1, 0, 0), atol=1e-9)
    assert step.moving == (2,) and clash(got, pieces) < 1e-6
    assert ("joints A, B, C, D and E" in step.sentence) == bool(joined)
    assert ("no joint holds it" in step.sentence) != bool(joined)


def test_a_lip_that_is_lower_than_the_play_lets_a_drawer_by():
    short = box(85, 50, 30, (5, 5, 5))
    for high, goes in ((1.9 * PLAY, True), (3 * PLAY, False)):
        lip = solid(box(5, 50, high, (95, 5, 5)))
        chest = mesh_of(solid(TRAY) + lip)
        assert order(pieces_of(chest, short), ()).is_whole == goes


def test_a_dovetail_slides_along_its_groove_only():
    tail = manifold3d.CrossSection([[(-16, 0), (16, 0), (10, 12), (-10, 12)]]).extrude(80)
    head = solid(box(60, 20, 80, (-30, 12, 0))) + tail
    slot = solid(box(60, 12, 80, (-30, 0, 0))) - tail
    pieces = pieces_of(mesh_of(slot + solid(box(60, 10, 80, (-30, -10, 0)))), mesh_of(head))
    got = order(pieces, ())
    (step,) = got.steps
    assert abs(step.direction[2]) == pytest.approx(1) and clash(got, pieces) < 1e-6
    # Stopped at one end it goes the other way, at both not at all.
    low, high = solid(box(60, 32, 5, (-30, -10, -5))), solid(box(60, 32, 5, (-30, -10, 80)))
    stopped = (Piece(1, mesh_of(solid(pieces[0].mesh) + low)), pieces[1])
    (step,) = order(stopped, ()).steps
    np.testing.assert_allclose(step.direction, (0, 0, -1), atol=1e-12)
    shut = (Piece(1, mesh_of(solid(stopped[0].mesh) + high)), pieces[1])
    assert not order(shut, ()).is_whole


CENTRE = {"x": ((0, 0, 0), (1, 0, 0)), "y": ((0, 0, 1), (0, 1, 1)), "z": ((1, 1, 0), (1, 1, 1))}


def burr_rod(axis: int, cubes: tuple[tuple[int, int, int], ...]) -> Mesh:
    """A rod 2 × 2 × 6 through the cube 0..2 of which it has only some cubes there."""
    arms = []
    for low, high in ((-2.0, 0.0), (2.0, 4.0)):
        a, b = np.zeros(3), np.full(3, 2.0)
        a[axis], b[axis] = low, high
        arms.append((*a, *b))
    return blocks(*arms, *((*c, *(x + 1 for x in c)) for c in cubes))


def test_a_burr_of_three_that_cannot_be_opened():
    rods = [burr_rod(axis, cubes) for axis, cubes in enumerate(CENTRE.values())]
    pieces = pieces_of(*(r.scaled(10) for r in rods))
    got = order(pieces, ())
    (fight,) = got.fights
    assert got.steps == () and fight.pieces == (1, 2, 3) and fight.offers == ()
    assert fight.sentence == (
        "No order of straight slides puts pieces 1 to 3 together: they hold each other whatever "
        "their joints; move or add a seam there."
    )
    # Any two of them come apart.
    for gone in range(3):
        assert order(pieces[:gone] + pieces[gone + 1 :], ()).is_whole


def test_a_cross_halving_goes_together_across():
    low = blocks((-2, 0, 0, 4, 2, 1), (-2, 0, 1, 0, 2, 2), (2, 0, 1, 4, 2, 2)).scaled(10)
    high = blocks((0, -2, 1, 2, 4, 2), (0, -2, 0, 2, 0, 1), (0, 2, 0, 2, 4, 1)).scaled(10)
    got = order(pieces_of(low, high), ())
    np.testing.assert_allclose(got.steps[0].direction, (0, 0, -1), atol=1e-12)


def test_a_caged_piece_is_named():
    shell = mesh_of(solid(box(60, 60, 60)) - solid(box(40, 40, 40, (10, 10, 10))))
    pieces = pieces_of(shell, moved(sphere(12), (30, 30, 30)), box(20, 20, 20, (70, 0, 0)))
    got = order(pieces, ())
    (fight,) = got.fights
    assert fight.pieces == (1, 2) and "piece 2 is caged by piece 1" in fight.sentence
    assert [s.moving for s in got.steps] == [(3,)] and got.steps[0].onto == (1, 2)


def test_a_hook_turns_aside_once_it_is_off_its_peg():
    # A niche open towards +x, with a kerb of 4 mm: up a little, and then out.
    niche = blocks(
        (0, 0, 0, 60, 40, 20), (0, 0, 20, 20, 40, 120), (0, 0, 100, 60, 40, 120),
        (0, -5, 0, 60, 0, 120), (0, 40, 0, 60, 45, 120),
    )  # fmt: skip
    lump = box(40, 40, 50, (20, 0, 20))
    (step,) = order(pieces_of(niche, lump), plain((2, 1, UP), (2, 1, (1.0, 0, 0)))).steps
    assert step.approach is None
    kerb = mesh_of(solid(niche) + solid(box(5, 40, 4, (60, 0, 20))))
    pieces = pieces_of(kerb, lump)
    got = order(pieces, plain((2, 1, UP)))
    (step,) = got.steps
    assert step.approach is not None and step.travel == 5.0
    assert step.sentence.startswith("Bring piece 2 ")
    assert "to 5 mm before home, then slide home onto piece 1, straight down" in step.sentence
    assert clash(got, pieces) < 1e-6


def test_pieces_that_stand_apart_are_set_beside_each_other():
    got = order(pieces_of(box(10, 10, 10), box(10, 10, 10, (20, 0, 0))), ())
    assert got.sentences == ("Set piece 2 beside piece 1, straight down; no joint holds it.",)


def test_what_joins_two_others_is_not_left_to_the_last():
    # Piece 3 stands between 1 and 2 and could go in last, but then nothing would hold them.
    row = pieces_of(box(20, 20, 20), box(20, 20, 20, (40, 0, 0)), box(20, 20, 20, (20, 0, 0)))
    got = order(row, plain((3, 1, (1.0, 0, 0)), (2, 3, (1.0, 0, 0))))
    assert got.is_whole and not any(s.held for s in got.steps)
    assert [s.moving for s in got.steps] == [(3,), (2,)]


def test_what_no_joint_holds_yet_is_said():
    # A beam in two slots; what holds one slot reaches round the other, touching nothing.
    beam = blocks(
        (-20, -30, 0, 20, 80, 10), (-20, -30, -10, -15, 80, 20), (15, -30, -10, 20, 80, 20)
    )
    left = mesh_of(solid(box(28, 50, 50, (-40, 0, -20))) - solid(beam))
    arms = blocks(
        (12, 0, -20, 40, 50, 40), (-40, -12, 31, 40, 62, 40),
        (-40, -12, -20, -25, -2, 40), (-40, 52, -20, -25, 62, 40),
    )  # fmt: skip
    right = mesh_of(solid(arms) - solid(beam))
    pieces = pieces_of(left, right, beam)
    got = order(pieces, plain((3, 1, (1.0, 0, 0)), (2, 3, (1.0, 0, 0))))
    first, last = got.steps
    assert "no joint holds it" in first.sentence and not first.held
    assert last.moving == (3,) and last.onto == (1, 2) and last.held
    assert last.sentence.endswith("(joints A and B), holding in place what no joint holds yet.")
    assert clash(got, pieces) < 1e-6


# --- pegs ---------------------------------------------------------------------------------


def test_pegs_leave_along_their_axis_only():
    figure = revolved(np.array([0.0, 30, 30, 0]), np.array([0.0, 0, 100, 100]), 48)
    pieces, (joint,), _ = made(figure, Seam(1, "waist", (0, 0, 50), (0.2, 0, 1)))
    way = Way.of(joint)
    axis = joint.frame.normal
    side = joint.frame.axes[0]
    swept = sweeps([p.mesh for p in pieces], axis[None])
    low, high = (p.mesh for p in pieces)

    def out(degrees: float) -> bool:
        lean = np.radians(degrees)
        direction = np.cos(lean) * axis + np.sin(lean) * side
        free = not swept.blocked(high, low, direction)
        # What the joint alone forbids, the sweep finds blocked too.
        assert not (way.holds(way.a, direction) and free)
        return free

    # atan(tan 1° + 0.2 / depth) and the play.
    depth = joint.pegs[0].depth
    most = np.degrees(np.arctan(np.tan(np.radians(1.0)) + 0.2 / depth))
    most_play = np.degrees(np.arctan(np.tan(np.radians(1.0)) + (0.2 + 2 * PLAY) / (depth - 1)))
    assert out(0) and out(-0.98 * most) and out(0.98 * most)
    assert not out(1.1 * most_play) and not out(-1.1 * most_play) and not out(180)
    assert swept.blocked(low, high, axis) and not swept.blocked(low, high, -axis)


def test_every_direction_of_plain_faces_parts_them():
    found = plain((2, 1, UP), (2, 1, (1.0, 0, 0)), (3, 1, (0.6, 0, 0.8)))
    scene = Scene({}, tuple(Way.of(j) for j in found), None)
    one, rest = frozenset({2}), frozenset({1, 3})
    tried = np.array(directions(scene, one, rest))
    assert (tried @ np.array(UP) >= -1e-9).all() and (tried[:, 0] >= -1e-9).all()
    np.testing.assert_allclose(tried[0], [np.sqrt(0.5), 0, np.sqrt(0.5)], atol=1e-12)
    # Sliding along both faces comes last but is there.
    assert (np.abs(tried[:, 1]) > 1 - 1e-9).sum() == 2


# --- rings --------------------------------------------------------------------------------


@pytest.mark.parametrize("turns", [(10, 130, 250), (0, 180), (0, 90), (5, 80, 170, 260)])
def test_rings_that_sizing_lets_through_go_together(turns):
    pieces, found, blanks = made(torus(80, 20, 48, 24), *ring_seams(turns))
    got = order(pieces, found, blanks)
    assert got.is_whole, got.sentences
    put_on(got, pieces)
    assert clash(got, pieces) < 2 * PLAY * 2000


def test_a_ring_of_three_with_pegs_all_round_fights_and_is_told_what_to_do():
    seams = ring_seams((10, 130, 250))
    blanks = take_apart(torus(80, 20, 48, 24), seams)
    faces = interfaces(blanks, seams)
    # Each joint sized by itself, so that nothing knows of the ring.
    each = [joints(blanks, (face,), FILAMENT)[0] for face in faces]
    found = tuple(replace(j, letter=letter(n)) for n, j in enumerate(each))
    assert all(j.pegs for j in found)
    got = order(jointed(blanks, found), found, blanks)
    (fight,) = got.fights
    assert fight.pieces == (1, 2, 3) and len(fight.joints) == 2 and got.steps == ()
    (change,) = fight.offers[0]
    assert change.what == "plain" and change.joint == fight.joints[0]
    assert re.match(
        r"No order of straight slides puts pieces 1 to 3 together: joint \w fights joint \w; "
        r"make joint \w plain",
        fight.sentence,
    )
    # What is offered does free them.
    freed = tuple(replace(j, pegs=()) if j.letter == change.joint else j for j in found)
    assert order(jointed(blanks, freed), freed, blanks).is_whole


def test_the_joint_of_least_area_is_the_one_to_be_plain():
    ring = torus(80, 20, 48, 24)
    # Thicker towards +y, so the three faces are of three sizes.
    swell = np.stack([np.ones(len(ring.vertices))] * 2 + [1 + ring.vertices[:, 1] / 200], axis=1)
    seams = ring_seams((10, 130, 250))
    blanks = take_apart(Mesh.of(ring.vertices * swell, ring.faces), seams)
    each = [joints(blanks, (face,), FILAMENT)[0] for face in interfaces(blanks, seams)]
    found = tuple(replace(j, letter=letter(n)) for n, j in enumerate(each))
    ((change,), *_) = order(jointed(blanks, found), found, blanks).fights[0].offers
    assert change.joint == min(found, key=lambda j: j.interface.area).letter == "C"


def test_without_blanks_a_fight_is_named_but_nothing_offered():
    seams = ring_seams((10, 130, 250))
    blanks = take_apart(torus(80, 20, 48, 24), seams)
    each = [joints(blanks, (face,), FILAMENT)[0] for face in interfaces(blanks, seams)]
    found = tuple(replace(j, letter=letter(n)) for n, j in enumerate(each))
    (fight,) = order(jointed(blanks, found), found).fights
    assert fight.offers == () and fight.pieces == (1, 2, 3)
    assert fight.why == "they hold each other"


def leaning_ring(*joints: JointChoice) -> tuple[Seam, ...]:
    """Two seams across a ring whose normals are 17° from each other, with these joints."""
    return (
        Seam(1, "one", (80, 0, 0), (0, 1, 0), nearest((80, 0, 0)), joints[0]),
        Seam(2, "two", (-80, 0, 0), (0.3, 1, 0), nearest((-80, 0, 0)), joints[1]),
    )


def test_pegs_that_would_lock_are_turned_to_run_as_the_others():
    pieces, found, blanks = made(torus(80, 20, 48, 24), *leaning_ring(AUTO, AUTO))
    assert all(j.pegs for j in found) and not any(is_locked(j) for j in found)
    one, two = found
    assert abs(float(one.into @ two.into)) == pytest.approx(1)
    (leaning,) = (j for j in found if j.slope.any())
    (square,) = (j for j in found if not j.slope.any())
    assert f"turned by 17° to run as those of joint {square.letter}" in leaning.reason
    got = order(pieces, found, blanks)
    assert got.is_whole and got.freer == ()
    assert clash(got, pieces) < 1e-6


def test_a_joint_that_is_plain_lest_it_lock_may_carry_turned_pegs():
    # Both shall run square to their faces, so neither is turned unasked.
    square = (JointChoice(direction=(0, 1, 0)), JointChoice(direction=(0.3, 1, 0)))
    pieces, found, blanks = made(torus(80, 20, 48, 24), *leaning_ring(*square))
    (locked,) = (j for j in found if is_locked(j))
    (pegged,) = (j for j in found if j.pegs)
    got = order(pieces, found, blanks)
    assert got.is_whole
    assert got.freer == (
        f"Joint {locked.letter} is plain, but pegs turned by 17° to run as those of joint "
        f"{pegged.letter} would not lock the pieces.",
    )


# --- properties ---------------------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(
    ball=st.booleans(),
    normal=st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda n: np.linalg.norm(n) > 0.2),
    places=st.lists(st.integers(-3, 3), min_size=1, max_size=4, unique=True),
)
def test_parallel_seams_always_have_an_order(ball, normal, places):
    figure = sphere(60, 24) if ball else moved(box(90, 90, 90), (-45, -45, -45))
    unit = np.array(normal) / np.linalg.norm(normal)
    seams = [
        Seam(n, f"seam {n}", tuple((11.3 * p * unit).tolist()), tuple(unit.tolist()))
        for n, p in enumerate(places, start=1)
    ]
    pieces, found, blanks = made(figure, *seams)
    got = order(pieces, found, blanks)
    assert got.is_whole and len(got.steps) == len(pieces) - 1
    put_on(got, pieces)
    # What the play lets through is a film along the rims.
    assert clash(got, pieces) < 1.0


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 1000))
def test_grids_that_sizing_lets_through_go_together(seed):
    rng = np.random.default_rng(seed)
    normals = np.eye(3)[rng.permutation(3)] + rng.uniform(-0.15, 0.15, (3, 3))
    seams = [
        Seam(k + 1, f"seam {k + 1}", tuple(rng.uniform(-8, 8, 3).tolist()), tuple(n.tolist()))
        for k, n in enumerate(normals)
    ]
    pieces, found, blanks = made(moved(box(90, 80, 100), (-45, -40, -50)), *seams)
    got = order(pieces, found, blanks)
    assert got.is_whole, got.sentences
    put_on(got, pieces)
    assert clash(got, pieces) < 1.0


# --- the whole way ------------------------------------------------------------------------

JOB = """seamwright = 1
name = "Niche"
[figure]
file = "niche.stl"
unit = "mm"
[[seam]]
name = "neck"
point = [70, 40, 50]
normal = [0, 0, 1]
reach = { nearest = [70, 40, 50] }
"""

POST = ((0, 0, 0, 100, 80, 20), (0, 0, 20, 20, 80, 120), (50, 10, 20, 95, 70, 97))
"""A block on a foot, beside a wall."""


def told_by_a_job(folder: Path, figure: Mesh) -> dict[str, Any]:
    (folder / "job.toml").write_text(JOB, encoding="utf-8")
    write_stl(figure, folder / "niche.stl", "niche")
    assert main([str(folder / "job.toml"), "--out", str(folder / "out")]) == 0
    report: dict[str, Any] = json.loads((folder / "out" / "report.json").read_text("utf-8"))
    return report


def test_a_job_tells_how_to_put_it_together(tmp_path, capsys):
    told = told_by_a_job(tmp_path, blocks(*POST))["assembly"]
    assert told["whole"] and told["fights"] == [] and told["freer"] == []
    (step,) = told["steps"]
    assert step["said"] == "Slide piece 2 home onto piece 1, straight down (joint A)."
    assert f"Assembly order:\n  1. {step['said']}" in capsys.readouterr().out
    assert (step["moving"], step["onto"], step["joins"]) == ([2], [1], [1])
    assert step["insertion_direction"] == [0, 0, -1] and step["joints"] == ["A"]
    assert step["slide_mm"] is step["approach_direction"] is None and not step["to_be_held"]


def test_a_job_that_cannot_be_put_together_warns_and_offers(tmp_path, capsys):
    # A roof 3 mm over the block does not let it off its peg.
    roof = (20, 0, 100, 100, 80, 120)
    report = told_by_a_job(tmp_path, blocks(*POST, roof))
    (fight,) = report["assembly"]["fights"]
    assert fight["said"] == (
        "No order of straight slides puts pieces 1 and 2 together: joint A lets them slide only "
        "where others stand; make joint A plain."
    )
    assert report["assembly"]["steps"] == [] and not report["assembly"]["whole"]
    assert fight["said"] in report["warnings"]
    assert f"warning: {fight['said']}" in capsys.readouterr().out
    (change,) = fight["offers"][0]
    assert (change["joint"], change["becomes"]) == ("A", "plain")


# --- words --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("direction", "said"),
    [
        ((0, 0, -1), "straight down"),
        ((0, 0, 1), "straight up"),
        ((-1, 0.001, 0), "straight towards -x"),
        ((0, -1, 0), "straight towards -y"),
        ((0.1, 0, -1), "down, leaning 6° towards +x"),
        ((0, 1, -0.5), "towards +y, leaning 27° down"),
    ],
)
def test_headings(direction, said):
    d = np.array(direction, dtype=float)
    assert heading(d / np.linalg.norm(d)) == said


def test_the_same_pieces_give_the_same_order():
    pieces, found, blanks = made(torus(80, 20, 48, 24), *ring_seams((10, 130, 250)))
    one, two = (order(pieces, found, blanks) for _ in range(2))
    assert one.sentences == two.sentences
