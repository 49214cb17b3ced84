"""Sections and pieces against trimesh, shapely and Manifold on figures of many kinds."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from seamwright.frame import Frame
from seamwright.mesh import Mesh, joined
from seamwright.pieces import take_apart
from seamwright.seam import Seam
from seamwright.section import section
from seamwright.shapes import moved, torus


def of(mesh: trimesh.Trimesh) -> Mesh:
    return Mesh.of(mesh.vertices, mesh.faces)


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))


def lump(seed: int) -> Mesh:
    """A ball with five dents and bumps."""
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(subdivisions=4)
    reach = np.ones(len(ball.vertices))
    for _ in range(5):
        way = rng.normal(size=3)
        way /= np.linalg.norm(way)
        reach += rng.uniform(-0.4, 0.5) * np.exp(-5 * (1 - ball.vertices @ way))
    return Mesh.of(50 * ball.vertices * reach[:, None], ball.faces)


def dumpling() -> Mesh:
    """Two hundred fine facets of a union, with the needles that booleans leave."""
    a = manifold3d.Manifold.sphere(30, 60)
    b = manifold3d.Manifold.cylinder(90, 12, 7, 40, True).rotate([70, 20, 0])
    c = manifold3d.Manifold.cube([50, 14, 20], True).translate([18, 4, -9]).rotate([10, 30, 50])
    out = (a + b + c - manifold3d.Manifold.sphere(12, 40).translate([9, -22, 8])).to_mesh64()
    return Mesh.of(out.vert_properties[:, :3].copy(), out.tri_verts.astype(np.int32))


def hollow() -> Mesh:
    return joined([lump(3), of(trimesh.creation.icosphere(subdivisions=3, radius=18)).flipped()])


FIGURES = {
    "lump": lump(1),
    "other lump": lump(2),
    "dumpling": dumpling(),
    "hollow": hollow(),
    "ring": torus(40, 13, 60, 30),
    "chain": joined([torus(40, 9, 60, 30), moved(torus(40, 9, 50, 24), (60, 0, 30))]),
    "bolt": of(trimesh.creation.annulus(r_min=11, r_max=30, height=80, sections=50)),
    "capsule": of(trimesh.creation.capsule(height=60, radius=20)),
}
PLANES = [
    ((1.234, -2.345, 3.456), (0.0, 0.0, 1.0)),
    ((4.1, 0.7, -6.3), (1.0, 0.0, 0.0)),
    ((-3.3, 5.2, 2.1), (0.3, -0.5, 0.8)),
    ((7.7, 1.9, -2.2), (-0.9, 0.4, 0.1)),
]


def reference(mesh: Mesh, frame: Frame) -> list[shapely.Polygon]:
    """The section as shapely polygons, by trimesh, largest first."""
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    path = other.section(plane_normal=frame.normal, plane_origin=frame.origin)
    flat, _ = path.to_2D()
    return sorted(flat.polygons_full, key=lambda p: -p.area)


@pytest.mark.parametrize("plane", range(len(PLANES)))
@pytest.mark.parametrize("name", FIGURES)
def test_regions_are_those_of_trimesh(name, plane):
    frame = Frame.on_plane(*PLANES[plane])
    found = section(FIGURES[name], frame)
    expected = reference(FIGURES[name], frame)
    assert len(found.regions) == len(expected) and len(found.gaps) == 0
    for region, polygon in zip(found.regions, expected, strict=True):
        assert region.area == pytest.approx(polygon.area, rel=1e-6)
        assert region.perimeter == pytest.approx(polygon.length, rel=1e-6)
        assert len(region.holes) == len(polygon.interiors)


@pytest.mark.parametrize("name", FIGURES)
def test_region_measures_are_those_of_shapely(name):
    for region in section(FIGURES[name], Frame.on_plane(*PLANES[2])).regions:
        polygon = shapely.Polygon(region.outline, region.holes)
        assert polygon.is_valid and polygon.exterior.is_ccw
        assert region.area == pytest.approx(polygon.area, rel=1e-12)
        np.testing.assert_allclose(region.centroid, polygon.centroid.coords[0], atol=1e-9)
        low, high = region.outline.min(axis=0) - 5, region.outline.max(axis=0) + 5
        points = np.random.default_rng(8).uniform(low, high, (300, 2))
        at = shapely.points(points)
        np.testing.assert_array_equal(region.contains(points), shapely.contains(polygon, at))
        np.testing.assert_allclose(
            region.distance(points), shapely.distance(polygon, at), atol=1e-9
        )
        edge = shapely.distance(polygon.boundary, at)
        np.testing.assert_allclose(region.edge_distance(points), edge, atol=1e-9)


@pytest.mark.parametrize("plane", range(len(PLANES)))
@pytest.mark.parametrize("name", FIGURES)
def test_pieces_are_those_of_manifold_and_trimesh(name, plane):
    figure = FIGURES[name]
    point, normal = PLANES[plane]
    seam = Seam(1, "cut", point, normal)
    pieces = take_apart(figure, (seam,))
    frame = seam.frame
    sides = [float(frame.heights(p.mesh.vertices).mean()) > 0 for p in pieces]
    above = sum(p.mesh.volume for p, up in zip(pieces, sides, strict=True) if up)

    positive, negative = solid(figure).split_by_plane(
        tuple(frame.normal), float(frame.normal @ frame.origin)
    )
    assert above == pytest.approx(positive.volume(), rel=1e-6)
    assert figure.volume - above == pytest.approx(negative.volume(), rel=1e-6)
    for up, half in ((True, positive), (False, negative)):
        # Manifold's decomposition parts cavities from what is around them: count outer shells.
        parts = [d for d in half.decompose() if d.volume() > 0]
        assert sides.count(up) == len(parts)

    other = trimesh.Trimesh(figure.vertices, figure.faces, process=False)
    capped = other.slice_plane(frame.origin, frame.normal, cap=True)
    assert capped.is_watertight
    assert above == pytest.approx(capped.volume, rel=1e-6)

    for piece in pieces:
        assert solid(piece.mesh).status() == manifold3d.Error.NoError
        checked = trimesh.Trimesh(piece.mesh.vertices, piece.mesh.faces, process=False)
        assert checked.is_watertight and checked.is_winding_consistent
        assert piece.mesh.volume == pytest.approx(checked.volume, rel=1e-9)


@pytest.mark.parametrize("name", ["lump", "dumpling", "hollow", "ring", "bolt"])
def test_three_seams_make_what_manifold_makes(name):
    figure = FIGURES[name]
    seams = tuple(Seam(k, f"s{k}", *PLANES[k]) for k in (1, 2, 3))
    pieces = take_apart(figure, seams)
    cells = [solid(figure)]
    for seam in seams:
        normal = seam.frame.normal
        offset = float(normal @ seam.frame.origin)
        cells = [half for c in cells for half in c.split_by_plane(tuple(normal), offset)]
    expected = sorted(d.volume() for c in cells for d in c.decompose() if d.volume() > 0)
    found = sorted(p.mesh.volume for p in pieces)
    # A cavity left whole comes out of the decomposition on its own, as a solid of no account.
    bubbles = [d.volume() for c in cells for d in c.decompose() if d.volume() < 0]
    assert sum(found) == pytest.approx(sum(expected) + sum(bubbles), rel=1e-6)
    if not bubbles:
        assert found == pytest.approx(expected, rel=1e-5, abs=1e-6)
    for piece in pieces:
        assert piece.mesh.is_closed
        assert solid(piece.mesh).status() == manifold3d.Error.NoError


@pytest.mark.parametrize("name", ["lump", "dumpling", "ring"])
def test_pieces_put_together_are_the_figure(name):
    seams = tuple(Seam(k + 1, f"s{k}", *PLANES[k]) for k in (0, 2))
    pieces = take_apart(FIGURES[name], seams)
    whole = manifold3d.Manifold.batch_boolean(
        [solid(p.mesh) for p in pieces], manifold3d.OpType.Add
    )
    figure = solid(FIGURES[name])
    assert whole.volume() == pytest.approx(figure.volume(), rel=1e-6)
    assert (figure - whole).volume() <= 1e-6 * figure.volume()
    for k, a in enumerate(pieces):
        for b in pieces[:k]:
            assert (solid(a.mesh) ^ solid(b.mesh)).volume() <= 1e-6 * figure.volume()
