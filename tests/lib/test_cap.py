"""Caps: triangles that fill a region whatever its outline, and few across it."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright import cap
from seamwright.outline import Region, loop_area


def turn(count: int, radius, centre=(0.0, 0.0), sense: int = 1) -> np.ndarray:
    angle = sense * 2 * np.pi * np.arange(count) / count
    return np.stack([np.cos(angle), np.sin(angle)], 1) * np.reshape(radius, (-1, 1)) + centre


def region(*loops: np.ndarray) -> Region:
    return Region(tuple(loops), tuple(np.arange(len(loop)) for loop in loops))


def comb(teeth: int) -> np.ndarray:
    """A comb with its teeth upwards, with points along all its edges."""
    corners = [(0.0, 0.0), (2.0 * teeth, 0.0)]
    for k in range(teeth, 0, -1):
        corners += [(2.0 * k, 20.0), (2.0 * k - 1, 20.0), (2.0 * k - 1, 1.0), (2.0 * k - 2, 1.0)]
    p = np.array(corners)
    after = np.roll(p, -1, axis=0)
    return np.concatenate(
        [a + np.linspace(0, 1, 20)[:-1, None] * (b - a) for a, b in zip(p, after, strict=True)]
    )


RNG = np.random.default_rng(5)
REGIONS = {
    "triangle": region(turn(3, 5)),
    "disc": region(turn(2000, 50)),
    "star": region(turn(1500, np.tile([20.0, 50.0], 750))),
    "rough": region(turn(3000, 50 + np.cumsum(RNG.normal(size=3000)) * 0.05)),
    "comb": region(comb(14)),
    "ring": region(turn(900, 50), turn(700, 47, sense=-1)),
    "holes": region(
        turn(900, 50),
        *(turn(150, 6, (x, y), -1) for x in (-20, 0, 20) for y in (-18, 3, 25)),
    ),
    "far away": region(turn(800, 50, (1e6, -1e6))),
    "hair": region(np.concatenate([np.linspace((0, 0), (90, 0), 300),
                                   np.linspace((90, 1e-4), (0, 1e-4), 300)])),
}  # fmt: skip


@pytest.mark.parametrize("name", REGIONS)
def test_triangles_fill_the_region(name):
    filled = REGIONS[name]
    points = np.concatenate(filled.loops)
    triangles = cap.triangles(filled)
    # Euler's formula for a disc with holes, every point on its rim.
    assert len(triangles) == len(points) + 2 * len(filled.holes) - 2
    areas = np.array([loop_area(points[t]) for t in triangles])
    size = float(np.ptp(filled.outline, axis=0).max())
    assert areas.min() >= -1e-9 * size**2
    assert areas.sum() == pytest.approx(filled.area, rel=1e-9)
    edges = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    directed = {tuple(e) for e in edges.tolist()}
    assert len(directed) == len(edges)
    starts = np.cumsum([0] + [len(p) for p in filled.loops])
    rim = {
        (a + k, a + (k + 1) % (b - a))
        for a, b in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True)
        for k in range(b - a)
    }
    assert {e for e in directed if e[::-1] not in directed} == rim


@pytest.mark.parametrize("name", ["disc", "rough", "star"])
def test_a_line_across_meets_few_of_the_triangles(name):
    filled = REGIONS[name]
    points = np.concatenate(filled.loops)
    triangles = cap.triangles(filled)
    for way in turn(7, 1.0):
        height = (points @ way)[triangles]
        assert ((height.min(axis=1) < 0) & (height.max(axis=1) > 0)).sum() < len(points) / 3


def test_a_loop_without_area_is_filled_too():
    slit = region(np.array([[0, 0], [1, 0], [3, 0], [2, 0.0]]))
    assert len(cap.triangles(slit)) == 2
