"""What each region of a section ties together, told before anything is cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.freeing import StillTied
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml
from seamwright.mesh import Mesh, joined
from seamwright.pieces import slivers, take_apart
from seamwright.printer import PrinterProfile
from seamwright.reach import region_facts
from seamwright.seam import Reach, Seam, reached
from seamwright.section import section
from seamwright.shapes import box, moved, torus


def ladder(rungs: int) -> Mesh:
    """Two posts 10 mm square and 100 mm high, 30 mm apart, with rungs between them."""
    steps = [box(40, 10, 10, (0, 0, 20.0 + 30 * k)) for k in range(rungs)]
    return united(box(10, 10, 100), box(10, 10, 100, (30, 0, 0)), *steps)


def united(*parts: Mesh) -> Mesh:
    """The union of closed meshes, by Manifold."""
    import manifold3d  # noqa: PLC0415

    solid = manifold3d.Manifold()
    for part in parts:
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


def test_the_facts_of_a_ring() -> None:
    """A tube of 32 corners bent into 64 straight pieces, cut in two halves."""
    ring = torus(30, 10)
    for fact in region_facts(section(ring, Frame.on_plane((0, 0, 0), (1, 0, 0)))):
        assert fact.area == pytest.approx(32 / 2 * 100 * np.sin(2 * np.pi / 32))
        assert fact.perimeter == pytest.approx(32 * 20 * np.sin(np.pi / 32))
        assert np.abs(fact.centre) == pytest.approx([0, 30, 0], abs=1e-9)
        assert fact.comes_away_then == pytest.approx(ring.volume / 2)
    assert "with it, takes off" in fact.line
    # Cut level it falls in two at once, and the region has a hole.
    (level,) = region_facts(section(ring, Frame.on_plane((0, 0, 0), (0, 0, 1))))
    outer, inner = (32 * r**2 * np.sin(2 * np.pi / 64) for r in (40, 20))
    assert level.area == pytest.approx(outer - inner)
    assert level.perimeter == pytest.approx(128 * (40 + 20) * np.sin(np.pi / 64))
    assert level.separates and level.comes_away == level.comes_away_then
    assert level.comes_away == pytest.approx(ring.volume / 2)


def test_the_facts_of_a_hollow_post() -> None:
    """A cavity that the plane meets is a hole; one that it does not is no material."""
    post = joined([box(10, 10, 50), box(4, 4, 20, (3, 3, 20)).flipped()])
    (met,) = region_facts(section(post, Frame.on_plane((0, 0, 30), (0, 0, 1))))
    assert (met.area, met.perimeter) == (pytest.approx(84), pytest.approx(56))
    assert met.comes_away == pytest.approx(100 * 20 - 16 * 10)
    (beside,) = region_facts(section(post, Frame.on_plane((0, 0, 15), (0, 0, 1))))
    assert beside.area == pytest.approx(100)
    assert beside.comes_away == pytest.approx(1500)
    (above,) = region_facts(section(post, Frame.on_plane((0, 0, 42), (0, 0, 1))))
    assert above.comes_away == pytest.approx(800)


@st.composite
def trellises(draw) -> Mesh:
    """A row of posts of different widths, some joined at the top to the next, some below."""
    many = draw(st.integers(2, 5))
    widths = draw(st.permutations([5.0, 6.0, 7.5, 9.0, 10.0]))[:many]
    posts = [box(w, w, 60, (20.0 * k, 0, 0)) for k, w in enumerate(widths)]
    bars = [
        box(22, 4, 8, (20.0 * k + 2, 0, z))
        for k in range(many - 1)
        for z in (4.0, 48.0)
        if draw(st.booleans())
    ]
    return united(*posts, *bars)


@settings(max_examples=15, deadline=None)
@given(trellises(), st.floats(20, 40))
def test_what_is_foretold_comes_true(figure: Mesh, height: float) -> None:
    row = Seam(1, "row", (0, 0, height), (0, 0, 1))
    whole = section(figure, row.frame)
    for fact in region_facts(whole):
        assert fact.separates == (not fact.needs)
        if fact.needs:
            alone = replace(row, reach=Reach("regions", regions=(fact.number,)))
            with pytest.raises(StillTied) as caught:
                take_apart(figure, (alone,))
            assert {tie.number for tie in caught.value.offer.ties} == set(fact.needs)
        both = replace(row, reach=Reach("regions", regions=(fact.number, *fact.needs)))
        region = whole.regions[fact.number - 1]
        volumes = []
        for piece in take_apart(figure, (both,)):
            caps = piece.mesh.vertices[piece.mesh.faces[piece.mesh.tag == row.id]].mean(axis=1)
            if region.contains(whole.frame.to_plane(caps)).any():
                volumes.append(piece.mesh.volume)
        assert len(volumes) == 2
        assert min(volumes) == pytest.approx(fact.comes_away_then)


def test_each_of_many_regions_has_its_facts() -> None:
    comb = joined([box(1, 1, 10, (2.0 * i, 2.0 * j, 0)) for i in range(15) for j in range(15)])
    facts = region_facts(section(comb, Frame.on_plane((0, 0, 4), (0, 0, 1))))
    assert len(facts) == 225
    assert {(f.separates, round(f.comes_away, 9)) for f in facts} == {(True, 4.0)}


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
    # Over the middle of an edge, with no corner of the region in it.
    with pytest.raises(BadInput, match="region 1 reaches out of the disc of 2 mm"):
        reached(disc(-1, 2), whole)


def test_a_point_left_behind_takes_no_other_limb() -> None:
    whole = section(ladder(1), disc(5, 8).frame)

    def taken(*point: float) -> float:
        x, y, z = point
        seam = Seam(1, "post", (0, 0, 10), (0, 0, 1), Reach("nearest", ((x, y, z),)))
        (region,) = reached(seam, whole)
        return float(whole.frame.to_world(region.centroid)[0])

    # A post of 10 mm is 14.1 mm across.
    assert taken(5, 5, 10) == taken(5, 5, 24) == taken(-9, 5, 10) == pytest.approx(5)
    assert taken(21, 5, 10) == pytest.approx(35)
    for point, away in (((5, 5, 25), 15), ((-12, 20, 10), 16), ((-7, 5, 22.5), 14)):
        with pytest.raises(BadInput) as caught:
            taken(*point)
        assert f"of its reach lies {away} mm from the nearest region, region " in str(caught.value)
        assert "(100 mm² at (5.0, 5.0, 10.0) mm); give one on the limb" in str(caught.value)


def test_an_outline_goes_into_a_job_and_back() -> None:
    corners = ((1.5, 0.0, 9.0), (4.0, 0.25, 9.0), (2.0, 3.0, 9.0))
    seam = Seam(1, "ear", (0.0, 0.0, 9.0), (0.0, 1.0, 0.0), Reach("outline", corners))
    job = Job("Dragon", FigureChoice(file="dragon.stl"), PrinterProfile(), (seam,))
    text = job_to_toml(job)
    assert "outline" in text
    assert job_from_toml(text).seams == (seam,)
    head = 'seamwright = 1\nname = "A"\n[[seam]]\npoint = [0, 0, 1]\nnormal = [0, 0, 1]\nreach = '
    for value, says in (
        ("{ outline = [] }", "reach must be"),
        ("{ outline = 3 }", "reach must be"),
        ("{ outline = [1, 2, 3] }", "'outline' must be three numbers"),
        ("{ outline = [[1, 2]] }", "'outline' must be three numbers"),
        ("{ outline = [[1, 2, 3]], radius = 4 }", "reach must be"),
        ("{ outlin = [[1, 2, 3]] }", "did you mean 'outline'?"),
    ):
        with pytest.raises(BadInput, match=says.replace("?", r"\?")) as caught:
            job_from_toml(head + value)
        assert "\n" not in str(caught.value)


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
