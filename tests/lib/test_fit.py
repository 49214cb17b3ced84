"""fit.py against brute force, its own symmetries and the limits of its input."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from seamwright.box import Box, planar
from seamwright.disc import Disc
from seamwright.errors import BadInput
from seamwright.fit import TOLERANCE, Fit, fit
from seamwright.hull import HULL_LIMIT, outer
from seamwright.platform import Platform
from seamwright.rotation import _stepped

SEEDS = st.integers(0, 2**32 - 1)


def block(*size: float) -> np.ndarray:
    """(8, 3) corners of a box with one corner at the origin."""
    return np.indices((2, 2, 2)).reshape(3, 8).T * np.array(size)


def turned(seed: int) -> np.ndarray:
    return Rotation.random(random_state=seed).as_matrix()


def lump(seed: int, count: int = 24) -> np.ndarray:
    """(count, 3) random points, longer one way than another."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=(count, 3)) * rng.uniform(5.0, 60.0, size=3)


def holds(result: Fit, points: np.ndarray, usable: np.ndarray) -> None:
    """What must be true of any answer: its rotation, size, miss, spare and reason agree."""
    r = result.rotation
    assert np.allclose(r @ r.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(r) == pytest.approx(1.0, abs=1e-12)
    assert np.allclose(np.ptp(points @ r.T, axis=0), result.size, atol=1e-9)
    over = float((result.size - usable).max())
    if result.way == "none":
        assert result.miss == pytest.approx(over, abs=1e-9)
        assert result.miss > TOLERANCE and result.spare == 0.0 and result.reason
    else:
        assert over <= TOLERANCE and result.miss == 0.0 and result.reason == ""
        assert result.spare == pytest.approx(max(-over, 0.0), abs=1e-9)


def test_the_least_disturbing_way_is_taken() -> None:
    usable = np.array([100.0, 60.0, 40.0])
    for size, way in (
        ((99.0, 59.0, 39.0), "upright"),
        ((59.0, 99.0, 39.0), "turned"),
        ((39.0, 99.0, 59.0), "any"),
        ((101.0, 59.0, 40.0), "none"),
    ):
        result = fit(block(*size), usable)
        assert result.way == way
        holds(result, block(*size), usable)


def test_a_quarter_turn_is_exact() -> None:
    result = fit(block(59.0, 99.0, 39.0), (100.0, 60.0, 40.0))
    assert np.allclose(result.size, [99.0, 59.0, 39.0], atol=1e-12)
    assert result.spare == pytest.approx(1.0, abs=1e-12)
    assert np.allclose(result.rotation[2], [0.0, 0.0, 1.0])


def test_half_turns_that_change_nothing_are_not_made() -> None:
    half_turns = [np.diag(d) for d in ([1, -1, -1], [-1, 1, -1], [-1, -1, 1])]
    for seed in range(8):
        piece = lump(seed)
        result = fit(piece, np.ptp(piece @ turned(seed).T, axis=0) * 1.001)
        assert result.way == "any"
        angle = Rotation.from_matrix(result.rotation).magnitude()
        for half in half_turns:
            assert angle <= Rotation.from_matrix(half @ result.rotation).magnitude() + 1e-9


def test_touching_is_fitting_and_a_hundredth_more_is_not() -> None:
    usable = (80.0, 80.0, 80.0)
    assert fit(block(80.0, 80.0, 80.0), usable).way == "upright"
    assert fit(block(80.0, 80.0, 80.0 + TOLERANCE / 2), usable).way == "upright"
    result = fit(block(80.0, 80.0, 80.01), usable)
    assert result.way == "none"
    assert result.miss == pytest.approx(0.01, abs=1e-6)


def test_place_does_not_matter() -> None:
    far = block(50.0, 50.0, 50.0) + np.array([1e5, -2e5, 3e5])
    assert fit(far, (50.0, 50.0, 50.0)).way == "upright"


@pytest.mark.parametrize("up", [(1, 0, 0), (0, -3, 0), (0, 0, -1), (1, 2, 3), (1e-9, 0, -1)])
def test_up_comes_to_stand_on_the_platform(up: tuple[float, float, float]) -> None:
    n = np.array(up) / np.linalg.norm(up)
    rod = np.stack([-40.0 * n, 40.0 * n])
    result = fit(rod, (1.0, 1.0, 80.0), up=up)
    assert result.way == "upright"
    assert np.allclose(result.rotation @ n, [0.0, 0.0, 1.0], atol=1e-12)
    holds(result, rod, np.array([1.0, 1.0, 80.0]))


def test_up_as_it_is_leaves_the_piece_as_it_is() -> None:
    assert np.array_equal(fit(block(1, 2, 3), (9, 9, 9), up=(0, 0, 7)).rotation, np.eye(3))


def test_only_what_is_allowed_is_done() -> None:
    piece, usable = block(39.0, 99.0, 59.0), (100.0, 60.0, 40.0)
    upright = fit(piece, usable, allow="upright")
    assert (upright.way, upright.reason) == ("none", "as it stands it misses by 39 mm")
    about = fit(piece, usable, allow="turned")
    assert about.reason == "turned about the vertical it misses by 19 mm at best"
    assert about.miss == pytest.approx(19.0)
    assert fit(piece, usable, allow="any").way == "any"
    assert fit(block(60.0, 90.0, 1.0), usable, allow="turned").way == "turned"


def test_the_answer_cannot_be_changed_and_is_always_the_same() -> None:
    piece, usable = lump(3), np.array([70.0, 60.0, 50.0])
    one, two = fit(piece, usable), fit(piece, usable)
    assert one.rotation.tobytes() == two.rotation.tobytes()
    assert (one.miss, one.reason) == (two.miss, two.reason)
    with pytest.raises(FrozenInstanceError):
        one.miss = 0.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("points", "usable", "keywords", "word"),
    [
        (np.zeros((0, 3)), (1, 1, 1), {}, "at least one row"),
        (np.zeros((4, 2)), (1, 1, 1), {}, "at least one row"),
        ([[0, 0, np.nan]], (1, 1, 1), {}, "not a finite number"),
        ([[0, 0, np.inf], [0, 0, -np.inf]], (1, 1, 1), {}, "not a finite number"),
        ([[0, 0, 0]], (1, 0, 1), {}, "three lengths above 0"),
        ([[0, 0, 0]], (1, np.nan, 1), {}, "three lengths above 0"),
        ([[0, 0, 0]], (1, 1), {}, "three lengths above 0"),
        ([[0, 0, 0]], (1, 1, 1), {"up": (0, 0, 0)}, "up direction"),
        ([[0, 0, 0]], (1, 1, 1), {"allow": "none"}, "upright, turned, any"),
    ],
)
def test_bad_input_is_named(points: object, usable: object, keywords: dict, word: str) -> None:
    with pytest.raises(BadInput, match=word):
        fit(points, usable, **keywords)


# ------------------------------------------------------------------ flat and thin pieces


def test_one_point_and_copies_of_it_fit_anywhere() -> None:
    for count in (1, 2, 50):
        result = fit(np.full((count, 3), 7.0), (1e-3, 1e-3, 1e-3))
        assert result.way == "upright"
        assert np.array_equal(result.size, np.zeros(3))


@pytest.mark.parametrize("count", [2, 3, 5000])
def test_points_on_a_line(count: int) -> None:
    usable = np.array([60.0, 50.0, 40.0])
    # From here to its ends the line is as long as the box's diagonal, in an odd direction.
    direction = turned(8)[0] * np.linalg.norm(usable)
    for scale, fits in ((0.9999, True), (1.0001, False)):
        rod = np.linspace(0.0, scale, count)[:, None] * direction
        result = fit(rod, usable)
        assert (result.way == "any") == fits
        holds(result, rod, usable)


@pytest.mark.parametrize("count", [4, 300, 30_000])
def test_points_in_a_plane(count: int) -> None:
    rng = np.random.default_rng(count)
    sheet = np.concatenate([block(90.0, 30.0, 0.0), rng.uniform(size=(count, 3)) * [90, 30, 0]])
    sheet = sheet @ turned(count).T + 500.0
    usable = np.array([90.001, 30.001, 0.001])
    result = fit(sheet, usable)
    assert result.way == "any"
    holds(result, sheet, usable)
    assert fit(sheet, (94.0, 29.0, 0.001)).way == "none"


def test_a_sheet_with_the_faintest_thickness() -> None:
    for thickness in (1e-13, 1e-11, 1e-9, 1e-6, 1e-3):
        sheet = block(90.0, 30.0, thickness) @ turned(4).T
        assert fit(sheet, (90.01, 30.01, 0.01)).way == "any"


# ------------------------------------------------------------------ the hull


def support(points: np.ndarray, axes: np.ndarray) -> np.ndarray:
    return (points @ axes.T).max(axis=0)


@pytest.mark.parametrize(
    "shape", ["full", "shell", "round", "flat-sided", "thin", "sheet", "lattice"]
)
def test_points_are_only_dropped_inside(shape: str) -> None:
    rng = np.random.default_rng(11)
    points = rng.normal(size=(12_000, 3))
    unit = points / np.linalg.norm(points, axis=1, keepdims=True)
    points = {
        "full": points * [60.0, 20.0, 10.0],
        "shell": unit * (40.0 + 25.0 * np.sin(5 * unit[:, :1]) * np.cos(7 * unit[:, 1:2])),
        "round": unit * 50.0,
        "flat-sided": np.clip(points, -1.0, 1.0) * 50.0,
        "thin": points * [60.0, 20.0, 1e-3],
        "sheet": points * [60.0, 20.0, 0.0],
        "lattice": np.rint(points * 10.0),
    }[shape] @ turned(2).T
    axes = np.concatenate([unit[:500], turned(2).T, -turned(2).T])
    kept = outer(points)
    assert np.abs(support(kept, axes) - support(points, axes)).max() < 1e-10
    if shape != "round":
        assert len(kept) < 0.2 * len(points)


def test_few_vertices_are_left_of_a_lumpy_shell() -> None:
    rng = np.random.default_rng(5)
    unit = rng.normal(size=(200_000, 3))
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    shell = unit * (40.0 + 25.0 * np.sin(5 * unit[:, :1]) * np.cos(7 * unit[:, 1:2]))
    kept = outer(shell)
    assert {tuple(p) for p in kept} == {tuple(p) for p in shell[ConvexHull(shell).vertices]}


def test_a_hull_with_more_vertices_than_the_search_takes() -> None:
    rng = np.random.default_rng(6)
    unit = rng.normal(size=(30_000, 3))
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    egg = unit * [50.0, 30.0, 20.0]
    assert len(outer(egg)) > HULL_LIMIT
    tilted = egg @ turned(9).T
    usable = np.array([60.02, 100.02, 40.02])
    result = fit(tilted, usable)
    assert result.way == "any"
    holds(result, tilted, usable)


# ------------------------------------------------------------------ turned, exactly


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(1, 40), st.floats(1.0, 80.0), st.floats(1.0, 80.0))
def test_the_planar_answer_is_the_least_of_all_angles(
    seed: int, count: int, width: float, depth: float
) -> None:
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(count, 2)) * rng.uniform(1.0, 50.0, size=2)
    turn, excess = planar(points, np.array([width, depth]))
    size = np.ptp(points @ turn.T, axis=0)
    assert max(size - [width, depth]) == pytest.approx(excess, abs=1e-9)
    angle = np.linspace(0.0, np.pi, 20_001)
    c, s = np.cos(angle), np.sin(angle)
    w = np.ptp(points @ np.stack([c, s]), axis=0) - width
    h = np.ptp(points @ np.stack([-s, c]), axis=0) - depth
    sampled = float(np.maximum(w, h).min())
    # No sample may be better, and the best lies within half a step of the exact angle.
    step = np.linalg.norm(np.ptp(points, axis=0)) * angle[1]
    assert excess <= sampled + 1e-9
    assert sampled - excess <= step


def test_a_turn_that_only_one_angle_allows() -> None:
    # A 3-4-5 triangle turned by 0.3 rad in the square that just holds it.
    triangle = np.array([[0.0, 0.0], [40.0, 0.0], [0.0, 30.0]])
    c, s = np.cos(0.3), np.sin(0.3)
    tilted = triangle @ np.array([[c, s], [-s, c]])
    prism = np.concatenate([np.c_[tilted, np.zeros(3)], np.c_[tilted, np.full(3, 90.0)]])
    result = fit(prism, (40.0, 30.0, 90.0), allow="turned")
    assert result.way == "turned"
    assert np.allclose(result.size, [40.0, 30.0, 90.0], atol=1e-9)
    assert fit(prism, (40.0, 29.999, 90.0), allow="turned").way == "none"


# ------------------------------------------------------------------ any rotation


@settings(max_examples=12, deadline=None)
@given(SEEDS, SEEDS)
def test_a_piece_fits_the_box_it_was_taken_from(seed: int, other: int) -> None:
    piece = lump(seed)
    usable = np.ptp(piece @ turned(seed).T, axis=0) * 1.001
    rotated = piece @ turned(other).T
    result = fit(rotated, usable)
    assert result.way != "none"
    holds(result, rotated, usable)


@settings(max_examples=5, deadline=None)
@given(SEEDS, SEEDS, st.floats(0.9, 0.99))
def test_turning_the_piece_first_changes_nothing(seed: int, other: int, scale: float) -> None:
    piece = lump(seed, 12)
    usable = np.ptp(piece @ turned(seed).T, axis=0)
    one = fit(piece, usable * scale)
    two = fit(piece @ turned(other).T, usable * scale)
    holds(one, piece, usable * scale)
    if max(one.miss, one.spare, two.miss, two.spare) > 0.1:
        assert (one.way == "none") == (two.way == "none")


@settings(max_examples=5, deadline=None)
@given(SEEDS, st.floats(0.92, 1.02), st.tuples(*[st.floats(0.0, 20.0)] * 3))
def test_a_larger_box_never_loses_a_piece(
    seed: int, scale: float, more: tuple[float, float, float]
) -> None:
    piece = lump(seed)
    usable = np.ptp(piece @ turned(seed).T, axis=0) * scale
    if fit(piece, usable).way != "none":
        assert fit(piece, usable + more).way != "none"


def test_as_much_more_box_as_it_misses_by_makes_it_fit() -> None:
    piece, usable = lump(17), np.array([70.0, 50.0, 40.0])
    short = fit(piece, usable)
    assert short.way == "none"
    assert fit(piece, usable + short.miss).way != "none"
    assert fit(piece, usable + short.miss - 1e-3).way == "none"


def test_settling_never_loses_ground_and_comes_to_rest() -> None:
    for seed in range(12):
        piece, start = lump(seed), turned(seed)
        usable = np.array([10.0, 20.0, 30.0])
        before = float((np.ptp(piece @ start.T, axis=0) - usable).max())
        turn, excess = _stepped(piece, start, Box(usable))
        assert excess <= before
        assert excess == pytest.approx((np.ptp(piece @ turn.T, axis=0) - usable).max(), abs=1e-9)
        # At rest: no small rotation is better to first order.
        nudges = Rotation.from_rotvec(1e-5 * np.random.default_rng(seed).normal(size=(500, 3)))
        sizes = np.ptp(nudges.as_matrix() @ turn @ piece.T, axis=2)
        assert (sizes - usable).max(axis=1).min() >= excess - 1e-7


@pytest.mark.parametrize("seed", range(4))
def test_no_random_rotation_beats_the_search(seed: int) -> None:
    piece = lump(seed + 40, 10)
    usable = np.random.default_rng(seed).uniform(10.0, 40.0, size=3)
    result = fit(piece, usable)
    assert result.way == "none"
    turns = Rotation.random(40_000, random_state=seed).as_matrix()
    sizes = np.sort(np.ptp(turns @ piece.T, axis=2), axis=1)
    assert result.miss <= (sizes - np.sort(usable)).max(axis=1).min()


# ------------------------------------------------------------------ where it goes


def stands_on(result: Fit, points: np.ndarray, platform: Platform) -> None:
    """A piece that fits, placed as told, is on the platform and below its height."""
    placed = result.placed(points)
    assert placed[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    assert placed[:, 2].max() <= platform.size[2] + 2 * TOLERANCE
    hull = placed[ConvexHull(placed[:, :2]).vertices, :2]
    x, y, z = platform.size
    # Two tolerances more: one of the fit, and one of its place.
    more = 2 * TOLERANCE
    corners = tuple((a + more, b + more, c, d) for a, b, c, d in platform.excluded)
    assert Platform((x + more, y + more, z), platform.round, corners).holds(hull + more / 2)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("excluded", [(), ((0.0, 0.0, 18.0, 28.0),)])
@pytest.mark.parametrize("is_round", [False, True])
def test_a_piece_stands_where_it_is_put(seed: int, excluded: tuple, is_round: bool) -> None:
    piece = lump(seed) + np.array([500.0, -300.0, 40.0])
    platform = Platform((130.0, 130.0, 140.0), is_round, excluded)
    result = fit(piece, platform, up=(0.3, -0.2, 1.0))
    if result.way == "none":
        assert result.miss > TOLERANCE and result.reason
        return
    assert result.miss == 0.0 and result.reason == ""
    assert np.linalg.det(result.rotation) == pytest.approx(1.0)
    stands_on(result, piece, platform)


def test_a_piece_goes_beside_the_corner_before_it_is_turned() -> None:
    usable = Platform((100.0, 100.0, 50.0), excluded=((0.0, 0.0, 30.0, 30.0),))
    assert fit(block(70.0, 99.0, 40.0), usable).way == "upright"
    assert fit(block(99.0, 70.0, 40.0), usable).way == "upright"
    assert fit(block(104.0, 20.0, 40.0), usable).way == "turned"
    assert fit(block(40.0, 60.0, 69.0), usable).way == "any"
    over = fit(block(85.0, 85.0, 40.0), usable)
    assert over.way == "none" and 0.0 < over.miss < 15.0
    upright = fit(block(80.0, 80.0, 40.0), usable, allow="upright")
    # The corner is 10 mm too wide, or the platform, which grows to both sides, too short.
    assert upright.miss == pytest.approx(10.0 / 1.5, abs=1e-5)


def test_a_piece_goes_through_where_no_rectangle_is_free() -> None:
    # A slanted bar between two opposite corners: every free rectangle is too narrow for it.
    usable = Platform(
        (100.0, 100.0, 30.0), excluded=((0.0, 0.0, 45.0, 45.0), (55.0, 55.0, 100.0, 100.0))
    )
    bar = block(110.0, 12.0, 8.0) @ turned(3).T
    result = fit(bar, usable)
    assert result.way == "any"
    stands_on(result, bar, usable)


def test_height_counts_on_every_platform() -> None:
    for usable in (
        Platform((100.0, 100.0, 20.0), True),
        Platform((100.0, 100.0, 20.0), True, ((0.0, 40.0, 9.0, 60.0),)),
        Platform((100.0, 100.0, 20.0), False, ((0.0, 0.0, 9.0, 9.0),)),
    ):
        assert fit(block(10.0, 10.0, 20.0), usable).way == "upright"
        result = fit(block(10.0, 10.0, 26.0), usable, allow="turned")
        assert result.miss == pytest.approx(6.0)
        assert fit(block(10.0, 10.0, 26.0), usable).way == "any"


def test_turning_on_a_disc_changes_nothing() -> None:
    usable = Platform((50.0, 50.0, 20.0), True)
    assert fit(block(30.0, 40.0, 20.0), usable).way == "upright"
    result = fit(block(30.0, 40.1, 20.0), usable, allow="turned")
    assert result.miss == pytest.approx(np.hypot(30.0, 40.1) - 50.0)


@pytest.mark.parametrize("seed", range(4))
def test_no_random_rotation_beats_the_search_on_a_disc(seed: int) -> None:
    piece = lump(seed + 40, 10)
    usable = np.random.default_rng(seed).uniform(10.0, 40.0, size=2)
    result = fit(piece, Platform((usable[0], usable[0], usable[1]), True))
    assert result.way == "none"
    turns = Rotation.random(10_000, random_state=seed).as_matrix()
    assert result.miss <= Disc(usable[0], usable[1]).overruns(piece, turns).min()
