"""Footprints: shapes and their keys, exact offsets, grooves, outlines that follow a section."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from seamwright.errors import BadInput
from seamwright.footprint import (
    D_FLAT,
    KEY_SHARE,
    SHAPES,
    Shape,
    area,
    d_shape,
    ends,
    grooved,
    keeps,
    most_share,
    offset,
    other_seatings,
    outline_of,
    outradius,
    placed,
    section_outline,
    shrunk,
    square,
    variants,
)
from seamwright.offsets import is_simple
from seamwright.outline import Region
from seamwright.seating import PLAY

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


# --- variants ---------------------------------------------------------------------

OWN: tuple[Shape, ...] = tuple(s for s in SHAPES if s != "section")


@pytest.mark.parametrize("shape", OWN)
def test_outlines_are_simple_and_as_wide_as_asked(shape):
    for variant in range(variants(shape)):
        outline = outline_of(shape, 12.0, variant)
        assert is_simple(outline) and is_convex(outline) is (shape != "cross")
        assert np.ptp(outline, axis=0).max() <= 12.0 * (2 / np.sqrt(3) if shape == "hexagon" else 1)
        assert area(outline) > 0.33 * 12**2
        # Ready for 5° of draft on a peg as deep as it is wide, and for a wide clearance.
        assert keeps(outline, -np.tan(np.radians(5)) * 12) and keeps(outline, 0.1 * 12)
        np.testing.assert_allclose(outline_of(shape, 3.0, variant), outline / 4)
        np.testing.assert_array_equal(outline, outline_of(shape, 12.0, variant + variants(shape)))


def test_the_first_square_and_d_are_the_plain_ones():
    np.testing.assert_array_equal(outline_of("square", 7.3), square(7.3))
    np.testing.assert_array_equal(outline_of("D", 4.1), d_shape(4.1))
    with pytest.raises(BadInput, match="follows its section"):
        outline_of("section", 10.0)


@pytest.mark.parametrize("shape", OWN)
def test_the_most_clearance_still_keys_each_variant_and_a_little_more_does_not(shape):
    lean = np.cos(np.radians(15.0))
    for variant in range(variants(shape)):
        outline = outline_of(shape, 1.0, variant)
        most = most_share(shape, variant)
        assert other_seatings([outline], [offset(outline, most / lean)], 1.0) == []
        assert other_seatings([outline], [offset(outline, 1.06 * most)], 1.0)


# --- offsets edge by edge -----------------------------------------------------------


@pytest.mark.parametrize("shape", OWN)
def test_each_edge_moves_by_its_own_distance(shape):
    outline = outline_of(shape, 10.0, 1)
    distance = 0.2 + 0.1 * np.sin(np.arange(len(outline)))
    moved = offset(outline, distance)
    normal, home = edges(outline)
    new_normal, away = edges(moved)
    np.testing.assert_allclose(new_normal, normal, atol=1e-9)
    np.testing.assert_allclose(away - home, distance, atol=1e-12)
    np.testing.assert_allclose(offset(outline, np.full(len(outline), 0.2)), offset(outline, 0.2))


def test_an_offset_keeps_an_outline_until_an_edge_vanishes_or_it_crosses_itself():
    assert keeps(square(10.0), -2.9) and not keeps(square(10.0), -5.1)
    cross = outline_of("cross", 10.0)
    assert keeps(cross, -1.7) and not keeps(cross, -1.9)
    gap = np.array([[0, 0], [10, 0], [10, 5], [6, 5], [6, 2], [5, 2], [5, 5], [0, 5.0]])
    assert keeps(gap, 0.4) and not keeps(gap, 0.6)
    # The underside pushed up through the bottom of the slot: no edge turns over.
    assert keeps(gap, np.array([-1.9, 0, 0, 0, 0, 0, 0, 0]))
    assert not keeps(gap, np.array([-3.0, 0, 0, 0, 0, 0, 0, 0]))


@pytest.mark.parametrize("distance", [0.1, 0.5, 1.0])
def test_a_cross_is_drawn_in_all_round(distance):
    outline = outline_of("cross", 10.0)
    inner = shapely.Polygon(shrunk(outline, distance))
    assert inner.is_valid and shapely.Polygon(outline).contains(inner)
    assert inner.exterior.distance(shapely.Polygon(outline).exterior) == pytest.approx(distance)


def test_what_is_too_narrow_is_not_drawn_in():
    for outline in (square(4.0), outline_of("cross", 4.0)):
        with pytest.raises(BadInput, match=r"cannot be drawn in by 3 mm; use a smaller lead-in"):
            shrunk(outline, 3.0)


# --- grooves and ends ---------------------------------------------------------------


@pytest.mark.parametrize("size", [0.3, 0.6, 1.0])
@pytest.mark.parametrize("shape", OWN)
def test_a_groove_clips_one_corner_and_stays_inside(shape, size):
    for variant in range(variants(shape)):
        outline = placed(outline_of(shape, 10.0, variant), np.array([7.0, 3.0]), 20.0)
        clipped = grooved(outline, size)
        whole, less = shapely.Polygon(outline), shapely.Polygon(clipped)
        assert less.is_valid and whole.buffer(1e-9).contains(less)
        # Nothing but one triangle, or on an arc a cap, about a corner is gone.
        lost = whole.difference(less.buffer(1e-9))
        assert lost.geom_type == "Polygon" and 0.2 * size**2 < lost.area < 1.3 * size**2
        assert sum(whole.exterior.distance(shapely.Point(p)) < 1e-9 for p in clipped) == len(
            clipped
        )
        assert keeps(clipped, -0.9 * size) and keeps(clipped, 0.02 * 10)
        assert len(shrunk(clipped, 0.1)) == len(clipped)


def test_a_groove_leaves_the_key_alone():
    # A square's corner at the lower left; the key is at the upper right.
    clipped = grooved(square(10.0), 1.0)
    assert {tuple(p) for p in square(10.0)} - {tuple(p) for p in clipped} == {(-5.0, -5.0)}
    assert [-4.0, -5.0] in clipped.tolist() and [-5.0, -4.0] in clipped.tolist()
    # A D's flat loses 1 mm, and its arc two chords.
    d, less = d_shape(10.0), grooved(d_shape(10.0), 1.0)
    assert len(less) == len(d) - 1 and np.ptp(
        less[np.isclose(less[:, 0], 2.5)][:, 1]
    ) == pytest.approx(np.sqrt(75) - 1)


def test_no_room_for_a_groove():
    with pytest.raises(BadInput, match="use a wider peg"):
        grooved(square(2.0), 5.0)


@pytest.mark.parametrize("shape", OWN)
def test_ends_fill_the_outline_with_counter_clockwise_triangles(shape):
    for variant in range(variants(shape)):
        outline = outline_of(shape, 10.0, variant)
        triangles = ends(outline)
        areas = np.array([area(outline[t]) for t in triangles])
        assert triangles.shape == (len(outline) - 2, 3) and (areas > 0).all()
        assert areas.sum() == pytest.approx(area(outline))


# --- outlines that follow a section ---------------------------------------------------

ROUND = np.linspace(0, 2 * np.pi, 120, endpoint=False)


def region(*loops: np.ndarray) -> Region:
    return Region(loops, tuple(np.arange(len(p)) for p in loops))


def wavy(seed: int, waves: int = 6, size: float = 20.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    radius = np.ones(len(ROUND))
    for k in range(2, waves + 1):
        radius += 0.25 / k * rng.normal() * np.cos(k * ROUND + rng.uniform(0, 2 * np.pi))
    circle = np.stack([np.cos(ROUND), np.sin(ROUND)], axis=1)
    return size * radius[:, None] * circle


DISC = 20 * np.stack([np.cos(ROUND), np.sin(ROUND)], axis=1)
FORMS = {
    "disc": region(DISC),
    "ellipse": region(DISC * [1, 0.5] + [1000, -2000]),
    "square": region(4 * PLAIN),
    "angle": region(np.array([[0, 0], [40, 0], [40, 15], [15, 15], [15, 40], [0, 40.0]])),
    "hole aside": region(DISC, 0.2 * DISC[::-1] + [0, 12]),
    **{f"wavy {k}": region(wavy(k) + np.array([300.0, 50.0])) for k in range(5)},
}


@pytest.mark.parametrize("form", list(FORMS))
def test_an_outline_that_follows_its_section(form):
    given, distance, clearance = FORMS[form], 2.5, 0.3
    outline = section_outline(given, distance, clearance)
    assert outline is not None and 3 <= len(outline) <= 48 and is_simple(outline)
    whole, inner = shapely.Polygon(given.outline, given.holes), shapely.Polygon(outline)
    assert whole.contains(inner) and whole.boundary.distance(inner) >= distance - 1e-6
    # It follows: most of what the plain inset has is kept.
    assert inner.area > 0.6 * whole.buffer(-distance).area
    assert other_seatings([outline], [offset(outline, clearance)]) == []
    assert keeps(outline, clearance) and keeps(outline, -0.5)
    assert is_simple(grooved(outline, 0.5)) and is_simple(shrunk(outline, 0.5))
    again = section_outline(given, distance, clearance)
    assert again is not None and again.tobytes() == outline.tobytes()


def test_a_section_without_room_or_round_a_hole_has_no_outline():
    assert section_outline(region(DISC), 21.0, 0.2) is None
    assert section_outline(region(DISC, 0.3 * DISC[::-1]), 2.0, 0.2) is None
    # Where no flat keys it: the clearance is as wide as what is left.
    assert section_outline(region(DISC), 16.0, 2.0) is None


def test_necks_and_spikes_are_left_out():
    neck = np.array([[0, 0], [20, 0], [20, 7], [30, 7], [30, 0], [60, 0], [60, 20],
                     [30, 20], [30, 13], [20, 13], [20, 20], [0, 20.0]])  # fmt: skip
    outline = section_outline(region(neck), 2.0, 0.2)
    assert outline is not None and outline[:, 0].min() > 30 and outline[:, 0].max() < 58


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
