"""What each region of a section ties together, told before anything is cut."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.mesh import Mesh, joined
from seamwright.pieces import slivers, take_apart
from seamwright.reach import region_facts
from seamwright.seam import Reach, Seam, reached
from seamwright.section import section
from seamwright.shapes import box, moved, torus


def ladder(rungs: int) -> Mesh:
    """Two posts 10 mm square and 100 mm high, 30 mm apart, with rungs between them."""
    import manifold3d  # noqa: PLC0415

    solid = manifold3d.Manifold()
    steps = [box(40, 10, 10, (0, 0, 20.0 + 30 * k)) for k in range(rungs)]
    for part in (box(10, 10, 100), box(10, 10, 100, (30, 0, 0)), *steps):
        solid += manifold3d.Manifold(manifold3d.Mesh64(part.vertices, part.faces.astype(np.uint64)))
    out = solid.to_mesh64()
    return Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))


def test_a_ring_is_free_only_with_both_its_regions() -> None:
    facts = region_facts(section(torus(30, 10), Frame.on_plane((0, 0, 0), (1, 0, 0))))
    assert [(f.separates, f.comes_away, f.needs) for f in facts] == [
        (False, 0.0, (2,)),
        (False, 0.0, (1,)),
    ]
    assert "separates nothing without region 2" in facts[0].line


def test_a_post_comes_off_with_its_own_volume() -> None:
    figure = box(10, 10, 50)
    (fact,) = region_facts(section(figure, Frame.on_plane((0, 0, 30), (0, 0, 1))))
    assert fact.separates
    assert fact.area == pytest.approx(100)
    assert fact.perimeter == pytest.approx(40)
    assert fact.comes_away == pytest.approx(2000)
    assert fact.centre == pytest.approx((5, 5, 30))
    assert "takes off 2.0 cm³" in fact.line


def test_separate_bodies_come_off_each_by_itself() -> None:
    figure = joined([box(10, 10, 50), moved(box(20, 20, 40), (50, 0, 0))])
    facts = region_facts(section(figure, Frame.on_plane((0, 0, 30), (0, 0, 1))))
    assert [f.comes_away for f in facts] == pytest.approx([4000, 2000])


def test_a_ladder_needs_the_fewest_cuts() -> None:
    """Below the lowest rung each post is a leg; between the rungs both posts must go."""
    figure = ladder(2)
    legs = region_facts(section(figure, Frame.on_plane((0, 0, 10), (0, 0, 1))))
    assert [(f.separates, f.comes_away) for f in legs] == [(True, pytest.approx(1000))] * 2
    middle = region_facts(section(figure, Frame.on_plane((0, 0, 40), (0, 0, 1))))
    assert [f.needs for f in middle] == [(2,), (1,)]
    rungs = region_facts(section(figure, Frame.on_plane((20, 0, 0), (1, 0, 0))))
    assert [f.needs for f in rungs] == [(2,), (1,)]
    three = region_facts(section(ladder(3), Frame.on_plane((20, 0, 0), (1, 0, 0))))
    assert [f.needs for f in three] == [(2, 3), (1, 3), (1, 2)]


def test_a_seam_that_frees_nothing_names_what_ties_it() -> None:
    seam = Seam(1, "rung", (20, 5, 25), (1, 0, 0), Reach("nearest", ((20, 5, 25),)))
    with pytest.raises(BadInput, match=r"tied together through region 2 .*add it") as caught:
        take_apart(ladder(2), (seam,))
    assert "(20.0, 5.0, 55.0) mm" in str(caught.value)


def disc(x: float, radius: float) -> Seam:
    return Seam(1, "post", (0, 0, 10), (0, 0, 1), Reach("disc", ((x, 5, 10),), radius=radius))


def test_a_disc_takes_what_lies_inside() -> None:
    whole = section(ladder(1), disc(5, 8).frame)
    (region,) = reached(disc(5, 8), whole)
    assert whole.frame.to_world(region.centroid) == pytest.approx((5, 5, 10))
    assert len(reached(disc(20, 40), whole)) == 2
    with pytest.raises(BadInput, match=r"region 1 reaches out of the disc of 5 mm, to \("):
        reached(disc(5, 5), whole)
    with pytest.raises(BadInput, match="no region lies inside the disc"):
        reached(disc(20, 5), whole)
    with pytest.raises(BadInput, match="a radius above 0"):
        reached(disc(20, 0), whole)


def test_two_seams_in_one_place_are_refused() -> None:
    one = Seam(1, "one", (0, 0, 30), (0, 0, 1))
    two = Seam(2, "two", (4, 4, 30), (0, 0, -1))
    with pytest.raises(BadInput, match=r"'one' and 'two' part the same place \(5.0, 5.0, 30.0\)"):
        take_apart(box(10, 10, 50), (one, two))
    legs = [
        Seam(k, f"leg {k}", (0, 0, 10), (0, 0, 1), Reach("nearest", ((x, 5, 10),)))
        for k, x in ((1, 5), (2, 35))
    ]
    assert len(take_apart(ladder(1), tuple(legs))) == 3


def test_a_sliver_is_named_with_its_seams() -> None:
    seams = (Seam(1, "low", (0, 0, 30), (0, 0, 1)), Seam(2, "high", (0, 0, 31), (0, 0, 1)))
    pieces = take_apart(box(50, 50, 80), seams)
    (warning,) = slivers(pieces, 3.0, seams)
    assert warning == (
        "Piece 2 is a sliver of 2.50 cm³, about 1.0 mm thick, at (25.0, 25.0, 30.5) mm, "
        "made by seams 'low', 'high'."
    )
    assert slivers(take_apart(box(50, 50, 80), seams[:1]), 3.0, seams) == ()
