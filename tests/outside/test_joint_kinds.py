"""Every kind of joint, measured on the finished meshes by independent libraries.

Distances are trimesh's closest points, intersections and volumes Manifold's: neither takes
part in sizing or imprinting.
"""

from __future__ import annotations

from itertools import combinations

import manifold3d
import numpy as np
import pytest
import trimesh

from seamwright.choice import AUTO, JointAt, JointChoice
from seamwright.errors import BadInput
from seamwright.job import FigureChoice, Job
from seamwright.joint import MAGNET_GLUE
from seamwright.mesh import Mesh
from seamwright.printer import PrinterProfile
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam

PROFILE = PrinterProfile(build_volume=(300.0, 300.0, 400.0))
CLEARANCE, GAP = PROFILE.clearance, PROFILE.seating_gap
WAYS = [None, (0.3, 0.0, 1.0), (0.3, -0.25, 1.0)]
SHAPES = ["square", "rectangle", "D", "hexagon", "cross", "section"]


def limb(across: float = 90.0, height: float = 300.0) -> Mesh:
    """A limb that is no circle and gets thinner upwards."""
    drawn = manifold3d.CrossSection.circle(across / 2, 96).scale((1.0, 0.8))
    grown = drawn.translate((across / 8, 0)) + drawn
    mesh = manifold3d.Manifold.extrude(grown, height, 0, 0.0, (0.8, 0.8)).to_mesh64()
    return Mesh.of(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts))


def made(
    choice: JointChoice = AUTO,
    normal: tuple[float, float, float] = (0.0, 0.0, 1.0),
    rods: tuple[Rod, ...] = (),
    joints: tuple[JointAt, ...] = (),
    across: float = 90.0,
) -> Result:
    seam = Seam(1, "middle", (0.0, 0.0, 150.0), normal, joint=choice)
    job = Job("limb", FigureChoice(), PROFILE, (seam,), None, joints, rods)
    return make(prepare(limb(across), "mm", job), job)


def by_trimesh(mesh: Mesh) -> trimesh.Trimesh:
    whole = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert whole.is_watertight and whole.is_winding_consistent and whole.volume > 0
    return whole


def by_manifold(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    whole = manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))
    assert whole.status() == manifold3d.Error.NoError
    return whole


def off_the_faces(result: Result, mesh: Mesh) -> np.ndarray:
    """Points all over what lies below the joint's faces of a mesh, inside the figure."""
    joint = result.joints[0]
    sampled = trimesh.sample.sample_surface_even(by_trimesh(mesh), 60_000, seed=1)[0]
    corners = np.concatenate([sampled, mesh.vertices])
    near = np.linalg.norm(corners - joint.interface.centre, axis=1) < 60
    return corners[near]


def in_the_flesh(result: Result, points: np.ndarray) -> np.ndarray:
    """Which points lie well inside the figure: on a joint, not on the skin or the seam face."""
    figure = by_trimesh(result.figure.mesh)
    _, gap, _ = trimesh.proximity.closest_point(figure, points)
    return points[gap > 1.0]


def parted(result: Result) -> None:
    """No two parts share any volume, and together with the gaps they are the figure."""
    meshes = [p.mesh for p in result.pieces] + [p.mesh for p in result.loose]
    solids = [by_manifold(m) for m in meshes]
    for a, b in combinations(solids, 2):
        assert (a ^ b).volume() <= 1e-9 * a.volume()
    whole = by_manifold(result.figure.mesh)
    for one in solids:
        assert (one - whole).volume() <= 1e-9 * whole.volume()


def between(result: Result, holder: Mesh, hollow: Mesh, side: str) -> tuple[float, float]:
    """Least distance of a peg's sides and of its end from its socket, by trimesh."""
    (joint,) = result.joints
    down = joint.down(side)  # type: ignore[arg-type]
    peg = off_the_faces(result, holder)
    depth = (peg - joint.frame.origin) @ down
    peg = peg[depth > 1.5]
    depth = depth[depth > 1.5]
    _, gap, face = trimesh.proximity.closest_point(by_trimesh(hollow), peg)
    end = depth > depth.max() - 1e-6
    normal = by_trimesh(hollow).face_normals[face]
    level = np.abs(normal @ down) > 0.999
    return float(gap[~end].min()), float(gap[end & level].min())


# --- pegs ------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("pegs_on", ["A", "B"])
def test_pegs_of_every_footprint(shape, pegs_on):
    result = made(JointChoice("pegs", footprint=shape, pegs_on=pegs_on))
    (joint,) = result.joints
    assert {p.shape for p in joint.pegs} == {shape} and joint.peg_side == pegs_on
    mesh = {p.id: p.mesh for p in result.pieces}
    side, end = between(result, mesh[joint.peg_piece], mesh[joint.socket_piece], joint.socket_side)
    assert side == pytest.approx(CLEARANCE, abs=1e-6)
    assert end == pytest.approx(GAP, abs=1e-6)
    parted(result)


@pytest.mark.parametrize("normal", [(0.0, 0.0, 1.0), (0.3, 0.1, -1.0)])
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", ["pegs", "loose pegs"])
def test_pegs_along_any_way(kind, way, normal):
    result = made(JointChoice(kind, direction=way), normal)
    (joint,) = result.joints
    assert joint.kind == kind
    mesh = {p.id: p.mesh for p in result.pieces}
    sides = ("A", "B") if joint.loose else (joint.socket_side,)
    for side in sides:
        holder = result.loose[0].mesh if joint.loose else mesh[joint.peg_piece]
        gap, end = between(result, holder, mesh[joint.piece(side)], side)
        assert gap == pytest.approx(CLEARANCE, abs=1e-6)
        assert end == pytest.approx(GAP, abs=1e-6)
    if way is not None:
        along = np.asarray(way) / np.linalg.norm(way)
        assert abs(float(joint.into @ along)) == pytest.approx(1.0)
    parted(result)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_several_pegs(count):
    result = made(JointChoice(count=count))
    (joint,) = result.joints
    assert len(joint.pegs) == count
    parted(result)


def test_a_piece_slides_off_along_its_pegs_and_no_other_way():
    result = made(JointChoice(direction=(0.3, 0.0, 1.0)))
    (joint,) = result.joints
    still, moving = (by_manifold(p.mesh) for p in result.pieces)
    along = joint.way("A") / np.linalg.norm(joint.way("A"))
    for step in (1.0, 5.0, 15.0, 40.0):
        clear = moving.translate(tuple(step * along)) ^ still
        assert clear.volume() <= 1e-6
    assert (moving.translate((0.0, 0.0, 15.0)) ^ still).volume() > 10


def test_a_loose_peg_lies_flat_to_print():
    result = made(JointChoice("loose pegs"))
    (peg,) = result.loose
    laid = by_trimesh(peg.laid)
    assert laid.bounds[0] == pytest.approx(0.0, abs=1e-9)
    assert laid.extents[0] == pytest.approx(peg.length, abs=1e-6)
    down = laid.area_faces[
        (laid.face_normals[:, 2] < -0.999) & (laid.triangles_center[:, 2] < 1e-6)
    ]
    # A whole side lies on the platform, but for the chamfers at its ends.
    assert down.sum() > 0.8 * (peg.length - 2) * peg.width * 0.6
    assert laid.volume == pytest.approx(by_trimesh(peg.mesh).volume)


# --- magnets ---------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [None, "6x3", "10x3"])
def test_magnets_go_into_their_pockets(size):
    result = made(JointChoice("magnets", magnet=size))
    (joint,) = result.joints
    assert len(joint.magnets) == 2 and {m.north for m in joint.magnets} == {"A", "B"}
    for piece in result.pieces:
        side = joint.side_of(piece.id)
        held = by_manifold(piece.mesh)
        for magnet in joint.magnets:
            centre = joint.frame.to_world(magnet.centre)
            frame = trimesh.geometry.align_vectors([0, 0, 1], joint.down(side))
            disc = trimesh.creation.cylinder(magnet.diameter / 2, magnet.thickness, sections=256)
            disc.apply_translation([0, 0, magnet.thickness / 2])
            disc.apply_transform(frame)
            disc.apply_translation(centre)
            solid = by_manifold(Mesh.of(disc.vertices, disc.faces))
            assert (solid ^ held).volume() <= 1e-9
            _, gap, _ = trimesh.proximity.closest_point(by_trimesh(piece.mesh), disc.vertices)
            bottom = (disc.vertices - centre) @ joint.down(side) > magnet.thickness / 2
            assert gap[bottom].min() == pytest.approx(min(CLEARANCE, MAGNET_GLUE), abs=1e-3)


def test_a_magnet_that_is_too_large_is_refused_with_one_that_fits():
    with pytest.raises(BadInput, match=r"no room for 2 magnets of 20x5 mm .* would fit"):
        made(JointChoice("magnets", magnet="20x5", count=2), across=40.0)


# --- rods ------------------------------------------------------------------------------------


@pytest.mark.parametrize("lean", [0.0, 12.0])
@pytest.mark.parametrize("across", [4.0, 8.0])
def test_a_rod_goes_through_and_fits(across, lean):
    rod = Rod("spine", (-lean, 0.0, 60.0), (lean, 0.0, 240.0), across)
    result = made(rods=(rod,))
    assert len(result.bores) == 2 and rod.length == pytest.approx(np.hypot(180, 2 * lean))
    bar = trimesh.creation.cylinder(across / 2, segment=[rod.start, rod.end], sections=256)
    solid = by_manifold(Mesh.of(bar.vertices, bar.faces))
    for piece in result.pieces:
        assert (solid ^ by_manifold(piece.mesh)).volume() <= 1e-9
    middle = np.asarray(rod.start) + np.linspace(0.05, 0.95, 200)[:, None] * (
        np.subtract(rod.end, rod.start)
    )
    gaps = [trimesh.proximity.closest_point(by_trimesh(p.mesh), middle)[1] for p in result.pieces]
    assert np.min(gaps) == pytest.approx(across / 2 + CLEARANCE, abs=1e-3)
    (joint,) = result.joints
    assert joint.pegs, "pegs keep clear of the rod"
    parted(result)


@pytest.mark.parametrize(
    ("start", "end", "said"),
    [
        ((0, 0, 60), (60, 0, 240), "leaves .* of wall|leaves piece"),
        ((0, 0, 60), (0, 0, 140), "crosses no seam"),
        ((0, 0, 60), (0, 0, 60), "has no length"),
        ((-20, 0, 149), (30, 0, 151), "flat in seam"),
        ((0, 0, 60), (0, 0, 320), "wall|leaves"),
    ],
)
def test_rods_that_cannot_be(start, end, said):
    with pytest.raises(BadInput, match=said):
        made(rods=(Rod("spine", start, end, 6.0),))


# --- what does not fit -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        (JointChoice(width=70.0), "would fit"),
        (JointChoice(footprint="cross", width=60.0), r": \d+ pegs? of .* would fit"),
        (JointChoice(depth=200.0, width=20.0), "would fit"),
        (JointChoice(at=((38.0, 0.0, 150.0),), width=20.0), "1 peg of 1.* would fit"),
        (JointChoice(at=((80.0, 0.0, 150.0),)), "lies beside its face"),
        (JointChoice(width=1.0), "thinner than prints sound"),
        (JointChoice(direction=(1.0, 0.0, 0.2)), "lean"),
        (JointChoice(width=10.0, clearance=12.0), "more than the 10.0 mm peg"),
    ],
)
def test_wishes_that_do_not_fit_are_refused_with_what_would(choice, said):
    with pytest.raises(BadInput, match=said):
        made(choice)


def test_the_thinnest_peg_that_is_named_is_made():
    with pytest.raises(BadInput, match=r"give 2\.4 mm or more"):
        made(JointChoice(width=2.3))
    assert {peg.width for peg in made(JointChoice(width=2.4)).joints[0].pegs} == {2.4}


def test_a_joint_on_an_interface_that_is_gone():
    with pytest.raises(BadInput, match="no interface near"):
        made(joints=(JointAt("middle", (500.0, 0.0, 0.0), JointChoice("plain")),))


@pytest.mark.parametrize("shape", ["square", "rectangle", "D", "hexagon", "cross"])
def test_a_symmetric_joint_is_refused_until_it_is_keyed(shape):
    with pytest.raises(BadInput, match=r"without a key also seats turned by \d+°"):
        made(JointChoice(footprint=shape, key=False))
    keyed = made(JointChoice(footprint=shape))
    assert len(keyed.joints[0].pegs) == 1
    parted(keyed)


def test_pegs_without_keys_of_two_widths_key_each_other():
    result = made(JointChoice(footprint="square", count=2, key=False))
    first, second = result.joints[0].pegs
    assert first.width > second.width
    # Each by itself is a plain square; together they fit one way only.
    assert len(first.outline) == len(second.outline) == 4
    parted(result)
