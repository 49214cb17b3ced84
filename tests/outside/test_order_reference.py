"""Sweeps and orders against manifold3d's bodies and against theorems on what can be moved."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from seamwright.blocking import Scene, partition
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.mesh import Mesh, joined
from seamwright.order import order
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile
from seamwright.seam import Seam
from seamwright.shapes import box, moved, sphere
from seamwright.sizing import joints
from seamwright.sweep import PLAY, sweeps

FAR = 500.0
"""mm: beyond everything here."""


def body(mesh: Mesh) -> manifold3d.Manifold:
    whole = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64))
    )
    assert whole.status() == manifold3d.Error.NoError
    return whole


def hull(points: np.ndarray) -> Mesh:
    out = manifold3d.Manifold.hull_points(np.ascontiguousarray(points)).to_mesh64()
    return Mesh.of(out.vert_properties[:, :3], np.asarray(out.tri_verts, dtype=np.int32))


def unit(rng: np.random.Generator) -> np.ndarray:
    way = rng.normal(size=3)
    return way / np.linalg.norm(way)


# --- one sweep ------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), limited=st.booleans())
def test_the_sweep_of_a_convex_body_is_the_hull_of_its_ends(seed, limited):
    # A convex body sweeps just the hull of where it begins and where it ends: what Manifold
    # finds in common with another body decides, but where the two graze.
    rng = np.random.default_rng(seed)
    a = hull(rng.normal(size=(30, 3)) * rng.uniform(3, 15, 3))
    other = body(hull(rng.normal(size=(30, 3)) * rng.uniform(3, 15, 3)))
    notch = body(hull(rng.normal(size=(12, 3)) * 8 + rng.normal(size=3) * 6))
    way = unit(rng)
    b = other.translate((25 * way + rng.normal(size=3) * 12).tolist()) - notch
    if b.is_empty() or not (body(a) ^ b).is_empty():
        return
    out = b.to_mesh64()
    mesh = Mesh.of(out.vert_properties[:, :3], np.asarray(out.tri_verts, dtype=np.int32))
    travel = float(rng.uniform(5, 30)) if limited else FAR
    swept = hull(np.concatenate([a.vertices, a.vertices + travel * way]))
    common = (body(swept) ^ b).volume()
    # A film as wide as the play to both sides, along a whole side of the body, is let by.
    film = 2 * PLAY * 30 * 30
    got = sweeps([a, mesh], np.zeros((0, 3))).blocked(a, mesh, way, travel if limited else np.inf)
    if common == 0:
        assert not got
    if common > film:
        assert got


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_blocking_is_the_same_seen_from_the_other(seed):
    # p runs into q along d just when q runs into p along -d.
    rng = np.random.default_rng(seed)
    a = hull(rng.normal(size=(20, 3)) * 10)
    b = moved(hull(rng.normal(size=(20, 3)) * 10), tuple((unit(rng) * 45).tolist()))
    way = unit(rng)
    swept = sweeps([a, b], np.zeros((0, 3)))
    assert swept.blocked(a, b, way) == swept.blocked(b, a, -way)
    # Planes between them only spare work.
    quick = sweeps([a, b], np.array([unit(rng) for _ in range(20)]))
    assert swept.blocked(a, b, way) == quick.blocked(a, b, way)


@pytest.mark.parametrize("turn", [(0, 0, 1.0), (0.3, -0.5, 0.8), (1.0, 1.0, 1.0)])
@pytest.mark.parametrize(("gap", "goes"), [(-3 * PLAY, False), (-1.0 * PLAY, True), (0.01, True)])
def test_a_round_bar_through_a_round_hole(turn, gap, goes):
    # A bar with a collar goes through a hole of the collar's radius, and of a little less.
    collar = manifold3d.Manifold.cylinder(5, 10, 10, 256)
    bar = manifold3d.Manifold.cylinder(60, 6, 6, 256) + collar
    plate = manifold3d.Manifold.cube((60, 60, 8), True).translate((0, 0, 30))
    plate -= manifold3d.Manifold.cylinder(60, 10 + gap, 10 + gap, 256)
    axis = np.array(turn) / np.linalg.norm(turn)
    across = np.cross(axis, [1.0, 0.2, 0.1])
    across /= np.linalg.norm(across)
    frame = np.stack([across, np.cross(axis, across), axis], axis=1)
    meshes = []
    for part in (bar, plate):
        out = part.transform(np.hstack([frame, [[5.0], [6.0], [7.0]]])).to_mesh64()
        meshes.append(
            Mesh.of(out.vert_properties[:, :3], np.asarray(out.tri_verts, dtype=np.int32))
        )
    swept = sweeps(meshes, np.zeros((0, 3)))
    assert swept.blocked(*meshes, axis) != goes
    # Up to the plate it goes in any case.
    assert not swept.blocked(*meshes, axis, 20.0)
    assert not swept.blocked(*meshes, -axis)


def test_the_density_of_a_mesh_makes_no_difference():
    # Faces much smaller than the play must not let a body through, nor large ones hold it.
    for sides in (16, 64, 700):
        ball, plate = sphere(1.5, sides), box(4, 4, 1, (1.2, -2, 3))
        swept = sweeps([ball, plate], np.zeros((0, 3)))
        assert swept.blocked(ball, plate, np.array([0, 0, 1.0]))
        apart = moved(plate, (0.4, 0, 0))
        assert not swept.blocked(ball, apart, np.array([0, 0, 1.0]))


def test_a_crack_between_two_bodies_lets_nothing_through():
    # Each by itself is narrower than the play lets by; side by side they are not.
    width = 1.8 * PLAY
    slats = [box(width, 10, 1, (k * (width + 1e-6), -5, 9)) for k in range(2)]
    ball, up = sphere(5, 24), np.array([0, 0, 1.0])
    for both in (slats[:1], slats):
        assert sweeps([ball, *both], np.zeros((0, 3))).blocked(ball, joined(both), up) == (
            len(both) == 2
        )


# --- theorems -------------------------------------------------------------------------------


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_balls_come_off_one_by_one_along_any_direction(seed):
    # Dawson, "On removing a ball without disturbing the others", Mathematics Magazine 57, 1984:
    # along a direction a ball is only blocked by balls whose centres are farther on.
    rng = np.random.default_rng(seed)
    centres = rng.uniform(-40, 40, (60, 3))
    kept: list[np.ndarray] = []
    for c in centres:
        if all(np.linalg.norm(c - k) > 16.5 for k in kept):
            kept.append(c)
    balls = [moved(sphere(8, 12), tuple(c.tolist())) for c in kept]
    way = unit(rng)
    swept = sweeps(balls, np.zeros((0, 3)))
    along = np.array(kept) @ way
    clear = sweeps(balls, np.array([unit(rng) for _ in range(9)])).parted(balls, way)
    assert clear.any() and not clear.all()
    for i, a in enumerate(balls):
        for j, b in enumerate(balls):
            if i == j:
                continue
            off = np.array(kept[j]) - kept[i]
            beside = np.linalg.norm(off - (off @ way) * way)
            got = swept.blocked(a, b, way)
            assert not (got and clear[i, j])
            if along[j] < along[i] or beside > 16:
                assert not got
            # A ball of 12 sides has its faces at least 7.4 mm from its middle.
            elif beside < 14.5:
                assert got


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_boxes_of_a_dissection_come_off_along_any_axis(seed):
    # Boxes along the axes, apart or touching, are ordered along an axis by their lower faces
    # (Guibas & Yao, "On translating a set of rectangles", STOC 1980, one dimension higher).
    rng = np.random.default_rng(seed)
    boxes = [(np.zeros(3), np.array([60.0, 50, 40]))]
    for _ in range(7):
        low, high = boxes.pop(int(rng.integers(len(boxes))))
        axis = int(np.argmax(high - low))
        cut = low[axis] + rng.uniform(0.3, 0.7) * (high - low)[axis]
        first, second = high.copy(), low.copy()
        first[axis] = second[axis] = cut
        boxes += [(low, first), (second, high)]
    meshes = {n: box(*(high - low), tuple(low.tolist())) for n, (low, high) in enumerate(boxes, 1)}
    swept = sweeps(list(meshes.values()), np.zeros((0, 3)))
    for way in (*np.eye(3), *-np.eye(3)):
        axis = int(np.argmax(np.abs(way)))
        for p, (low, high) in enumerate(boxes, 1):
            for q, (low2, high2) in enumerate(boxes, 1):
                if p == q:
                    continue
                shadow = np.delete(np.minimum(high, high2) - np.maximum(low, low2), axis)
                ahead = (low2[axis] >= high[axis]) if way[axis] > 0 else (high2[axis] <= low[axis])
                expected = bool((shadow > 3 * PLAY).all() and ahead)
                if (shadow > 3 * PLAY).all() or (shadow <= 0).any() or not ahead:
                    assert swept.blocked(meshes[p], meshes[q], way + 0.0) == expected
    everything = frozenset(meshes)
    while len(everything) > 1:
        cut = partition(Scene(meshes, (), swept), everything)
        assert cut is not None and len(cut.moving) == 1
        everything = cut.rest


# --- whole orders ---------------------------------------------------------------------------


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_no_step_of_an_order_passes_through_anything(seed):
    rng = np.random.default_rng(seed)
    figure = sphere(70, 32) if seed % 2 else moved(box(120, 100, 110), (-60, -50, -55))
    seams = tuple(
        Seam(n, f"seam {n}", tuple(rng.uniform(-25, 25, 3).tolist()), tuple(unit(rng).tolist()))
        for n in range(1, 4)
    )
    blanks = take_apart(figure, seams)
    found = joints(blanks, interfaces(blanks, seams), PrinterProfile())
    pieces = jointed(blanks, found)
    got = order(pieces, found, blanks)
    assert got.is_whole, got.sentences
    bodies = {p.id: body(p.mesh) for p in pieces}
    for step in got.steps:
        rest = manifold3d.Manifold.batch_boolean(
            [bodies[p] for p in step.onto], manifold3d.OpType.Add
        )
        for before in (0.2, 1.0, 2.5, 6.0, 15.0, 40.0, 90.0, 200.0):
            for p in step.moving:
                at = bodies[p].translate(step.offset(before).tolist())
                # At most a film of the play along the rims.
                assert (at ^ rest).volume() < 1.0, step.sentence


def test_an_interlocked_pair_is_the_same_to_manifold():
    # Two links of a chain: convex hulls meet, bodies do not, and no slide parts them.
    ring = manifold3d.CrossSection.circle(5, 24).translate((20, 0)).revolve(48)
    link = ring.rotate((90, 0, 0)).translate((20, 0, 0))
    assert (ring ^ link).is_empty()
    meshes = []
    for part in (ring, link):
        out = part.to_mesh64()
        meshes.append(
            Mesh.of(out.vert_properties[:, :3], np.asarray(out.tri_verts, dtype=np.int32))
        )
    assert len(ConvexHull(meshes[0].vertices).vertices) > 10
    rng = np.random.default_rng(1)
    swept = sweeps(meshes, np.zeros((0, 3)))
    for way in (unit(rng) for _ in range(60)):
        assert swept.blocked(*meshes, way)
    pieces = tuple(Piece(n, m) for n, m in enumerate(meshes, 1))
    assert "is caged by piece" in order(pieces, ()).fights[0].sentence
