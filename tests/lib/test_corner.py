"""corner.py against a search over every place and angle, and against its own bounds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from seamwright.circle import smallest_circle, smallest_circles
from seamwright.corner import _Flat, _overruns, free_rectangles, placed, turned
from seamwright.platform import Platform


def about(points: np.ndarray, angle: float) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def relaxed(platform: Platform, slack: float) -> Platform:
    """The platform larger by `slack` every way, about its middle, its corners smaller all round."""
    x, y, z = platform.size
    rows = [
        tuple(np.array(c) + slack / 2 + slack * np.array([1, 1, -1, -1]))
        for c in platform.excluded
        if min(c[2] - c[0], c[3] - c[1]) > 2 * slack
    ]
    return Platform((x + slack, y + slack, z), platform.round, tuple(rows))


def case(seed: int) -> tuple[np.ndarray, Platform]:
    """Points and a platform with one or two excluded corners, mostly near the limit."""
    rng = np.random.default_rng(seed)
    is_round = seed % 3 == 2
    x, y = 100.0, 100.0 if is_round else rng.uniform(60, 140)
    corners = []
    for k in range(1 if is_round else 1 + seed % 2):
        w, h = rng.uniform(15, 55, 2)
        side = (seed + k) % 4
        x0, y0 = (side % 2) * (x - w), (side // 2) * (y - h)
        if rng.random() < 0.3:
            x0, y0 = rng.uniform(0, x - w), rng.uniform(0, y - h)
        corners.append((x0, y0, x0 + w, y0 + h))
    points = rng.normal(size=(rng.integers(3, 12), 2)) * rng.uniform(10, 40, 2)
    points *= rng.uniform(0.5, 1.2) * min(x, y) / np.ptp(points, axis=0).max()
    return points, Platform((x, y, 50.0), is_round, tuple(corners))


def somewhere(points: np.ndarray, platform: Platform) -> bool:
    """Whether any of many angles and places holds the points."""
    hull = points[ConvexHull(points).vertices]
    for angle in np.linspace(-np.pi, np.pi, 37)[:-1]:
        outline = about(hull, angle)
        low, high = -outline.min(axis=0), np.array(platform.size[:2]) - outline.max(axis=0)
        if (high < low).any():
            continue
        xs, ys = np.linspace(low[0], high[0], 9), np.linspace(low[1], high[1], 9)
        if any(platform.holds(outline + np.array([x, y])) for x in xs for y in ys):
            return True
    return False


@pytest.mark.parametrize("seed", range(36))
def test_a_turn_is_found_wherever_there_is_one(seed: int) -> None:
    points, platform = case(seed)
    found = turned(points, platform)
    hull = points[ConvexHull(points).vertices]
    if found.offset is not None:
        assert found.overrun == 0.0
        at = about(hull, found.angle) + found.offset
        assert relaxed(platform, 3e-6).holds(at + 1.5e-6)
        return
    assert found.proved
    assert not somewhere(points, platform)
    # With what it misses by, but not with less, it goes at the angle told.
    at = about(points, found.angle)
    offset = placed(at, platform, found.overrun + 1e-6)
    assert offset is not None
    wider = found.overrun + 3e-6
    assert relaxed(platform, wider).holds(about(hull, found.angle) + offset + wider / 2)
    assert placed(at, platform, found.overrun - 1e-4) is None


def test_the_cases_are_of_all_kinds() -> None:
    kinds = set()
    for seed in range(36):
        points, platform = case(seed)
        found = turned(points, platform).offset is not None
        kinds.add((platform.round, len(platform.excluded), found))
    assert len(kinds) == 6


@pytest.mark.parametrize("seed", range(12))
def test_the_bound_of_one_angle_is_never_too_much(seed: int) -> None:
    points, platform = case(seed)
    flat = _Flat.of(points)
    for angle in np.linspace(-3.0, 3.0, 9):
        bound = float(_overruns(flat, np.array([angle]), platform)[0])
        if bound > 1e-4:
            assert placed(flat.at(angle), platform, bound - 1e-4) is None
        if not platform.round and len(platform.excluded) == 1:
            assert placed(flat.at(angle), platform, max(bound, 0.0) + 1e-5) is not None


def test_three_bars_leave_one_way_through() -> None:
    # A strip 10 mm wide between two bars, reached by no corner of the platform.
    bars = ((0.0, 0.0, 45.0, 100.0), (55.0, 0.0, 100.0, 100.0))
    rod = np.array([[-1.0, -45.0], [1.0, -45.0], [1.0, 45.0], [-1.0, 45.0]])
    between = turned(about(rod, 1.0), Platform((100.0, 100.0, 1.0), excluded=bars))
    assert between.offset is not None
    crossed = (*bars, (0.0, 40.0, 100.0, 60.0))
    assert turned(rod, Platform((100.0, 100.0, 1.0), excluded=crossed)).offset is None


def test_free_rectangles_are_the_largest_there_are() -> None:
    plain = Platform((100.0, 80.0, 1.0), excluded=((0.0, 0.0, 30.0, 20.0),))
    rows = [tuple(r.tolist()) for r in free_rectangles(plain)]
    assert rows == [(0.0, 20.0, 100.0, 80.0), (30.0, 0.0, 100.0, 80.0)]
    assert [tuple(r) for r in free_rectangles(Platform((9.0, 8.0, 1.0)))] == [(0, 0, 9, 8)]


# ------------------------------------------------------------------ circles


def test_circles_of_many_sets_at_once_are_those_of_each() -> None:
    rng = np.random.default_rng(4)
    sets = rng.normal(size=(200, 17, 2)) * rng.uniform(0.1, 80.0, size=(200, 1, 2))
    sets[::5] = np.rint(sets[::5])
    centres, radii = smallest_circles(sets)
    for points, centre, radius in zip(sets, centres, radii, strict=True):
        one, alone = smallest_circle(points)
        assert np.allclose(one, centre) and alone == pytest.approx(radius)
        away = np.linalg.norm(points - centre, axis=1)
        assert away.max() <= radius * (1 + 1e-9)
        # What it rests on is not all on one side of the middle: else it could be smaller.
        rests = points[away > radius * (1 - 1e-9)] - centre
        angle = np.sort(np.arctan2(rests[:, 1], rests[:, 0]))
        gaps = np.diff(np.append(angle, angle[0] + 2 * np.pi))
        assert len(rests) >= 2 and gaps.max() <= np.pi + 1e-6


@pytest.mark.parametrize("points", [[[3.0, 4.0]], [[3.0, 4.0]] * 5])
def test_the_circle_round_one_place_is_that_place(points: list) -> None:
    centre, radius = smallest_circle(np.array(points))
    assert centre.tolist() == [3.0, 4.0] and radius == 0.0
