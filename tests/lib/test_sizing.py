"""The automatic joint: proportions, walls measured by others, rings of pieces, and its reasons."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
import trimesh

from seamwright.choice import PLAIN
from seamwright.errors import CheckFailed
from seamwright.footprint import area, square
from seamwright.interface import Interface, interfaces
from seamwright.joint import Joint
from seamwright.mesh import Mesh, joined
from seamwright.outline import Region
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile, printer
from seamwright.proof import require_one_way
from seamwright.room import clear_radius, inscribed, obstacles, spots
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, moved, revolved, torus
from seamwright.sizing import joints
from seamwright.wall import sampled

FILAMENT = PrinterProfile()
RESIN = printer("resin-218")
UP = (0.0, 0.0, 1.0)


def seam(number: int, point, normal, reach: Reach | None = None, **more) -> Seam:
    return Seam(number, f"seam {number}", tuple(point), tuple(normal), reach or Reach(), **more)


def nearest(*points: tuple[float, float, float]) -> Reach:
    return Reach("nearest", points)


def turned(*profile: tuple[float, float], sides: int = 48) -> Mesh:
    """The solid of (radius, height) corners turned about z, flat at both ends."""
    r, h = np.array([(0, profile[0][1]), *profile, (0, profile[-1][1])], dtype=float).T
    return revolved(r, h, sides)


def limb(across: float, length: float, sides: int = 48) -> Mesh:
    return turned((across / 2, 0), (across / 2, length), sides=sides)


def made(
    figure: Mesh, profile: PrinterProfile, *seams: Seam
) -> tuple[tuple[Piece, ...], tuple[Interface, ...], tuple[Joint, ...]]:
    pieces = take_apart(figure, seams)
    faces = interfaces(pieces, seams)
    found = joints(pieces, faces, profile)
    assert [j.interface for j in found] == list(faces)
    require_one_way(found)
    assert_has_room(pieces, found, profile)
    return pieces, faces, found


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    whole = manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))
    assert whole.status() == manifold3d.Error.NoError
    return whole


def convex(points: np.ndarray) -> manifold3d.Manifold:
    """A peg or socket is the hull of its rings."""
    return manifold3d.Manifold.hull_points(np.ascontiguousarray(points.reshape(-1, 3)))


def assert_has_room(
    pieces: tuple[Piece, ...], found: tuple[Joint, ...], profile: PrinterProfile
) -> list[tuple[float, float]]:
    """Every socket lies in its piece, with the wall around it, by Manifold and by trimesh.

    Returns the wall of each as reported and as found.
    """
    walls = []
    mesh_of = {p.id: p.mesh for p in pieces}
    in_piece: dict[int, list[np.ndarray]] = {p.id: [] for p in pieces}
    for joint in found:
        face = joint.interface
        patch = face.a if joint.socket_side == "A" else face.b
        assert joint.peg_piece != joint.socket_piece
        assert (mesh_of[joint.socket_piece].tag[patch.faces] == face.seam.id).all()
        for peg in joint.pegs:
            body = joint.body(joint.socket_rings(peg)).triangles
            mesh = mesh_of[joint.socket_piece]
            # Its mouth is flared: the hull of the rings below that is all the rest.
            inner = convex(
                np.concatenate([joint.placed_ring(r) for r in joint.socket_rings(peg)[1:]])
            )
            outside = inner - solid(mesh)
            assert outside.volume() <= 1e-6 * inner.volume()
            rest = np.ones(len(mesh.faces), dtype=bool)
            rest[patch.faces] = False
            skin = trimesh.Trimesh(mesh.vertices, mesh.faces[rest], process=False)
            points = sampled(body, max(peg.width / 6, 0.2))
            wall = float(trimesh.proximity.closest_point(skin, points)[1].min())
            assert wall >= profile.wall - 1e-6
            others = in_piece[joint.socket_piece]
            for other in others:
                away = trimesh.Trimesh(*unpacked(other), process=False)
                gap = float(trimesh.proximity.closest_point(away, points)[1].min())
                wall = min(wall, gap)
                assert gap >= profile.wall - 1e-6
            others.append(body)
            walls.append((peg.wall, wall))
            assert face.region.contains(peg.outline).all()
    return walls


def unpacked(triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3)


# --- proportions ------------------------------------------------------------------


def test_a_life_size_limb_gets_one_square_peg_of_about_20_mm():
    _, _, (joint,) = made(limb(90, 300), FILAMENT, seam(1, (0, 0, 150), UP))
    (peg,) = joint.pegs
    assert peg.shape == "square" and 18 <= peg.width <= 22 and 18 <= peg.depth <= 28
    assert joint.letter == "A" and joint.kind == "pegs"
    assert (joint.clearance, joint.seating_gap, joint.draft) == (0.2, 0.8, 1.0)
    assert f"one keyed square peg of {peg.width:.1f} mm" in joint.reason


@pytest.mark.parametrize("profile", [FILAMENT, RESIN])
def test_a_miniatures_limb_gets_one_d_of_about_3_mm(profile):
    _, _, (joint,) = made(limb(12, 40), profile, seam(1, (0, 0, 20), UP))
    (peg,) = joint.pegs
    assert peg.shape == "D" and 2.4 <= peg.width <= 3.5 and "D-shaped" in joint.reason


def test_a_large_torso_gets_three_of_which_one_is_smaller():
    torso = Mesh.of(limb(200, 400).vertices * [1.5, 1, 1], limb(200, 400).faces)
    _, _, (joint,) = made(torso, FILAMENT, seam(1, (0, 0, 200), UP))
    widths = [p.width for p in joint.pegs]
    assert len(widths) == 3 and widths[0] == widths[1] == 30 and widths[2] == pytest.approx(22.5)
    assert "three keyed square pegs" in joint.reason
    centres = np.array([p.outline.mean(axis=0) for p in joint.pegs])
    gaps = [np.linalg.norm(centres[i] - centres[j]) for i, j in ((0, 1), (0, 2), (1, 2))]
    assert min(gaps) > 60


def test_a_face_of_a_hand_and_a_half_gets_two():
    _, _, (joint,) = made(limb(120, 200), FILAMENT, seam(1, (0, 0, 100), UP))
    assert len(joint.pegs) == 2


def test_a_long_thin_face_gets_two_along_it():
    _, _, (joint,) = made(box(120, 20, 60), FILAMENT, seam(1, (0, 0, 30), UP))
    first, second = (p.outline.mean(axis=0) for p in joint.pegs)
    assert abs(first - second).max() > 50


@pytest.mark.parametrize("across", [3.0, 5.0, 7.0])
def test_too_thin_is_plain_and_says_why(across):
    _, _, (joint,) = made(limb(across, 40), FILAMENT, seam(1, (0, 0, 20), UP))
    assert joint.kind == "plain" and joint.pegs == ()
    assert "no room for a peg of 2.4 mm" in joint.reason and "3.0 mm of wall" in joint.reason


def test_a_wide_fit_on_a_small_limb_is_never_called_lack_of_room():
    # With 0.4 mm of clearance a small D also seats turned round; there is room enough.
    profile = replace(FILAMENT, clearance=0.4, wall=1.0)
    _, _, (joint,) = made(limb(12, 40), profile, seam(1, (0, 0, 20), UP))
    assert joint.kind == "pegs" or "no room" not in joint.reason


def test_a_seam_that_asks_for_a_plain_joint_gets_one():
    _, _, (joint,) = made(limb(90, 300), FILAMENT, seam(1, (0, 0, 150), UP, joint=PLAIN))
    assert joint.kind == "plain" and "as you asked" in joint.reason


def test_letters_count_along_the_interfaces():
    seams = [seam(k, (0, 0, 30 * k), UP) for k in range(1, 4)]
    _, _, found = made(limb(40, 120), FILAMENT, *seams)
    assert [j.letter for j in found] == ["A", "B", "C"]


def test_depth_shrinks_before_width_does():
    # A disc 20 mm thick on a long limb: sockets go into the long side, or are shallow.
    _, _, (joint,) = made(limb(90, 300), FILAMENT, seam(1, (0, 0, 18), UP))
    assert joint.pegs[0].width > 18


@pytest.mark.parametrize("away", [(0, 0, 0), (5000, -3000, 800)])
def test_the_same_joint_wherever_the_figure_stands(away):
    figure = moved(limb(60, 200), away)
    _, _, (joint,) = made(figure, FILAMENT, seam(1, np.array([0, 0, 90]) + away, UP))
    assert joint.pegs[0].width == pytest.approx(13.5, rel=0.01)


# --- what lies behind the face --------------------------------------------------------

TAPERS = {
    "waist": turned((10, 0), (30, 40), (30, 42), (8, 60), (8, 90)),
    "hourglass": turned((40, 0), (12, 38), (12, 42), (40, 80)),
    "spinning top": turned((2, 0), (30, 30), (2, 60)),
    "undercut above and below": turned((6, 0), (6, 33), (30, 40), (6, 47), (6, 80)),
    "disc on a rod": turned((5, 0), (5, 36), (25, 36), (25, 44), (5, 44), (5, 80)),
    "shallow dish": turned((30, 0), (31, 44), (25, 46), (4, 52)),
}


@pytest.mark.parametrize("name", TAPERS)
def test_sockets_never_break_through_a_taper(name):
    made(TAPERS[name], FILAMENT, seam(1, (0, 0, 41), UP))


@pytest.mark.parametrize("offset", [6.0, 14.0])
@pytest.mark.parametrize("normal", [UP, (0.4, 0, 1), (0, -0.7, 1)])
def test_sockets_never_break_through_a_bend(offset, normal):
    # An elbow: behind the seam across the upright there is only the bend's own height.
    upright = box(30, 30, 120)
    elbow = manifold_union(upright, box(120, 30, 30))
    made(elbow, FILAMENT, seam(1, (15, 15, 30 + offset), normal, nearest((15, 15, 30 + offset))))


def manifold_union(a: Mesh, b: Mesh) -> Mesh:
    out = (solid(a) + solid(b)).to_mesh64()
    return Mesh.of(out.vert_properties[:, :3], out.tri_verts.astype(np.int32))


@pytest.mark.parametrize("seed", range(5))
def test_sockets_never_break_through_a_lump(seed):
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(subdivisions=3)
    reach = np.ones(len(ball.vertices))
    for _ in range(5):
        way = rng.normal(size=3)
        reach += rng.uniform(-0.3, 0.4) * np.exp(
            -3 * (1 - ball.vertices @ way / np.linalg.norm(way))
        )
    lump = Mesh.of(ball.vertices * reach[:, None] * rng.uniform(15, 90), ball.faces)
    point = rng.uniform(-0.3, 0.3, 3) * lump.size
    profile = (FILAMENT, RESIN)[seed % 2]
    made(lump, profile, seam(1, point, rng.normal(size=3)))


@pytest.mark.parametrize("thick", [4.0, 10.0, 14.0])
def test_a_cavity_behind_the_face_is_spared(thick):
    figure = joined(
        [box(60, 60, 100), box(40, 40, 80 - thick - 50, low=(10, 10, 50 + thick)).flipped()]
    )
    made(figure, FILAMENT, seam(1, (0, 0, 50), UP))


def test_a_bubble_smaller_than_a_socket_is_not_swallowed():
    figure = joined([limb(90, 300), moved(limb(4, 4), (0, 0, 160)).flipped(),
                     moved(limb(4, 4), (0, 0, 136)).flipped()])  # fmt: skip
    made(figure, FILAMENT, seam(1, (0, 0, 150), UP))


def test_a_hollow_limb_with_a_thin_wall_is_plain():
    figure = joined([limb(30, 100, 12), moved(limb(22, 90, 12), (0, 0, 5)).flipped()])
    _, _, (joint,) = made(figure, FILAMENT, seam(1, (0, 0, 50), UP))
    assert joint.kind == "plain" and "no room" in joint.reason


def test_a_peg_has_material_behind_its_root():
    for figure, z in ((TAPERS["waist"], 41.0), (TAPERS["disc on a rod"], 40.0)):
        pieces, _, (joint,) = made(figure, FILAMENT, seam(1, (0, 0, z), UP))
        mesh = next(p.mesh for p in pieces if p.id == joint.peg_piece)
        for peg in joint.pegs:
            # A straight column of half the peg's width behind the root is all material.
            ends = [joint.placed_ring((peg.outline, d)) for d in (0.0, -peg.width / 2)]
            column = convex(np.concatenate(ends))
            assert (column - solid(mesh)).volume() <= 1e-6 * column.volume()


@pytest.mark.parametrize("thick", [28.0, 30.0, 40.0])
def test_the_reported_wall_is_no_more_than_there_is(thick):
    # The nearest surface to the socket's end is the slice's other face.
    pieces, _, found = made(limb(90, 200), FILAMENT, seam(1, (0, 0, thick), UP))
    for reported, there in assert_has_room(pieces, found, FILAMENT):
        # Samples find at most what lies between them more than the exact wall.
        assert reported <= there + 1e-6


# --- several joints -----------------------------------------------------------------


def test_sockets_of_crossing_seams_keep_their_distance():
    seams = [seam(k + 1, [30.0] * 3, np.eye(3)[k]) for k in range(3)]
    _, _, found = made(box(60, 60, 60), FILAMENT, *seams)
    assert len(found) == 12 and any(j.pegs for j in found)


def test_sockets_back_to_back_in_a_thin_slice_keep_their_distance():
    for thick in (12.0, 30.0):
        seams = (seam(1, (0, 0, 100), UP), seam(2, (0, 0, 100 + thick), UP))
        made(limb(90, 300), FILAMENT, *seams)


def test_a_ring_cut_by_two_seams_that_are_not_parallel_locks_nowhere():
    ring = torus(80, 20, 48, 24)
    seams = (
        seam(1, (80, 0, 0), (0, 1, 0), nearest((80, 0, 0))),
        seam(2, (0, 80, 0), (1, 0.3, 0), nearest((0, 80, 0))),
    )
    _, _, found = made(ring, FILAMENT, *seams)
    assert sorted(j.kind for j in found) == ["pegs", "plain"]
    plain, pegged = sorted(found, key=lambda j: len(j.pegs))
    assert f"joint {pegged.letter} " in plain.reason and "lock" in plain.reason


def test_a_ring_cut_across_has_pegs_at_both_ends():
    _, _, found = made(torus(80, 20, 48, 24), FILAMENT, seam(1, (0, 0, 0), (0, 1, 0)))
    assert [j.kind for j in found] == ["pegs", "pegs"]


def test_a_ring_of_three_pieces_leaves_one_joint_plain():
    turns = np.radians([10, 130, 250])
    ring = torus(80, 20, 48, 24)
    seams = []
    for k, t in enumerate(turns, start=1):
        point = (80 * np.cos(t), 80 * np.sin(t), 0)
        seams.append(seam(k, point, (-np.sin(t), np.cos(t), 0), nearest(point)))
    pieces, _, found = made(ring, FILAMENT, *seams)
    assert len(pieces) == 3 and sorted(j.kind for j in found) == ["pegs", "pegs", "plain"]


def test_a_belt_keeps_its_pegs_where_another_seam_stops_at_it():
    belt = seam(1, (0, 0, 60), UP)
    back = seam(2, (40, 0, 0), (1, 0, 0), nearest((40, 20, 20)), stops_at=("seam 1",))
    pieces, _, found = made(box(80, 40, 120), FILAMENT, belt, back)
    assert len(pieces) == 3 and all(j.kind == "pegs" for j in found) and len(found) == 3


# --- one way only -------------------------------------------------------------------


def test_a_joint_that_lost_its_key_is_found():
    _, _, (joint,) = made(limb(90, 300), FILAMENT, seam(1, (0, 0, 150), UP))
    (peg,) = joint.pegs
    low, high = peg.outline.min(axis=0), peg.outline.max(axis=0)
    plain = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    with pytest.raises(CheckFailed, match="Joint A also seats turned by"):
        require_one_way((replace(joint, pegs=(replace(peg, outline=plain),)),))
    with pytest.raises(CheckFailed):
        require_one_way((replace(joint, clearance=4.0),))
    require_one_way(())


# --- room ---------------------------------------------------------------------------


def region_of(*loops: np.ndarray) -> Region:
    return Region(
        tuple(np.asarray(p, dtype=float) for p in loops), tuple(np.arange(len(p)) for p in loops)
    )


def ring_loops(radius: float, thick: float, sides: int) -> tuple[np.ndarray, np.ndarray]:
    t = 2 * np.pi * np.arange(sides) / sides
    c = np.stack([np.cos(t), np.sin(t)], axis=1)
    return radius * c, ((radius - thick) * c)[::-1]


def test_inscribed_circles():
    rectangle = [[0, 0], [30, 0], [30, 8], [0, 8]]
    centre, radius = inscribed(region_of(rectangle))
    assert radius == pytest.approx(4, rel=0.02) and centre[1] == pytest.approx(4, abs=0.1)
    centre, radius = inscribed(region_of([[0, 0], [3, 0], [0, 4]]))
    assert radius == pytest.approx(1, rel=0.02)
    np.testing.assert_allclose(centre, [1, 1], atol=0.05)
    _, radius = inscribed(region_of(*ring_loops(20, 6, 60)))
    assert radius == pytest.approx(3, rel=0.03)


def test_the_inscribed_circle_of_a_thin_shell_is_found_in_few_steps(monkeypatch):
    # A hollow figure's section is a thin ring as wide all round: nothing prunes the search
    # but how finely it looks.
    asked = 0
    plain = Region.edge_distance

    def counted(self: Region, points: np.ndarray) -> np.ndarray:
        nonlocal asked
        asked += len(points)
        assert asked < 200_000
        return plain(self, points)

    monkeypatch.setattr(Region, "edge_distance", counted)
    _, radius = inscribed(region_of(*ring_loops(100, 3, 64)))
    assert radius == pytest.approx(1.5, rel=0.05)


def test_spots_lie_inside_and_a_sliver_has_one():
    ring = region_of(*ring_loops(20, 6, 60))
    at = spots(ring, 1.0)
    assert len(at) > 300 and ring.contains(at).all()
    assert len(spots(region_of([[0, 0], [9, 0], [9, 0.01], [0, 0.01]]), 1.0)) == 1


def test_obstacles_are_all_but_the_own_face_and_what_is_far():
    cut = seam(1, (0, 0, 12), UP)
    below, _ = take_apart(box(10, 20, 30), (cut,))
    own = np.flatnonzero(below.mesh.tag == 1).astype(np.int32)
    (face,) = interfaces(take_apart(box(10, 20, 30), (cut,)), (cut,))
    for deepest, bottom in ((5.0, False), (13.0, True)):
        found = obstacles(
            below.mesh, own, cut.frame, np.array([0, 0, -1.0]), face.region, deepest, 0.5
        )
        assert (found.depth <= deepest).all() and (found.depth >= -0.5).all()
        assert (np.abs(found.depth - 12) < 1e-9).any() == bottom
        middle = cut.frame.to_plane(np.array([[5.0, 10, 12]]))
        assert clear_radius(middle, found, 5.0)[0] == pytest.approx(5, abs=1e-9)


def test_pegs_are_as_wide_as_they_say():
    _, _, (joint,) = made(limb(90, 300), FILAMENT, seam(1, (0, 0, 150), UP))
    (peg,) = joint.pegs
    assert area(peg.outline) == pytest.approx(area(square(peg.width)))
