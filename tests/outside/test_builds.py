"""Builds against published packings, packings known by construction, and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon
from shapely.ops import unary_union

from seamwright.build_files import Posed, write_build
from seamwright.builds import Item, Printer, item_of
from seamwright.fewest import fewest
from seamwright.mesh import Mesh
from seamwright.packing import pack
from seamwright.platform import Platform
from seamwright.silhouette import Loops, area, box, distance, moved, overlap, silhouette, turned

SIDE = 250.0
BED = Platform((SIDE, SIDE, 250.0))
PRINTERS = [Printer("a", BED)]


def rectangle(x: float, y: float) -> Loops:
    return (np.array([[0.0, 0.0], [x, 0.0], [x, y], [0.0, y]]),)


def disc(radius: float) -> Loops:
    a = np.arange(180) * np.pi / 90
    return (radius * np.stack([np.cos(a), np.sin(a)], axis=1),)


def items_of(outlines: list[Loops]) -> list[Item]:
    return [Item(k, f"p{k}", o, 50.0, needed=k) for k, o in enumerate(outlines, start=1)]


def polygon(loops: Loops) -> shapely.Geometry:
    made = Polygon()
    for loop in loops:
        made = made.symmetric_difference(Polygon(loop))
    return made


def star(seed: int, radius: float) -> Loops:
    """A jagged silhouette with deep bays."""
    chance = np.random.default_rng(seed)
    angle = np.arange(40) * 2 * np.pi / 40
    far = radius * chance.uniform(0.35, 1.0, 40)
    return (np.stack([far * np.cos(angle), far * np.sin(angle)], axis=1),)


# --- against shapely ---------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_gaps_and_platform_by_shapely(seed):
    chance = np.random.default_rng(seed)
    platform = Platform((SIDE, SIDE, 250.0), excluded=((0.0, 0.0, 40.0, 60.0),))
    usable = shapely.box(0, 0, SIDE, SIDE).difference(shapely.box(0, 0, 40, 60))
    items = items_of([star(100 * seed + k, chance.uniform(25, 80)) for k in range(12)])
    gap = (0.0, 3.0, 8.0)[seed]
    packing = pack(items, [Printer("a", platform)], gap=gap, effort=2_000)
    for build in packing.builds:
        there = [polygon(p.outline(items[p.item - 1])) for p in build.placed]
        for k, one in enumerate(there):
            assert usable.buffer(1e-6).covers(one)
            for other in there[:k]:
                assert one.distance(other) >= gap - 1e-6
                assert one.intersection(other).area < 1e-6


@pytest.mark.parametrize("seed", range(4))
def test_distance_and_overlap_by_shapely(seed):
    one = star(seed, 40)
    for k in range(12):
        other = moved(turned(star(seed + 50, 30), 30.0 * k), np.array([5.0 * k, 3.0 * k]))
        a, b = polygon(one), polygon(other)
        assert distance(one, other) == pytest.approx(a.distance(b), abs=1e-6)
        assert overlap(one, other) == pytest.approx(a.intersection(b).area, abs=1e-4)


@pytest.mark.parametrize("shape", ["torus", "knot", "capsule"])
def test_silhouette_is_the_union_of_all_projected_triangles(shape):
    made = {
        "torus": lambda: trimesh.creation.torus(30, 9, 24, 16),
        "knot": lambda: trimesh.util.concatenate(
            [trimesh.creation.torus(20, 6, 24, 12),
             trimesh.creation.torus(20, 6, 24, 12, transform=trimesh.transformations.
                                    rotation_matrix(1.2, [1, 0, 0], [9, 0, 0]))]),
        "capsule": lambda: trimesh.creation.capsule(50, 8),
    }[shape]()  # fmt: skip
    turn = trimesh.transformations.random_rotation_matrix(np.array([0.3, 0.8, 0.5]))[:3, :3]
    vertices, faces = np.asarray(made.vertices), np.asarray(made.faces, dtype=np.int32)
    loops = silhouette(vertices, faces, turn)
    flat = (vertices @ turn.T)[:, :2]
    triangles = [Polygon(flat[f]) for f in faces if Polygon(flat[f]).area > 1e-9]
    reference = unary_union([t.buffer(1e-7) for t in triangles])
    assert area(loops) == pytest.approx(reference.area, rel=1e-4)
    assert polygon(loops).symmetric_difference(reference).area < 1e-4 * reference.area
    assert len(loops) == 1 + sum(Polygon(h).area > 1 for h in reference.interiors)


# --- published packings ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "share"),
    # Largest equal circles in a unit square; H. T. Croft, K. J. Falconer, R. K. Guy,
    # "Unsolved Problems in Geometry" (1991), D1: radii 1 / (2 + sqrt 2), 1/4 and
    # 1 / (2 + 2 sqrt 2) for two, four and five.
    [(2, 1 / (2 + np.sqrt(2))), (4, 0.25), (5, 1 / (2 + 2 * np.sqrt(2)))],
)
def test_circles_in_a_square(count, share):
    under = [disc(0.97 * share * SIDE)] * count
    assert len(pack(items_of(under), PRINTERS, gap=0.0).builds) == 1
    over = [disc(1.002 * share * SIDE / np.cos(np.pi / 180))] * count
    packing = pack(items_of(over), PRINTERS, gap=0.0, effort=4_000)
    assert len(packing.builds) == 2 and packing.lower_bound <= 2


def test_two_circles_that_cannot_share_a_square_are_proven_apart():
    # Beyond 1 / (2 + sqrt 2) of the side, as above; sampled poses take a few mm.
    found = fewest([disc(SIDE / (2 + np.sqrt(2)) + 3.0)] * 7, [[0]] * 7, [BED], 0.0)
    assert found.count == 7


def test_five_squares_in_a_square():
    # F. Göbel, "Geometrical packing and covering problems", in Packing and Covering in
    # Combinatorics (1979) 179: five unit squares go into one of side 2 + 1 / sqrt 2, the middle
    # one at 45 degrees; E. Friedman, "Packing unit squares in squares", Electronic J.
    # Combinatorics, Dynamic Survey 7, has it as the best there can be.
    best = SIDE / (2 + 1 / np.sqrt(2))
    packing = pack(items_of([rectangle(0.97 * best, 0.97 * best)] * 5), PRINTERS, gap=0.0)
    assert len(packing.builds) == 1 and packing.shelves == 2
    assert sum(20 < p.turn % 90 < 70 for p in packing.builds[0].placed) == 1
    over = pack(items_of([rectangle(1.01 * best, 1.01 * best)] * 5), PRINTERS, gap=0.0, effort=500)
    assert len(over.builds) == 2


# --- optimum known by construction -------------------------------------------------------


def cut_apart(chance: np.random.Generator, pieces: int, gap: float) -> list[Loops]:
    """A platform cut from edge to edge again and again, the pieces a little smaller."""
    sheets = [(SIDE + gap, SIDE + gap)]
    while len(sheets) < pieces:
        sheets.sort(key=lambda s: s[0] * s[1])
        x, y = sheets.pop()
        share = chance.uniform(0.3, 0.7)
        sheets += [(x * share, y), (x * (1 - share), y)] if x > y else [
            (x, y * share), (x, y * (1 - share))
        ]  # fmt: skip
    return [rectangle(0.94 * x - gap, 0.94 * y - gap) for x, y in sheets]


@pytest.mark.parametrize(("builds", "pieces", "seed"), [(1, 5, 0), (2, 5, 1), (3, 5, 2), (3, 7, 3)])
def test_platforms_cut_apart_go_together_again(builds, pieces, seed):
    chance = np.random.default_rng(seed)
    outlines = [o for _ in range(builds) for o in cut_apart(chance, pieces, 5.0)]
    outlines = [turned(o, chance.uniform(0, 360)) for o in outlines]
    packing = pack(items_of(outlines), PRINTERS, gap=5.0, effort=30_000)
    assert packing.lower_bound <= builds
    assert len(packing.builds) == builds


def berkey_wang(kind: int, chance: np.random.Generator, count: int) -> list[Loops]:
    """Rectangles by the recipe of J. O. Berkey & P. Y. Wang, "Two-dimensional finite bin packing
    algorithms", J. Operational Research Society 38 (1987) 423, brought to one size of platform:
    sides even in 1..10 in bins of 10 (class I) and of 30 (II), 1..35 of 40 (III), 1..35 of 100
    (IV), 1..100 of 100 (V) and 1..100 of 300 (VI)."""
    most, bins = ((10, 10), (10, 30), (35, 40), (35, 100), (100, 100), (100, 300))[kind]
    sides = chance.integers(1, most + 1, (count, 2)) * SIDE / bins
    return [rectangle(float(x), float(y)) for x, y in np.maximum(sides, 4.0)]


@pytest.mark.parametrize("kind", range(6))
def test_berkey_and_wang_lie_between_bound_and_shelves(kind):
    outlines = berkey_wang(kind, np.random.default_rng(kind), 20)
    packing = pack(items_of(outlines), PRINTERS, gap=0.0, effort=3_000)
    assert packing.lower_bound <= len(packing.builds) <= packing.shelves
    # The continuous bound of S. Martello & D. Vigo, Management Science 44 (1998) 388.
    assert packing.lower_bound >= int(np.ceil(sum(map(area, outlines)) / SIDE**2 - 1e-9))


def test_the_bound_holds_where_pieces_turn_freely():
    # By their boxes, more than half the side both ways, no two of these bars share a platform.
    slanted = [turned(rectangle(190, 20), 40.0)] * 6
    assert (np.ptp(box(slanted[0]), axis=0) > SIDE / 2).all()
    packing = pack(items_of(slanted), PRINTERS, gap=5.0)
    assert packing.lower_bound == len(packing.builds) == 1


# --- files -------------------------------------------------------------------------------


def test_trimesh_reads_a_build_as_it_was_placed(tmp_path):
    capsule = trimesh.creation.capsule(40, 9)
    box_ = trimesh.creation.box((30, 50, 20))
    turn = trimesh.transformations.random_rotation_matrix(np.array([0.1, 0.9, 0.4]))[:3, :3]
    pieces = {
        k: Posed(Mesh.of(m.vertices + 300.0, m.faces), turn, f"piece-{k}")
        for k, m in ((1, capsule), (2, box_))
    }
    items = [item_of(p.mesh, p.rotation, id=k, name=p.name) for k, p in pieces.items()]
    (build,) = pack(items, PRINTERS).builds
    write_build(build, pieces, tmp_path / "build.3mf", title="Build 1 of 1")
    scene = trimesh.load(tmp_path / "build.3mf")
    assert scene.units == "millimeter"
    assert scene.volume == pytest.approx(capsule.volume + box_.volume, rel=1e-5)
    there = {m.volume: m for m in scene.dump()}
    for placed, item, volume in zip(
        build.placed, items, (capsule.volume, box_.volume), strict=True
    ):
        mesh = there[min(there, key=lambda v: abs(v - volume))]
        low, high = box(placed.outline(item))
        assert mesh.bounds[:, :2] == pytest.approx(np.array([low, high]), abs=1e-3)
        assert mesh.bounds[:, 2] == pytest.approx([0.0, item.height], abs=1e-3)
