"""Bad meshes against trimesh, shapely and Manifold, as far as those can say anything."""

from __future__ import annotations

from pathlib import Path

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from seamwright.errors import BadInput
from seamwright.flaws import Flaws
from seamwright.frame import Frame
from seamwright.mesh import Mesh, joined
from seamwright.outline import loop_length
from seamwright.pieces import take_apart
from seamwright.seam import Reach, Seam
from seamwright.section import Section, section
from seamwright.shapes import box, moved, sphere, torus

FOLDER = Path(__file__).resolve().parent.parent / "meshes"
NAMES = sorted(p.stem for p in FOLDER.glob("*.obj"))
# Askew, and off every vertex: what lies in a plane trimesh leaves out.
PLANES = [((0.31, 0.17, 1.0), 0.31), ((0.9, -0.4, 0.2), 0.47), ((-0.2, 0.7, 0.3), 0.62)]


def bad(name: str) -> trimesh.Trimesh:
    """A mesh of the corpus as trimesh reads it, with nothing merged."""
    return trimesh.load(FOLDER / f"{name}.obj", process=False, maintain_order=True)


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))


def plane_through(mesh: Mesh, plane: tuple[tuple[float, float, float], float]) -> Frame:
    normal, share = plane
    low, high = mesh.bounds
    return Frame.on_plane(low + share * (high - low), normal)


def raw_length(found: Section) -> float:
    """Length of every outline there is, whether sound, united or broken, mm."""
    sound = sum(
        loop_length(loop)
        for region in found.regions
        for plain in region.plain
        for loop in plain.loops
    )
    broken = sum(
        float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
        for b in found.broken
        for line in b.lines
    )
    return sound + broken


@pytest.mark.parametrize("plane", PLANES)
@pytest.mark.parametrize("name", NAMES)
def test_no_line_of_a_section_is_lost(name, plane):
    # However a mesh is broken, its section's lines are those trimesh finds face by face:
    # each is either on a region's outline or told as broken.
    other = bad(name)
    mesh = Mesh.of(other.vertices, other.faces)
    frame = plane_through(mesh, plane)
    lines = trimesh.intersections.mesh_plane(other, frame.normal, frame.origin)
    found = section(mesh, frame)
    assert raw_length(found) == pytest.approx(
        float(np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1).sum()), rel=1e-6
    )


def shell_polygons(mesh: Mesh, frame: Frame) -> shapely.Geometry:
    """The union of the sections of the outward shells, less those of the inward ones.

    Each shell's own section is polygonised by trimesh.
    """
    outward, inward = [], []
    shell = mesh.shell_of_face
    for k in np.unique(shell):
        own = mesh.subset(shell == k)
        path = trimesh.Trimesh(own.vertices, own.faces, process=False).section(
            plane_normal=frame.normal, plane_origin=frame.origin
        )
        if path is None:
            continue
        flat, _ = path.to_2D(to_2D=trimesh.geometry.plane_transform(frame.origin, frame.normal))
        (outward if own.volume > 0 else inward).extend(flat.polygons_full)
    return shapely.unary_union(outward).difference(shapely.unary_union(inward))


# Of these the polygons of single shells say nothing: one goes through itself, one has no
# inside, one is two solids on one edge, one has a solid within its cavity, one looks inward.
DUMB = {
    "self_intersecting_shell", "klein_bottle", "touching_along_an_edge", "nested_cavity",
    "inside_out_island",
}  # fmt: skip
SPEAKING = [n for n in NAMES if n not in DUMB]


@pytest.mark.parametrize("plane", PLANES)
@pytest.mark.parametrize("name", SPEAKING)
def test_areas_are_those_of_shapely_wherever_the_section_is_sound(name, plane):
    other = bad(name)
    mesh = Mesh.of(other.vertices, other.faces)
    frame = plane_through(mesh, plane)
    found = section(mesh, frame)
    if found.broken:
        assert not other.is_watertight or not other.is_winding_consistent
        return
    expected = shell_polygons(mesh, frame)
    assert found.area == pytest.approx(expected.area, rel=1e-6, abs=1e-9)
    # Regions that only touch at a corner shapely may draw as one.
    assert len(found.regions) >= len(getattr(expected, "geoms", [expected]))


@pytest.mark.parametrize("name", NAMES)
def test_pieces_of_closed_meshes_have_manifolds_volumes(name):
    other = bad(name)
    mesh = Mesh.of(other.vertices, other.faces)
    whole = solid(mesh)
    if whole.status() != manifold3d.Error.NoError:
        assert not mesh.is_closed
        return
    for plane in PLANES:
        frame = plane_through(mesh, plane)
        try:
            pieces = take_apart(mesh, (Seam(1, "s", tuple(frame.origin), tuple(frame.normal)),))
        except BadInput:
            found = section(mesh, frame)
            assert found.broken or any(r.clash is not None for r in found.regions)
            continue
        half, rest = whole.split_by_plane(tuple(frame.normal), float(frame.normal @ frame.origin))
        size = float(np.abs(mesh.signed_volumes()).sum())
        above = sum(p.mesh.volume for p in pieces if frame.heights(p.mesh.vertices).mean() > 0)
        total = sum(p.mesh.volume for p in pieces)
        assert total == pytest.approx(mesh.volume, abs=1e-9 * size)
        # A shell that the plane does not meet Manifold has wholly on one side, as we have.
        assert half.volume() + rest.volume() == pytest.approx(total, abs=1e-6 * size)
        if len(pieces) == 2:
            assert above == pytest.approx(half.volume(), abs=1e-6 * size)


# --- random boxes and balls that overlap ----------------------------------------------


@pytest.mark.parametrize("seed", range(30))
def test_random_boxes_have_shapelys_union(seed):
    # Whole numbers make flush faces, shared corners, buried and doubled boxes.
    rng = np.random.default_rng(seed)
    whole_numbers = seed % 3 > 0
    step = (1.0, 1.0, 0.37)[seed % 3]
    lows, sizes = rng.integers(0, 12, (9, 3)).astype(float), rng.integers(1, 9, (9, 3))
    if not whole_numbers:
        lows += rng.uniform(-0.2, 0.2, lows.shape)
    boxes = [box(*s, low=tuple(p)) for s, p in zip(sizes * step, lows * step, strict=True)]
    for z in (3.3, 7.1, 11.9):
        found = section(joined(boxes), Frame.on_plane((0, 0, z * step), (0, 0, 1)))
        expected = shapely.unary_union(
            [
                shapely.box(*(p[:2] * step), *((p + s)[:2] * step))
                for p, s in zip(lows, sizes, strict=True)
                if p[2] < z < p[2] + s[2]
            ]
        )
        assert not found.broken
        assert found.area == pytest.approx(expected.area, rel=1e-6, abs=1e-9)
        if not whole_numbers:
            # Boxes that only touch stay two regions here and become one in shapely.
            assert len(found.regions) == shapely.get_num_geometries(expected)
            perimeter = sum(r.perimeter for r in found.regions)
            assert perimeter == pytest.approx(expected.length, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_random_balls_have_manifolds_union(seed):
    rng = np.random.default_rng(seed)
    balls = [
        moved(sphere(float(rng.uniform(4, 12)), 16), tuple(rng.uniform(-14, 14, 3)))
        for _ in range(7)
    ]
    union = manifold3d.Manifold.batch_boolean([solid(b) for b in balls], manifold3d.OpType.Add)
    out = union.to_mesh64()
    whole = Mesh.of(np.array(out.vert_properties[:, :3]), out.tri_verts.astype(np.int32))
    for normal in ((0.2, 0.1, 1.0), (1.0, -0.3, 0.2)):
        frame = Frame.on_plane((0.5, 1.0, 0.3), normal)
        found, expected = section(joined(balls), frame), section(whole, frame)
        assert found.area == pytest.approx(expected.area, rel=1e-6)
        assert len(found.regions) == len(expected.regions)
        assert all(r.clash is None for r in expected.regions)


# --- faces taken away at random -------------------------------------------------------


def crowd() -> Mesh:
    """Balls, rings and a hollow ball that keep clear of each other."""
    hollow = joined([sphere(14, 24), sphere(9, 16).flipped(), sphere(5, 12)])
    return joined(
        [
            hollow,
            moved(torus(12, 4, 24, 12), (40.0, 0.0, 0.0)),
            moved(sphere(8, 16), (0.0, 40.0, 1.0)),
            moved(torus(9, 3, 20, 10), (40.0, 40.0, -1.0)),
        ]
    )


@pytest.mark.parametrize("seed", range(40))
def test_what_is_left_of_a_torn_mesh_is_as_it_was_or_is_told(seed):
    rng = np.random.default_rng(seed)
    whole = crowd()
    frame = Frame.on_plane((0.0, 0.0, 0.7), (0.1 * rng.normal(), 0.1 * rng.normal(), 1.0))
    intact = section(whole, frame)
    gone = rng.choice(len(whole.faces), size=int(rng.integers(1, 30)), replace=False)
    kept = np.setdiff1d(np.arange(len(whole.faces)), gone)
    if seed % 3 == 1:
        # Turned over instead of taken away.
        faces = whole.faces.copy()
        faces[gone] = faces[gone][:, ::-1]
        torn = Mesh(whole.vertices, faces, whole.tag)
    elif seed % 3 == 2:
        torn = Mesh.of(whole.vertices, np.concatenate([whole.faces, whole.faces[gone]]))
    else:
        torn = Mesh(whole.vertices, whole.faces[kept], whole.tag[kept])
    found = section(torn, frame)
    cut_faces = [
        intact.crossing.cut[intact.crossing.segment_cut[np.concatenate(r.segments)]]
        for r in intact.regions
    ]
    spoiled = [bool(np.isin(faces, gone).any()) for faces in cut_faces]
    sound = [r.area for r, bad_one in zip(intact.regions, spoiled, strict=True) if not bad_one]
    assert [r.area for r in found.regions] == pytest.approx(sound, rel=1e-12)
    assert bool(found.broken) == any(spoiled)
    old = Flaws.of(torn)
    for region, is_spoiled in zip(intact.regions, spoiled, strict=True):
        at = tuple(frame.to_world(region.inner_point))
        seam = Seam(1, "s", (0.0, 0.0, 0.7), tuple(frame.normal), Reach("nearest", (at,)))
        try:
            pieces = take_apart(torn, (seam,))
        except BadInput as error:
            # A ring needs both its regions; else only a broken outline is a reason.
            tied = "in one solid" in str(error)
            assert tied or (is_spoiled and "the section" in str(error)), str(error)
            continue
        assert not is_spoiled
        for piece in pieces:
            assert not any(Flaws.of(piece.mesh).beyond(old).counts)
