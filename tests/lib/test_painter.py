"""The painter of the assembly book's pictures, and the callouts over them."""

from __future__ import annotations

import re
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, Delaunay

import seamwright.painter
from seamwright.callout import Callout, callouts
from seamwright.mesh import Mesh
from seamwright.painter import FINER, VIEWS, Painter, composed, drawn, painted, smooth_normals
from seamwright.shapes import box, sphere

FRONT = VIEWS[0]


def sprite_of(mesh: Mesh, size: float):
    painter = Painter({1: mesh})
    low, high = painter.box(1, FRONT) / size
    window = (*np.floor(low).astype(int).tolist(), *(np.ceil(high).astype(int) + 1).tolist())
    return painted(mesh, smooth_normals(mesh), FRONT, size, window)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_sample_within_a_mesh_is_in_just_one_of_its_triangles(seed: int) -> None:
    rng = np.random.default_rng(seed)
    # Some corners exactly on samples and on rows of them.
    points = np.round(rng.uniform(0, 40, (60, 2)) * 4) / 4 + rng.choice([0, 0.1], (60, 1))
    faces = Delaunay(points).simplices
    corners = np.concatenate([points, np.zeros((60, 1))], axis=1)[faces]
    where, _, _ = seamwright.painter._samples(corners, 41, 41)
    assert len(np.unique(where)) == len(where)
    inside = np.zeros(41 * 41, dtype=bool)
    inside[where] = True
    row, column = np.divmod(np.arange(41 * 41), 41)
    hull = ConvexHull(points).equations
    out = np.max(hull[:, :2] @ [column + 0.5, row + 0.5] + hull[:, 2:], axis=0)
    assert inside[out < -1e-6].all() and not inside[out > 1e-6].any()


def test_a_sphere_is_painted_as_deep_as_it_is_and_brightest_to_the_light() -> None:
    size = 0.5
    sprite = sprite_of(sphere(50, 128), size)
    high, wide = sprite.depth.shape
    row, column = np.mgrid[:high, :wide] + 0.5
    x, y = (column + sprite.left) * size, -(row + sprite.top) * size
    far = np.hypot(x, y)
    there = np.isfinite(sprite.depth)
    assert there[far < 49.8].all() and not there[far > 50.1].any()
    mid = far < 40
    assert sprite.depth[mid] == pytest.approx(np.sqrt(2500 - far[mid] ** 2), abs=0.1)
    best = np.unravel_index(int(sprite.light.argmax()), sprite.light.shape)
    assert x[best] < -10 and y[best] > 10


def test_nearer_layers_hide_farther_ones_and_lines_go_round_them() -> None:
    painter = Painter({1: box(40, 40, 40), 2: box(10, 10, 10, (15.0, -60.0, 15.0))})
    window = (-150, -150, 150, 150)
    home = np.zeros(3)
    layers = [painter.layer(n, FRONT, 0.5, home, window) for n in (1, 2)]
    canvas, other = composed(layers, window), composed(layers[::-1], window)
    assert (canvas.number == other.number).all() and (canvas.number == 2).sum() > 300
    away = painter.layer(2, FRONT, 0.5, np.array([0.0, 300.0, 0.0]), window)
    hidden = composed([layers[0], away], window)
    assert (hidden.number == 1).sum() >= (canvas.number == 1).sum()
    shown = drawn(canvas, {1: 0, 2: 1}, 128, 0.5)
    # The darkest face is brighter than that.
    rim = shown[(shown % 128) < 40]
    assert len(rim) > 60 and {0, 1} == set(np.unique(rim // 128).tolist())


def test_a_moved_piece_looks_the_same_elsewhere() -> None:
    painter, window = Painter({1: sphere(30, 48)}), (-200, -200, 200, 200)
    home = composed([painter.layer(1, FRONT, 0.5, np.zeros(3), window)], window)
    # 20 samples to the right and 8 up.
    move = 10.0 * FRONT.axes[0] + 4.0 * FRONT.axes[1]
    away = composed([painter.layer(1, FRONT, 0.5, move, window)], window)
    assert (np.roll(home.light, (-8, 20), axis=(0, 1)) == away.light).all()
    assert len(painter._sprites) == 1


def test_a_sprite_too_large_to_keep_is_painted_where_it_is_seen(monkeypatch) -> None:
    window = (-80, -40, 30, 50)
    kept, clipped = Painter({1: sphere(30, 48)}), Painter({1: sphere(30, 48)})
    one = composed([kept.layer(1, FRONT, 0.5, np.zeros(3), window)], window)
    monkeypatch.setattr(seamwright.painter, "MOST", 100)
    other = composed([clipped.layer(1, FRONT, 0.5, np.zeros(3), window)], window)
    assert not clipped._sprites and len(kept._sprites) == 1
    assert (one.number != other.number).mean() < 1e-3
    assert np.abs(one.light.astype(int) - other.light).max() <= 1


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(60, 540), st.integers(60, 540)), min_size=1, max_size=12))
def test_callouts_do_not_cover_each_other(places: list[tuple[int, int]]) -> None:
    wanted = [Callout(str(n), np.array(p, dtype=float), 30.0) for n, p in enumerate(places)]
    svg = callouts(wanted, [(0, 0, 50, 50)], (600, 600), lambda _box: 0.0)
    rects = [
        tuple(map(float, r))
        for r in re.findall(
            r'<rect x="([-\d.]+)" y="([-\d.]+)" width="([-\d.]+)" height="([-\d.]+)"', svg
        )
    ]
    assert len(rects) == len(places)
    for n, (x, y, w, h) in enumerate(rects):
        assert x >= 0 and y >= 0 and x + w <= 600 and y + h <= 600
        for u, v, p, q in rects[:n]:
            assert x >= u + p or u >= x + w or y >= v + q or v >= y + h


def test_a_large_mesh_is_painted_quickly() -> None:
    mesh = sphere(400, 400)
    assert len(mesh.faces) > 150_000
    start = time.process_time()
    sprite = sprite_of(mesh, 1.0 / FINER)
    assert sprite.depth.size > 2e6
    # Half a second on a slow machine; one at a time would take minutes.
    assert time.process_time() - start < 6
