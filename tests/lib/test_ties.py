"""The fewest regions that hold solids together: against every choice there is."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.frame import Frame
from seamwright.section import section
from seamwright.shapes import box, torus
from seamwright.ties import joined_to, least_cut, still_tied, ties

quick = settings(max_examples=150, deadline=None)


def hangs(links: list[tuple[int, int]], a: int, b: int) -> bool:
    """Whether two nodes hang together, by walking."""
    seen, new = {a}, {a}
    while new:
        new = {y for p, q in links for x, y in ((p, q), (q, p)) if x in new} - seen
        seen |= new
    return b in seen


def best_of_all(ends, region, areas, pairs) -> tuple[int, float]:
    """How many regions, and what area, are least, by trying every set, fewest first."""
    names = sorted(set(region))
    for many in range(len(names) + 1):
        good = [
            sum(areas[k] for k in chosen)
            for chosen in combinations(names, many)
            if not any(
                hangs([e for e, k in zip(ends, region, strict=True) if k not in chosen], a, b)
                for a, b in pairs
            )
        ]
        if good:
            return many, min(good)
    raise AssertionError("solids that are one cannot be parted")


def tried(ends, region, areas, pairs) -> None:
    cut = least_cut(
        np.array(ends, dtype=np.int64).reshape(-1, 2),
        np.array(region, dtype=np.int64),
        np.array(areas, dtype=float),
        np.array(pairs, dtype=np.int64).reshape(-1, 2),
    )
    assert cut == sorted(set(cut))
    left = [e for e, k in zip(ends, region, strict=True) if k not in cut]
    assert not any(hangs(left, a, b) for a, b in pairs)
    many, area = best_of_all(ends, region, areas, pairs)
    assert len(cut) == many
    assert sum(areas[k] for k in cut) == pytest.approx(area, rel=1e-5)


@st.composite
def graphs(draw, most_pairs: int, shared: bool):
    """Ties between solids below (even) and above (odd) a plane, and pairs to be parted."""
    low = st.sampled_from([0, 2, 4])
    high = st.sampled_from([1, 3, 5])
    ends = draw(st.lists(st.tuples(low, high), min_size=1, max_size=8))
    region = list(range(len(ends)))
    if shared:
        region = draw(st.lists(st.integers(0, 5), min_size=len(ends), max_size=len(ends)))
    area = st.one_of(st.sampled_from([1.0, 2.0, 3.0]), st.floats(0.5, 1e4))
    areas = draw(st.lists(area, min_size=8, max_size=8))
    pairs = draw(st.lists(st.tuples(low, high), min_size=1, max_size=most_pairs))
    return ends, region, areas, pairs


@quick
@given(graphs(most_pairs=1, shared=False))
def test_one_pair_by_flow_is_the_least_of_all(task):
    tried(*task)


@quick
@given(graphs(most_pairs=4, shared=False))
def test_several_pairs_are_the_least_of_all(task):
    tried(*task)


@quick
@given(graphs(most_pairs=3, shared=True))
def test_regions_of_several_ties_are_the_least_of_all(task):
    tried(*task)


def test_fewest_comes_before_least_area():
    # One great region, or two small ones in a row beside each other.
    ends = [(0, 1), (1, 2), (1, 2)]
    tried(ends, [0, 1, 2], [1e6, 1e-3, 1e-3], [(0, 2)])
    assert least_cut(
        np.array(ends), np.arange(3), np.array([1e6, 1e-3, 1e-3]), np.array([[0, 2]])
    ) == [0]


def test_of_as_many_the_least_area_is_taken():
    # A chain: any link will do, so the thinnest goes, however little thinner it is.
    chain = np.array([(k, k + 1) for k in range(6)])
    areas = np.array([700.0, 650.0, 649.9, 800.0, 650.0, 3000.0])
    assert least_cut(chain, np.arange(6), areas, np.array([[0, 6]])) == [2]
    both = least_cut(chain, np.arange(6), areas, np.array([[0, 3], [3, 6]]))
    assert both == [2, 4]


def test_many_ties_do_not_overflow():
    ends = np.array([(0, 1)] * 3000)
    areas = np.full(3000, 1e6)
    assert least_cut(ends, np.arange(3000), areas, np.array([[0, 1]])) == list(range(3000))


def test_nothing_to_part():
    none = np.zeros((0, 2), dtype=np.int64)
    assert least_cut(none, none[:, 0], np.zeros(0), none) == []
    assert (
        least_cut(np.array([(0, 1)]), np.zeros(1, np.int64), np.ones(1), np.array([[0, 2]])) == []
    )
    assert still_tied(
        3, np.array([(0, 1)]), np.array([[1, 0], [0, 1], [1, 1], [0, 2]])
    ).tolist() == [[0, 1]]
    assert joined_to(3, np.array([(0, 1)]), 1).tolist() == [True, True, False]


def test_ties_of_a_ring_and_of_two_planes_through_it():
    ring = torus(30, 10)
    flat = section(ring, Frame.on_plane((0, 0, 0), (1, 0, 0)))
    found = ties(ring, [flat])
    assert found.count == 2 and found.region.tolist() == [0, 1]
    assert sorted(map(sorted, found.ends.tolist())) == [[0, 1], [0, 1]]
    assert found.volumes() == pytest.approx([ring.volume / 2] * 2)
    other = section(ring, Frame.on_plane((0, 0, 0), (0, 1, 0)))
    both = ties(ring, [flat, other])
    assert both.count == 4 and sorted(both.region.tolist()) == [0, 1, 2, 3]
    assert both.volumes() == pytest.approx([ring.volume / 4] * 4)
    assert (np.bincount(both.ends.ravel()) == 2).all()


def test_a_plane_that_divides_anothers_region_gives_it_two_ties():
    cube = box(10, 10, 10)
    level = section(cube, Frame.on_plane((0, 0, 5), (0, 0, 1)))
    upright = section(cube, Frame.on_plane((4, 0, 0), (1, 0, 0)))
    found = ties(cube, [level, upright])
    assert found.count == 4
    assert found.region.tolist() == [0, 0, 1, 1]
    assert found.areas.tolist() == pytest.approx([100, 100])


def test_bodies_that_the_plane_misses_are_no_ties():
    pair = ties(box(10, 10, 10), [section(box(10, 10, 10), Frame.on_plane((0, 0, 50), (0, 0, 1)))])
    assert pair.count == 1 and not len(pair.ends)
