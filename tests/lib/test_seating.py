"""Seating: symmetric outlines are found out, keyed ones are not, and brute force agrees."""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.entry import Pair, cells_entered, drift
from seamwright.footprint import SHAPES, Shape, mirrored, offset, outline_of, placed, variants
from seamwright.offsets import area, centroid, is_simple
from seamwright.seating import PLAY, confused, keyed, other_seatings

PLAIN = np.array([[-5, -5], [5, -5], [5, 5], [-5, 5]], dtype=float)
TURN = np.linspace(0, 2 * np.pi, 24, endpoint=False)
CIRCLE = 5.0 * np.stack([np.cos(TURN), np.sin(TURN)], axis=1)
HEXAGON = CIRCLE[::4]
ARM = np.array([[5, -1.8], [5, 1.8], [1.8, 1.8]])
CROSS = np.concatenate([placed(ARM, np.zeros(2), 90.0 * k) for k in range(4)])
WAIST = np.concatenate([(1 + 0.25 * np.cos(2 * TURN))[:, None] * CIRCLE * [1, 0.7]])
"""An outline like a section with two dents, the same after half a turn."""

OWN: tuple[Shape, ...] = tuple(s for s in SHAPES if s != "section")


def near(turns: list[float], multiple: float, play: float = 8.0) -> bool:
    """Whether all turns are within the play of a multiple."""
    return all(min(t % multiple, multiple - t % multiple) <= play for t in turns)


# --- one way only -------------------------------------------------------------------


@pytest.mark.parametrize("clearance", [0.0, 0.05, 0.2])
@pytest.mark.parametrize(
    ("outline", "every"), [(PLAIN, 90), (HEXAGON, 60), (CROSS, 90), (WAIST, 180), (CIRCLE, 15)]
)
def test_symmetric_outlines_seat_in_all_their_turns(outline, every, clearance):
    turns = other_seatings([outline], [offset(outline, clearance)])
    away = [t for t in range(every, 360, every) if PLAY <= t < 360 - PLAY]
    assert set(away) <= set(turns)
    assert near(turns, every)


@pytest.mark.parametrize("clearance", [0.05, 0.2, 0.4])
@pytest.mark.parametrize("shape", OWN)
def test_keyed_outlines_seat_one_way_whatever_their_turn(shape, clearance):
    for variant in range(variants(shape)):
        outline = placed(outline_of(shape, 10.0, variant), np.array([40.0, -7.0]), 33.0)
        assert other_seatings([outline], [offset(outline, clearance)]) == []


def test_a_cross_with_a_barely_shorter_arm_seats_in_other_ways():
    short = CROSS.copy()
    short[:2, 0] -= 0.3
    assert near(other_seatings([short], [offset(short, 0.2)]), 90)
    assert 90.0 in other_seatings([short], [offset(short, 0.2)])
    assert other_seatings([short], [offset(short, 0.1)]) == []


def test_a_dented_socket_is_as_narrow_as_its_dent_between_its_corners():
    # A bar's corners lie in both halves of a waisted socket, but its middle is too wide.
    socket = np.array([[-6, -3], [0, -1], [6, -3], [6, 3], [0, 1], [-6, 3.0]])
    fat = np.array([[-4, -1.2], [4, -1.2], [4, 1.2], [-4, 1.2]])
    thin = fat * [1, 0.7]
    assert 180.0 not in other_seatings([fat], [socket])
    assert 180.0 in other_seatings([thin], [socket])


def test_pegs_of_dented_outlines_seat_swapped_unless_one_is_smaller():
    for share, expected in ((1.0, True), (0.75, False)):
        pegs = [WAIST - [20, 0], share * WAIST + [20, 0]]
        turns = other_seatings(pegs, [offset(p, 0.2) for p in pegs])
        assert (180.0 in turns) is expected and near(turns, 180)


@pytest.mark.parametrize("clearance", [0.2, 0.7, 1.5, 3.0])
def test_keyed_is_the_same_as_without_other_seatings(clearance):
    for outline in (PLAIN, CROSS, WAIST, *(outline_of(s, 10.0) for s in OWN)):
        pegs, sockets = [outline], [offset(outline, clearance)]
        assert keyed(pegs, sockets, 2.0) is (other_seatings(pegs, sockets, 2.0) == [])


def test_a_peg_between_the_steps_is_found():
    # At no multiple of 7° does the slab fit its socket, which stands at half a step from one.
    slab = PLAIN * [2, 0.1]
    socket = placed(offset(slab, 0.02), np.zeros(2), 48.5)
    step = 7.2
    assert all(
        not shapely.Polygon(socket).covers(shapely.Polygon(placed(slab, np.zeros(2), t)))
        for t in np.arange(0, 360, step)
    )
    assert other_seatings([slab], [socket], step)


# --- the bound on shifts --------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.3, 1.0), min_size=7, max_size=7),
    st.floats(0.2, 0.95),
    st.floats(-0.9, 0.9),
    st.floats(-0.9, 0.9),
)
def test_centroids_of_peg_and_socket_are_no_farther_apart_than_drift(radii, scale, x, y):
    turn = np.arange(7) * 2 * np.pi / 7
    socket = 10 * np.array(radii)[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    # Star shaped about the origin: a smaller one stays inside.
    peg = scale * socket
    # Shifted as far as it goes.
    for share in np.linspace(1, 0, 21):
        moved = peg + share * 10 * (1 - scale) * np.array([x, y])
        if shapely.Polygon(socket).covers(shapely.Polygon(moved)):
            break
    apart = np.linalg.norm(centroid(moved) - centroid(socket))
    assert apart <= drift(moved, socket)
    assert drift(socket, 0.9 * socket) == -1


# --- against brute force ---------------------------------------------------------------


def least_overhang(peg: np.ndarray, socket: np.ndarray, turn: float, half: float) -> float:
    """How far a peg stands out of its socket at best, mm, over a grid of shifts and of turns up
    to `half` degrees away that is made finer three times about the best found."""
    reach, best = np.array([half, 1.5, 1.5]), np.array([turn, 0.0, 0.0])
    least = np.inf
    for grid in ((5, 9, 9), (5, 5, 5), (5, 5, 5), (5, 5, 5)):
        axes = [m + r * np.linspace(-1, 1, n) for m, r, n in zip(best, reach, grid, strict=True)]
        tried = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        tried = tried[np.abs(tried[:, 0] - turn) <= half + 1e-9]
        points = np.array([placed(peg, t[1:], t[0]) for t in tried])
        rings = shapely.linearrings(np.concatenate([points, points[:, :1]], axis=1))
        # The farthest that any point of the outline lies from the socket.
        out = [shapely.distance(shapely.points(shapely.get_coordinates(r)), shapely.Polygon(socket))
               for r in shapely.segmentize(rings, 0.5)]  # fmt: skip
        worst = np.array([o.max() for o in out])
        if worst.min() < least:
            least, best = float(worst.min()), tried[int(worst.argmin())]
        reach = reach / 3
    return least


def star(radii: list[float], size: float) -> np.ndarray:
    turn = np.arange(len(radii)) * 2 * np.pi / len(radii)
    return size * np.array(radii)[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)


@settings(max_examples=6, deadline=None)
@given(
    st.lists(st.floats(0.5, 1.0), min_size=6, max_size=9),
    st.floats(0.05, 0.9),
    st.integers(0, 2),
)
def test_entries_agree_with_a_search_over_turns_and_shifts(radii, clearance, order):
    peg = star(radii, 5.0)
    repeated = star(radii * (order + 1), 5.0)
    socket = offset(repeated if order else peg, clearance)
    if not is_simple(socket) or not is_simple(repeated):
        return
    step = 15.0
    possible, proven = cells_entered(Pair.of([peg], [socket]), np.arange(24), step)
    assert not (proven & ~possible).any()
    for k in (2, 6, 12, 21):
        out = least_overhang(peg, socket, step * k, step / 2)
        if not possible[k]:
            assert out > 0
        elif proven[k]:
            assert out <= 0.1


# --- other joints' sockets ---------------------------------------------------------------


@pytest.mark.parametrize("shape", OWN)
def test_a_peg_enters_the_socket_of_its_like_and_not_of_another_variant(shape):
    here = np.array([100.0, 50.0])
    for variant in range(variants(shape)):
        peg = outline_of(shape, 10.0, variant)
        twin = placed(peg, here, 70.0)
        turn = confused([peg], [offset(twin, 0.2)], 0.4)
        assert turn is not None and abs(turn - 70) < 10
        for other in range(variants(shape)):
            if other != variant:
                mouth = offset(placed(outline_of(shape, 10.0, other), here, 70.0), 0.2)
                assert confused([peg], [mouth], 0.4) is None


def test_a_mirrored_key_is_another_key():
    peg = outline_of("rectangle", 10.0, 0)
    assert area(mirrored(peg)) == pytest.approx(area(peg))
    assert confused([peg], [offset(mirrored(peg), 0.2)], 0.4) is None
    assert confused([peg], [offset(mirrored(mirrored(peg)), 0.2)], 0.4) is not None


@pytest.mark.parametrize("shape", OWN)
def test_a_peg_that_rattles_is_not_confused_nor_one_too_large(shape):
    peg = outline_of(shape, 10.0)
    for width, expected in ((9.0, False), (10.0, True), (10.2, True), (20.0, False), (30.0, False)):
        mouth = offset(outline_of(shape, width), 0.2)
        assert (confused([peg], [mouth], 0.4) is not None) is expected


def test_depth_tells_joints_apart():
    peg = outline_of("square", 10.0)
    mouth = offset(peg, 0.2)
    assert confused([peg], [mouth], 0.4, (12.0,), (11.0,)) is None
    assert confused([peg], [mouth], 0.4, (10.0,), (11.0,)) == 0.0


def test_sets_are_confused_only_if_every_peg_finds_a_socket():
    a, b = outline_of("square", 10.0), outline_of("D", 5.0)
    away = np.array([30.0, 0])
    pegs = [a, b + away]
    mouths = [offset(b + away, 0.2), offset(a, 0.2)]
    assert confused(pegs, mouths, 0.4) == 0.0
    assert confused(pegs, mouths[:1], 0.4) is None
    # One peg alone enters its like among several; a set 2 mm farther apart enters nothing.
    assert confused([b], mouths, 0.4) is not None
    assert confused([a, b + 1.07 * away], mouths, 0.4) is None
    assert confused([], mouths, 0.4) is None


def test_a_round_peg_is_confused_in_a_square_socket_just_as_wide():
    round_peg = 2 * CIRCLE
    assert confused([round_peg], [offset(2 * PLAIN, 0.2)], 0.4) is not None
    assert confused([round_peg], [offset(2 * PLAIN, 0.9)], 0.4) is None


def test_a_plan_of_joints_is_compared_in_no_time():
    widths = np.geomspace(4, 30, 23)
    pegs = [outline_of("square" if w > 6 else "D", w) for w in widths]
    start = time.process_time()
    found = [
        confused([p], [offset(q, 0.2)], 0.4) is not None for p in pegs for q in pegs if p is not q
    ]
    # Neighbours differ by 9.6%: the narrowest, less than 0.6 mm apart, rattle by too little.
    assert len(found) == 506 and 10 < sum(found) < 40
    assert time.process_time() - start < 4
