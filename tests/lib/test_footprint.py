"""Footprints: exact offsets, and the proof that pegs go home one way only."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from seamwright.footprint import (
    D_FLAT,
    KEY_SHARE,
    PLAY,
    area,
    d_shape,
    offset,
    other_seatings,
    outradius,
    placed,
    shrunk,
    square,
)

PLAIN = np.array([[-5, -5], [5, -5], [5, 5], [-5, 5]], dtype=float)
TURN = np.linspace(0, 2 * np.pi, 24, endpoint=False)
CIRCLE = 5.0 * np.stack([np.cos(TURN), np.sin(TURN)], axis=1)


def edges(outline: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unit outward normals of the edges and their distances from the origin."""
    along = np.roll(outline, -1, axis=0) - outline
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return normal, (normal * outline).sum(axis=1)


def is_convex(outline: np.ndarray) -> bool:
    along = np.roll(outline, -1, axis=0) - outline
    after = np.roll(along, -1, axis=0)
    turn = along[:, 0] * after[:, 1] - along[:, 1] * after[:, 0]
    polygon = shapely.Polygon(outline)
    return bool((turn > 0).all() and polygon.is_valid)


# --- shapes -----------------------------------------------------------------------


@pytest.mark.parametrize("width", [2.0, 7.5, 30.0])
def test_keyed_square(width):
    outline = square(width)
    assert area(outline) == pytest.approx(width**2 * (1 - KEY_SHARE**2 / 2))
    assert np.ptp(outline, axis=0).tolist() == pytest.approx([width, width])
    assert outradius(outline) == pytest.approx(width / np.sqrt(2)) and is_convex(outline)


@pytest.mark.parametrize("width", [2.0, 2.7, 5.9])
def test_d_shape(width):
    outline = d_shape(width)
    r = width / 2
    assert outline[:, 0].max() == pytest.approx(D_FLAT * r) and is_convex(outline)
    np.testing.assert_allclose(np.linalg.norm(outline, axis=1), r)
    # Triangles about the centre: one on the flat, equal ones on the chords of the arc.
    half = np.arccos(D_FLAT)
    chords = len(outline) - 1
    arc = chords * np.sin((2 * np.pi - 2 * half) / chords) / 2
    assert area(outline) == pytest.approx(r**2 * (arc + D_FLAT * np.sin(half)))


def test_placing_turns_counter_clockwise_then_moves():
    corner = placed(PLAIN, np.array([10.0, 20.0]), 90.0)[0]
    np.testing.assert_allclose(corner, [15, 15])
    assert area(placed(square(7.0), np.ones(2), 33.0)) == pytest.approx(area(square(7.0)))


# --- offset -----------------------------------------------------------------------


@pytest.mark.parametrize("distance", [-0.4, -0.1, 0.0, 0.2, 3.0])
@pytest.mark.parametrize("outline", [square(6.0), square(20.0), d_shape(5.0), CIRCLE, PLAIN])
def test_offset_moves_every_edge_by_the_distance(outline, distance):
    moved = offset(outline, distance)
    normal, home = edges(outline)
    new_normal, away = edges(moved)
    np.testing.assert_allclose(new_normal, normal, atol=1e-9)
    np.testing.assert_allclose(away - home, distance, atol=1e-12)
    assert is_convex(moved)


@pytest.mark.parametrize("distance", [-0.3, 0.25, 1.5])
def test_offset_agrees_with_mitred_buffers(distance):
    for outline in (square(8.0), d_shape(5.0), placed(square(4.0), np.array([3.0, -2]), 40.0)):
        other = shapely.Polygon(outline).buffer(distance, join_style="mitre", mitre_limit=100)
        assert shapely.Polygon(offset(outline, distance)).symmetric_difference(other).area < 1e-9


@pytest.mark.parametrize("width", [2.0, 2.7, 4.0, 5.9])
def test_a_d_stays_convex_under_the_largest_lead_in(width):
    # The end of a peg is its root moved inward by the lead-in, up to a sixth of its
    # width, and by a degree of draft: no edge may turn over.
    neck = offset(d_shape(width), -np.tan(np.radians(1.0)) * 1.25 * width)
    assert is_convex(neck)
    assert is_convex(shrunk(neck, width / 6))


@pytest.mark.parametrize("width", [6.0, 12.0, 30.0])
def test_a_square_stays_convex_under_the_largest_lead_in(width):
    inward = min(1.0, width / 6) + np.tan(np.radians(5.0)) * 1.25 * width
    assert is_convex(offset(square(width), -inward))


# --- one way only -----------------------------------------------------------------


@pytest.mark.parametrize("clearance", [0.0, 0.05, 0.2])
def test_a_plain_square_seats_every_quarter_turn(clearance):
    turns = other_seatings([PLAIN], [offset(PLAIN, clearance)])
    assert {90.0, 180.0, 270.0} <= set(turns)
    assert all(min(t % 90, 90 - t % 90) <= 5 for t in turns)


def test_a_circle_seats_all_round_but_for_its_play():
    turns = other_seatings([CIRCLE], [offset(CIRCLE, 0.2)])
    assert min(turns) == PLAY and max(turns) == 360 - PLAY - 0.5
    assert len(turns) == (360 - 2 * PLAY) * 2


@pytest.mark.parametrize("width", [6.0, 10.0, 30.0])
@pytest.mark.parametrize("clearance", [0.05, 0.2, 0.4])
def test_a_keyed_square_seats_one_way(width, clearance):
    assert other_seatings([square(width)], [offset(square(width), clearance)]) == []


@pytest.mark.parametrize(
    ("width", "clearance"), [(2.0, 0.05), (2.0, 0.1), (2.4, 0.2), (4.0, 0.3), (5.9, 0.4)]
)
def test_a_d_seats_one_way(width, clearance):
    assert other_seatings([d_shape(width)], [offset(d_shape(width), clearance)]) == []


def test_a_rectangle_seats_upside_down():
    slab = PLAIN * [2, 1]
    assert 180.0 in other_seatings([slab], [offset(slab, 0.1)])
    assert 90.0 not in other_seatings([slab], [offset(slab, 0.1)])


def twins(first: float, second: float) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Two round pegs 40 mm apart with their sockets."""
    pegs = [first / 5 * CIRCLE - [20, 0], second / 5 * CIRCLE + [20, 0]]
    return pegs, [offset(p, 0.2) for p in pegs]


def test_equal_pegs_seat_swapped_and_unequal_ones_do_not():
    assert 180.0 in other_seatings(*twins(4.0, 4.0))
    assert other_seatings(*twins(4.0, 3.0)) == []


def test_plain_squares_in_a_row_seat_swapped_unless_one_is_smaller():
    for share, expected in ((1.0, True), (0.75, False)):
        pegs = [PLAIN - [20, 0], share * PLAIN + [20, 0]]
        turns = other_seatings(pegs, [offset(p, 0.2) for p in pegs])
        assert (180.0 in turns) is expected
        assert 90.0 not in turns


def test_three_equal_pegs_at_a_triangles_corners_seat_every_third_turn():
    corners = 30 * np.stack(
        [np.cos([0.3, 2.394395, 4.488790]), np.sin([0.3, 2.394395, 4.488790])], 1
    )
    pegs = [CIRCLE[::2] + c for c in corners]
    turns = other_seatings(pegs, [offset(p, 0.2) for p in pegs])
    assert {120.0, 240.0} <= set(turns)
    pegs[2] = 0.75 * CIRCLE[::2] + corners[2]
    assert other_seatings(pegs, [offset(p, 0.2) for p in pegs]) == []


# --- against brute force ------------------------------------------------------------


def least_overhang(peg: np.ndarray, socket: np.ndarray, turn: float) -> float:
    """How far a turned peg stands out of its socket at best, over a grid of shifts, mm."""
    turned = placed(peg, np.zeros(2), turn)
    reach = np.linspace(-1.5, 1.5, 31)
    shifts = np.stack(np.meshgrid(reach, reach), axis=-1).reshape(-1, 1, 2)
    corners = shapely.points(turned[None] + shifts)
    return float(shapely.distance(corners, shapely.Polygon(socket)).max(axis=1).min())


@pytest.mark.parametrize(
    ("peg", "clearance"),
    [(PLAIN, 0.3), (square(8.0), 0.3), (d_shape(5.0), 0.3), (PLAIN * [1, 0.93], 0.5)],
)
def test_seatings_agree_with_a_search_over_shifts(peg, clearance):
    socket = offset(peg, clearance)
    found = set(other_seatings([peg], [socket], step=15.0))
    for turn in np.arange(45.0, 316.0, 15.0):
        # A convex peg is in its convex socket if its corners are. The grid's step is 0.1 mm.
        overhang = least_overhang(peg, socket, turn)
        assert overhang <= 0.071 if turn in found else overhang > 0
