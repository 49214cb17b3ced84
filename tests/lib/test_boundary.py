"""Outlines drawn on a plane: which are refused, and what lies inside them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.boundary import cut_at, is_inside, own_crossing, without_repeats
from seamwright.errors import BadInput
from seamwright.mesh import joined
from seamwright.outline import Region
from seamwright.seam import Reach, Seam, reached
from seamwright.section import section
from seamwright.shapes import box

quick = settings(max_examples=100, deadline=None)


def square(x: float, y: float, side: float) -> np.ndarray:
    return np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]])


def region(*loops: np.ndarray) -> Region:
    return Region(loops, tuple(np.arange(len(p)) for p in loops))


RING = region(square(0, 0, 10), square(3, 3, 4)[::-1])


# --- the outline itself ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("loop", "at"),
    [
        ([(0, 0), (4, 4), (4, 0), (0, 4)], (2, 2)),  # a bow
        ([(0, 0), (4, 0), (4, 4), (2, 0), (0, 4)], (2, 0)),  # a corner on an edge
        ([(0, 0), (4, 0), (2, 2), (4, 4), (0, 4), (2, 2)], (2, 2)),  # two corners in one place
        ([(0, 0), (6, 0), (3, 0)], (6, 0)),  # all in one line
        ([(0, 0), (4, 0), (4, 4), (4, 2), (0, 4)], (4, 4)),  # there and back
    ],
)
def test_an_outline_that_meets_itself_is_found(loop, at):
    assert own_crossing(np.array(loop, dtype=float)) == pytest.approx(at)


@quick
@given(st.lists(st.floats(1, 9), min_size=3, max_size=12), st.floats(0, 6), st.booleans())
def test_a_star_shaped_outline_does_not_meet_itself(radii, start, clockwise):
    angle = start + 2 * np.pi * np.arange(len(radii)) / len(radii)
    loop = np.array(radii)[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    loop = loop[::-1] if clockwise else loop
    assert own_crossing(loop) is None
    if len(loop) % 2 and len(loop) > 3:
        # Every other point each time: twice round, which nothing does without meeting itself.
        assert own_crossing(loop[2 * np.arange(len(loop)) % len(loop)]) is not None


def test_repeated_points_are_left_out():
    closed = np.concatenate([square(0, 0, 4), [[0, 0]]])
    assert len(without_repeats(closed)) == 4
    assert len(without_repeats(np.zeros((5, 2)))) == 0


# --- what lies inside it -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("loop", "cuts", "inside"),
    [
        (square(-1, -1, 12), False, True),
        (square(0, 0, 10), False, True),  # along the region's own edge
        (square(10, 0, 5), False, False),  # beside it, touching
        (square(20, 0, 5), False, False),
        (square(3.5, 3.5, 3), False, False),  # in its hole
        (square(3, 3, 4), False, False),  # along its hole
        (square(2, 2, 6), True, False),  # in its material, round the hole
        (square(1, 1, 1), True, False),  # in its material
        (square(-5, -5, 10), True, False),
        (square(0, 0, 5), True, False),
        (np.array([[-1, 4], [11, 4], [11, 6], [-1, 6]]), True, False),  # across
        (np.array([[5, 5], [20, 4], [20, 6]]), True, False),  # a wedge into the hole
    ],
)
def test_cut_inside_or_clear(loop, cuts, inside):
    for drawn in (loop, loop[::-1]):
        at = cut_at(drawn.astype(float), RING)
        assert (at is not None) == cuts
        if at is not None:
            assert RING.distance(at)[0] < 1e-9
        else:
            assert is_inside(drawn.astype(float), RING) == inside


def test_a_sliver_across_a_region_cuts_it_though_no_corner_of_either_lies_in_the_other():
    at = cut_at(np.array([[-5.0, 4.9], [15, 4.9], [15, 5.0], [-5, 5.0]]), region(square(0, 0, 10)))
    assert at is not None


# --- as a reach --------------------------------------------------------------------------


POSTS = joined([box(10, 10, 50, (20.0 * k, 0, 0)) for k in range(3)])


def drawn(*corners: tuple[float, float], height: float = 30.0) -> Seam:
    points = tuple((x, y, height) for x, y in corners)
    return Seam(1, "posts", (0, 0, 30), (0, 0, 1), Reach("outline", points))


def taken(seam: Seam) -> list[float]:
    whole = section(POSTS, seam.frame)
    return sorted(float(whole.frame.to_world(r.centroid)[0]) for r in reached(seam, whole))


def test_an_outline_takes_what_lies_inside():
    assert taken(drawn((-5, -5), (35, -5), (35, 15), (-5, 15))) == pytest.approx([5, 25])
    # Seen along the normal, drawn either way round, closed or not.
    off = drawn((15, -5), (15, 15), (55, 15), (55, -5), (15, -5), height=44)
    assert taken(off) == pytest.approx([25, 45])
    # Round the middle one from outside, hollow.
    bow = [(-5, -5), (55, -5), (55, 15), (35, 15), (35, -2), (15, -2), (15, 15), (-5, 15)]
    assert taken(drawn(*bow)) == pytest.approx([5, 45])


@pytest.mark.parametrize(
    ("seam", "says"),
    [
        (drawn(), "has no point"),
        (drawn((1, 2), (8, 9)), r"at \(1\.0, 2\.0, 30\.0\) mm has fewer than three points"),
        (drawn((1, 2), (8, 9), (1, 2)), "fewer than three points"),
        (drawn((0, -5), (40, 15), (40, -5), (0, 15)), r"itself at \(20\.0, 5\.0, 30\.0\) mm"),
        (drawn((-5, -5), (25, -5), (25, 15), (-5, 15)), r"cuts region \d at \(25\.0, \d+\.0, 30"),
        (drawn((1, 1), (9, 1), (9, 9), (1, 9)), r"cuts region \d at \(1\.0, 1\.0, 30\.0\) mm"),
        (drawn((12, 0), (18, 0), (15, 9)), r"no region lies inside .* round \(15\.0, 3\.0, 30"),
    ],
)
def test_a_bad_outline_is_refused_with_its_place(seam, says):
    with pytest.raises(BadInput, match=says) as caught:
        taken(seam)
    assert str(caught.value).startswith("Seam 'posts': ")
    assert "\n" not in str(caught.value)
