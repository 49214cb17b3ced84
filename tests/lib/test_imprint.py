"""Pegs and sockets set into seam faces: closed pieces, exact volumes, gaps, drafts and lead-ins."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from seamwright.errors import SeamwrightError
from seamwright.footprint import area
from seamwright.imprint import imprinted, jointed
from seamwright.interface import interfaces
from seamwright.joint import Joint, letter, rings_volume
from seamwright.mesh import Mesh
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile, printer
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, moved, revolved, sphere
from seamwright.sizing import joints

FILAMENT = PrinterProfile()
RESIN = printer("resin-218")


def seam(number: int, point, normal, reach: Reach | None = None, **more) -> Seam:
    return Seam(number, f"seam {number}", tuple(point), tuple(normal), reach or Reach(), **more)


def limb(across: float, length: float) -> Mesh:
    r, h = np.array([(0, 0), (across / 2, 0), (across / 2, length), (0, length)], dtype=float).T
    return revolved(r, h, 48)


def made(
    figure: Mesh, profile: PrinterProfile, *seams: Seam
) -> tuple[tuple[Piece, ...], tuple[Joint, ...]]:
    pieces = take_apart(figure, seams)
    faces = interfaces(pieces, seams)
    # Marks are pockets like any other: they have tests of their own.
    bare = [replace(face.seam.joint, marks=False) for face in faces]
    return pieces, joints(pieces, faces, profile, choices=bare)


def with_sockets_on(joint: Joint, side: str) -> Joint:
    return replace(joint, socket_side=side)


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))


def hull(joint: Joint, rings) -> manifold3d.Manifold:
    """The body between rings, each pair of which bounds a convex one."""
    parts = [
        manifold3d.Manifold.hull_points(np.concatenate([joint.placed_ring(r) for r in pair]))
        for pair in pairwise(rings)
    ]
    return manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Add)


def prismoid(rings) -> float:
    """Volume between rings by shapely's areas and Simpson's rule, exact for a quadratic."""
    total = 0.0
    for (upper, top), (lower, bottom) in pairwise(rings):
        parts = [shapely.Polygon(p).area for p in (upper, (upper + lower) / 2, lower)]
        total += (bottom - top) / 6 * (parts[0] + 4 * parts[1] + parts[2])
    return total


def assert_jointed(
    before: tuple[Piece, ...], after: tuple[Piece, ...], found: tuple[Joint, ...]
) -> None:
    """Closed, manifold, of the exact volume, and the same solid that booleans would make."""
    for old, new in zip(before, after, strict=True):
        assert new.id == old.id and new.mesh.is_closed
        checked = trimesh.Trimesh(new.mesh.vertices, new.mesh.faces, process=False)
        assert checked.is_watertight and checked.is_winding_consistent
        expected, change = solid(old.mesh), 0.0
        for joint in found:
            for peg in joint.pegs:
                if joint.peg_piece == old.id:
                    expected += hull(joint, joint.peg_rings(peg))
                    change += prismoid(joint.peg_rings(peg))
                if joint.socket_piece == old.id:
                    expected -= hull(joint, joint.socket_rings(peg))
                    change -= prismoid(joint.socket_rings(peg))
        assert new.mesh.volume == pytest.approx(old.mesh.volume + change, rel=1e-12)
        whole = solid(new.mesh)
        assert whole.status() == manifold3d.Error.NoError
        assert expected.volume() == pytest.approx(new.mesh.volume, rel=1e-6)
        assert (whole ^ expected).volume() == pytest.approx(expected.volume(), rel=1e-6)
        skin = old.mesh.areas[old.mesh.tag == 0].sum()
        assert new.mesh.areas[new.mesh.tag == 0].sum() == pytest.approx(skin, rel=1e-12)


# --- pegs and sockets on either side ------------------------------------------------


@pytest.mark.parametrize("side", ["A", "B"])
@pytest.mark.parametrize("normal", [(0, 0, 1), (0, 0, -1), (0.3, -0.2, 1)])
@pytest.mark.parametrize("across", [90.0, 12.0])
def test_volumes_and_shapes_on_either_side(side, normal, across):
    before, found = made(limb(across, 200), FILAMENT, seam(3, (0, 0, 100), normal))
    (joint,) = found
    assert len(joint.pegs) == 1
    joint = with_sockets_on(joint, side)
    after = jointed(before, (joint,))
    assert_jointed(before, after, (joint,))
    ids = {p.id: p for p in after}
    assert (ids[joint.peg_piece].mesh.tag == 3).sum() > 10
    a_above = joint.frame.heights(ids[joint.interface.piece_a].mesh.vertices)
    b_below = joint.frame.heights(ids[joint.interface.piece_b].mesh.vertices)
    depth = joint.pegs[0].depth
    if side == "A":
        assert a_above.min() == pytest.approx(0, abs=1e-9)
        assert b_below.max() == pytest.approx(depth)
    else:
        assert b_below.max() == pytest.approx(0, abs=1e-9)
        assert a_above.min() == pytest.approx(-depth)


@pytest.mark.parametrize("seed", range(4))
def test_lumps_cut_aslant(seed):
    rng = np.random.default_rng(seed)
    lump = Mesh.of(sphere(60.0, 24).vertices * rng.uniform(0.7, 1.4, 3), sphere(60.0, 24).faces)
    away = rng.uniform(-300, 300, 3)
    cut = seam(1, away + rng.uniform(-15, 15, 3), rng.normal(size=3))
    before, found = made(moved(lump, tuple(away)), (FILAMENT, RESIN)[seed % 2], cut)
    assert found[0].pegs
    assert_jointed(before, jointed(before, found), found)


def test_several_pegs_in_one_face_and_several_joints_on_one_piece():
    seams = [seam(1, (0, 0, 100), (0, 0, 1)), seam(2, (0, 0, 200), (0, 0, 1))]
    before, found = made(limb(190, 300), FILAMENT, *seams)
    assert [len(j.pegs) for j in found] == [3, 3]
    assert_jointed(before, jointed(before, found), found)


def test_crossing_seams():
    seams = [seam(k + 1, (45.0, 45.0, 45.0), np.eye(3)[k]) for k in range(3)]
    before, found = made(box(90, 90, 90), FILAMENT, *seams)
    assert sum(len(j.pegs) for j in found) >= 4
    assert_jointed(before, jointed(before, found), found)


@pytest.mark.parametrize("side", ["A", "B"])
def test_one_face_with_the_joints_of_two_interfaces(side):
    belt = seam(1, (0, 0, 60), (0, 0, 1))
    reach = Reach("nearest", ((40, 20, 20),))
    back = seam(2, (40, 0, 0), (1, 0, 0), reach, stops_at=("seam 1",))
    before, found = made(box(80, 40, 120), FILAMENT, belt, back)
    found = tuple(with_sockets_on(j, side) if j.interface.seam is belt else j for j in found)
    assert [j.kind for j in found] == ["pegs"] * 3
    assert_jointed(before, jointed(before, found), found)


def test_plain_joints_change_nothing():
    before, found = made(limb(4, 40), FILAMENT, seam(1, (0, 0, 20), (0, 0, 1)))
    assert found[0].kind == "plain"
    for old, new in zip(before, jointed(before, found), strict=True):
        assert new.mesh is old.mesh


def test_the_given_pieces_are_not_changed():
    before, found = made(limb(90, 200), FILAMENT, seam(1, (0, 0, 100), (0, 0, 1)))
    copies = [(p.mesh.vertices.copy(), p.mesh.faces.copy(), p.mesh.tag.copy()) for p in before]
    jointed(before, found)
    for piece, (vertices, faces, tag) in zip(before, copies, strict=True):
        np.testing.assert_array_equal(piece.mesh.vertices, vertices)
        np.testing.assert_array_equal(piece.mesh.faces, faces)
        np.testing.assert_array_equal(piece.mesh.tag, tag)


def test_a_face_in_two_regions_is_refused():
    before, found = made(limb(90, 200), FILAMENT, seam(1, (0, 0, 100), (0, 0, 1)))
    (joint,) = found
    face = joint.interface
    some = replace(face.a, faces=face.a.faces[[0, len(face.a.faces) // 2]])
    torn = replace(joint, interface=replace(face, seat=replace(face.seat, a=some)))
    with pytest.raises(SeamwrightError, match=r"joint A on piece \d+ is in 2 regions"):
        imprinted(next(p for p in before if p.id == face.piece_a), (torn,))


# --- gaps, draft and lead-in --------------------------------------------------------


def side_samples(joint: Joint, rings, count: int) -> np.ndarray:
    """Points along the first straight stretch of a body's sides."""
    (upper, top), (lower, bottom) = rings[:2]
    share = np.linspace(0, 1, count)
    points = []
    for k in np.linspace(0, 1, 9)[:-1]:
        corner = upper + k * (np.roll(upper, -1, axis=0) - upper)
        deep = lower + k * (np.roll(lower, -1, axis=0) - lower)
        for s in share:
            points.append(
                joint.placed_ring((corner + s * (deep - corner), top + s * (bottom - top)))
            )
    return np.concatenate(points)


@pytest.mark.parametrize("profile", [FILAMENT, RESIN, replace(FILAMENT, draft=4.0)])
@pytest.mark.parametrize("across", [90.0, 15.0])
def test_gaps_by_sampling(profile, across):
    before, found = made(limb(across, 200), profile, seam(1, (0, 0, 100), (0.1, 0.2, 1)))
    (joint,) = found
    (peg,) = joint.pegs
    after = {p.id: p.mesh for p in jointed(before, found)}
    mesh = after[joint.socket_piece]
    depth = (mesh.vertices - joint.frame.origin) @ joint.into
    inside = (depth[mesh.faces].max(axis=1) > 1e-6) & (mesh.tag[:] == 1)
    socket = trimesh.Trimesh(mesh.vertices, mesh.faces[inside], process=False)
    points = side_samples(joint, joint.peg_rings(peg), 7)
    _, distance, _ = trimesh.proximity.closest_point(socket, points)
    assert distance.min() == pytest.approx(profile.clearance, abs=1e-9)
    # Sharp corners of the peg are farther off, by the corner's miter; all others are not.
    assert np.median(distance) == pytest.approx(profile.clearance, rel=0.02)
    end = joint.placed_ring(joint.peg_rings(peg)[-1])
    _, gap, _ = trimesh.proximity.closest_point(socket, end.mean(axis=0)[None])
    assert gap[0] == pytest.approx(profile.seating_gap, abs=1e-9)
    both = solid(after[1]) ^ solid(after[2])
    assert both.volume() <= 1e-9 * solid(after[1]).volume()


@pytest.mark.parametrize("across", [90.0, 15.0])
@pytest.mark.parametrize("draft", [0.0, 1.0, 4.0])
def test_sides_lean_by_the_draft(across, draft):
    profile = replace(FILAMENT, draft=draft)
    before, (joint,) = made(limb(across, 200), profile, seam(1, (0, 0, 100), (0, 0, 1)))
    (peg,) = joint.pegs
    for number, rings, sided in (
        (joint.peg_piece, joint.peg_rings(peg), peg.solid),
        (joint.socket_piece, joint.socket_rings(peg), peg.outline),
    ):
        mesh = next(p.mesh for p in jointed(before, (joint,)) if p.id == number)
        mine = mesh.face_vectors[mesh.tag == 1]
        normal = mine / np.linalg.norm(mine, axis=1, keepdims=True)
        axial = np.degrees(np.arcsin(np.clip(np.abs(normal @ joint.into), 0, 1)))
        sides = axial[axial < 30]
        np.testing.assert_allclose(sides, draft, atol=1e-6)
        assert len(sides) == 2 * len(sided)
        assert rings[0][1] == 0


@pytest.mark.parametrize("across", [90.0, 15.0])
def test_the_lead_in_is_a_chamfer_of_45_degrees_at_the_steepest(across):
    before, (joint,) = made(limb(across, 200), FILAMENT, seam(1, (0, 0, 100), (0, 0, 1)))
    (peg,) = joint.pegs
    assert joint.lead_in == pytest.approx(min(1.0, peg.width / 6))
    _, (rim, start), (_, end) = joint.peg_rings(peg)
    assert end - start == pytest.approx(joint.lead_in) and end == pytest.approx(peg.depth)
    mesh = next(p.mesh for p in jointed(before, (joint,)) if p.id == joint.peg_piece)
    mine = mesh.face_vectors[mesh.tag == 1]
    lean = np.abs((mine @ joint.into) / np.linalg.norm(mine, axis=1))
    # Neither a wall (which leans by the draft) nor flat: the chamfer's own faces.
    chamfer = lean[(lean > 0.1) & (lean < 0.999)]
    assert len(chamfer) == 2 * len(rim)
    assert chamfer.min() == pytest.approx(np.sqrt(0.5), abs=1e-6)


def test_without_lead_in_a_peg_has_two_rings():
    profile = replace(FILAMENT, lead_in=0.0)
    before, found = made(limb(90, 200), profile, seam(1, (0, 0, 100), (0, 0, 1)))
    assert len(found[0].peg_rings(found[0].pegs[0])) == 2
    assert_jointed(before, jointed(before, found), found)


@pytest.mark.parametrize("profile", [FILAMENT, RESIN, replace(FILAMENT, clearance=0.1)])
@pytest.mark.parametrize("across", [12.0, 20.0, 30.0, 90.0])
def test_every_ring_is_convex_and_does_not_cross_itself(across, profile):
    _, (joint,) = made(limb(across, 100), profile, seam(1, (0, 0, 50), (0, 0, 1)))
    for peg in joint.pegs:
        for outline, _ in (*joint.peg_rings(peg), *joint.socket_rings(peg)):
            along = np.roll(outline, -1, axis=0) - outline
            after = np.roll(along, -1, axis=0)
            assert (along[:, 0] * after[:, 1] - along[:, 1] * after[:, 0] > 0).all()
            assert shapely.Polygon(outline).is_valid


@pytest.mark.parametrize("across", [12.0, 20.0, 26.0])
@pytest.mark.parametrize("draft", [4.0, 8.0, 15.0])
def test_no_ring_folds_under_the_steepest_draft_a_profile_allows(across, draft):
    profile = replace(FILAMENT, draft=draft)
    before, found = made(limb(across, 100), profile, seam(1, (0, 0, 50), (0, 0, 1)))
    for peg in found[0].pegs:
        for outline, _ in (*found[0].peg_rings(peg), *found[0].socket_rings(peg)):
            assert shapely.Polygon(outline).is_valid and area(outline) > 0
    assert_jointed(before, jointed(before, found), found)


# --- values of joints ---------------------------------------------------------------


def test_volume_of_rings():
    low, high = (
        np.array([[0, 0], [6, 0], [6, 6], [0, 6.0]]),
        np.array([[2, 2], [4, 2], [4, 4], [2, 4.0]]),
    )
    # A frustum of 36 and 4 over a height of 3: h/3 (A + sqrt(A B) + B).
    assert rings_volume(((low, 0.0), (high, 3.0))) == pytest.approx(3 / 3 * (36 + 12 + 4))
    assert rings_volume(((low, 0.0), (low, 2.0), (high, 5.0))) == pytest.approx(72 + 52)
    assert area(low) == 36


def test_letters():
    assert [letter(k) for k in (0, 1, 25, 26, 27, 51, 52, 701, 702)] == [
        "A", "B", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA",
    ]  # fmt: skip


def test_the_body_of_a_joint_is_what_its_rings_bound():
    _, (joint,) = made(limb(90, 200), FILAMENT, seam(1, (0, 0, 100), (0.1, 0.2, 1)))
    rings = joint.socket_rings(joint.pegs[0])
    body = joint.body(rings).triangles
    points = np.concatenate([joint.placed_ring(r) for r in rings])
    assert {p.tobytes() for p in body.reshape(-1, 3)} == {p.tobytes() for p in points}
    spanned = np.cross(body[:, 1] - body[:, 0], body[:, 2] - body[:, 0])
    surface = np.linalg.norm(spanned, axis=1).sum() / 2
    # Convex parts, less what they share: a union of parts that touch may leave a sliver of it.
    parts = [hull(joint, pair).surface_area() for pair in pairwise(rings)]
    shared = sum(area(outline) for outline, _ in rings[1:-1])
    assert surface == pytest.approx(sum(parts) - 2 * shared, rel=1e-6)
