"""What would free a piece that a seam leaves tied: hoops, arms, ladders and belts."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest

from seamwright.freeing import StillTied, freed, freeing
from seamwright.landmark import numbers_of
from seamwright.mesh import Mesh
from seamwright.pieces import sections, take_apart
from seamwright.seam import Point, Reach, Seam, in_order
from seamwright.section import section
from seamwright.shapes import box, moved, torus

UP = (0.0, 0.0, 1.0)


def united(*meshes: Mesh) -> Mesh:
    """The union of closed meshes, by Manifold."""
    solids = [
        manifold3d.Manifold(
            manifold3d.Mesh64(np.ascontiguousarray(m.vertices), m.faces.astype("u8"))
        )
        for m in meshes
    ]
    out = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add).to_mesh64()
    return Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))


def nearest(*points: Point) -> Reach:
    return Reach("nearest", points)


def offer_of(figure: Mesh, *seams: Seam):
    with pytest.raises(StillTied) as caught:
        take_apart(figure, seams)
    assert caught.value.offer.line in str(caught.value)
    return caught.value.offer


def test_a_ring_is_freed_by_its_other_side():
    seam = Seam(1, "ring", (0, 0, 0), (1, 0, 0), nearest((0, 30, 0)))
    whole = section(torus(30, 10), seam.frame)
    offer = freeing(seam, whole)
    (tie,) = offer.ties
    assert tie.centre == pytest.approx((0, -30, 0), abs=1e-9)
    assert tie.point == pytest.approx((0, -30, 0), abs=0.1)
    # A regular polygon of 32 corners on a circle of 10 mm.
    assert tie.area == pytest.approx(16 * 100 * np.sin(2 * np.pi / 32))
    assert offer.is_own
    assert offer == offer_of(torus(30, 10), seam)
    wider = freed(seam, offer)
    assert freeing(wider, whole) is None
    assert [p.mesh.volume for p in take_apart(torus(30, 10), (wider,))] == pytest.approx(
        [torus(30, 10).volume / 2] * 2
    )


def test_what_is_free_gets_no_offer():
    seam = Seam(1, "post", (0, 0, 30), UP)
    assert freeing(seam, section(box(10, 10, 50), seam.frame)) is None


def hoop_in_both_hands() -> Mesh:
    """A trunk with two arms forward, and a hoop that lies in both hands and stands free."""
    hoop = moved(torus(40, 4, 64, 32), (0, 60, 100))
    arms = [box(10, 60, 10, (x, 10, 95)) for x in (-45, 35)]
    return united(box(100, 20, 200, (-50, -10, 0)), *arms, hoop)


def test_a_hoop_held_in_both_hands_comes_off_with_its_other_side():
    figure = hoop_in_both_hands()
    seam = Seam(1, "hoop", (0, 80, 100), (0, 1, 0), nearest((34, 80, 100)))
    whole = section(figure, seam.frame)
    assert len(whole.regions) == 2
    offer = freeing(seam, whole)
    assert [t.centre[0] for t in offer.ties] == pytest.approx([-34.6], abs=0.5)
    pieces = take_apart(figure, (freed(seam, offer),))
    assert len(pieces) == 2
    # Through one arm the hoop still hangs on the other.
    arm = Seam(2, "arm", (0, 30, 100), (0, 1, 0), nearest((40, 30, 100)))
    offer = offer_of(figure, arm)
    assert [t.centre[0] for t in offer.ties] == pytest.approx([-40], abs=0.5)
    hoop, trunk = sorted(take_apart(figure, (freed(arm, offer),)), key=lambda p: p.mesh.volume)
    assert trunk.mesh.volume == pytest.approx(100 * 20 * 200 + 2 * 10 * 20 * 10)
    assert hoop.mesh.bounds[0][1] == pytest.approx(16, abs=0.1)


def arm_on_hip() -> Mesh:
    """A trunk; an arm goes out at the shoulder, down, and back to the hip."""
    return united(
        box(40, 30, 200, (-20, -15, 0)),
        box(40, 12, 12, (15, -6, 160)),
        box(12, 12, 92, (45, -6, 80)),
        box(40, 8, 8, (15, -4, 80)),
    )


def test_an_arm_with_the_hand_on_the_hip():
    figure = arm_on_hip()
    shoulder = Seam(1, "shoulder", (30, 0, 0), (1, 0, 0), nearest((30, 0, 166)))
    offer = freeing(shoulder, section(figure, shoulder.frame))
    (tie,) = offer.ties
    assert tie.centre == pytest.approx((30, 0, 84)) and tie.area == pytest.approx(64)
    arm = min(take_apart(figure, (freed(shoulder, offer),)), key=lambda p: p.mesh.volume)
    assert arm.mesh.volume == pytest.approx(12 * 12 * 92 + 15 * 144 + 15 * 64)
    # A seam elsewhere that parts the wrist does as well, and no offer is made.
    wrist = Seam(2, "wrist", (25, 0, 0), (1, 0, 0), nearest((25, 0, 84)))
    assert len(take_apart(figure, (shoulder, wrist))) == 2
    # At the waist the arm holds the trunk.
    waist = Seam(1, "waist", (0, 0, 120), UP, Reach("regions", regions=(1,)))
    offer = freeing(waist, section(figure, waist.frame))
    assert [t.number for t in offer.ties] == [2]
    assert freed(waist, offer).reach == Reach("regions", regions=(1, 2))


def ladder(rungs: int) -> Mesh:
    """Two posts with rungs, each thicker than the one below."""
    steps = [box(40, 10, 4.0 + k, (0, 0, 10.0 + 20 * k)) for k in range(rungs)]
    high = 20.0 * rungs + 10
    return united(box(10, 10, high), box(10, 10, high, (30, 0, 0)), *steps)


@pytest.mark.parametrize("rungs", [2, 3, 5])
def test_a_ladder_needs_all_its_rungs(rungs):
    seam = Seam(1, "rungs", (20, 5, 12), (1, 0, 0), nearest((20, 5, 12)))
    whole = section(ladder(rungs), seam.frame)
    offer = freeing(seam, whole)
    # The seam has the lowest, which is the thinnest; the rest follow from the thickest down.
    assert [t.number for t in offer.ties] == list(range(1, rungs))
    assert [t.area for t in offer.ties] == pytest.approx(
        [10.0 * (3 + n) for n in range(rungs, 1, -1)]
    )
    assert len(take_apart(ladder(rungs), (freed(seam, offer),))) == 2


def chained_posts() -> Mesh:
    """A post from the floor to the lid, and another way from the lid to the floor: down, up
    and down again by posts ever thinner, each of which the plane z = 30 meets."""
    return united(
        box(200, 20, 10),
        box(60, 20, 10, (0, 0, 60)),
        box(10, 10, 70, (5, 5, 0)),  # floor to lid
        box(100, 20, 10, (50, 0, 60)),  # the lid goes on
        box(12, 12, 50, (120, 4, 15)),  # down to the hanging foot
        box(60, 20, 8, (120, 0, 15)),
        box(6, 6, 30, (170, 6, 15)),  # up again
        box(30, 20, 8, (160, 0, 42)),
        box(4, 4, 45, (186, 8, 5)),  # and down to the floor
    )


def test_of_as_many_the_smallest_region_is_offered():
    figure = chained_posts()
    seam = Seam(1, "post", (10, 10, 30), UP, nearest((10, 10, 30)))
    whole = section(figure, seam.frame)
    assert [r.area for r in whole.regions] == pytest.approx([144, 100, 36, 16])
    offer = freeing(seam, whole)
    assert [(t.number, t.area) for t in offer.ties] == [(4, pytest.approx(16))]
    assert len(take_apart(figure, (freed(seam, offer),))) == 2


def held_coat() -> Mesh:
    """A coat above and below a belt at z = 50, and a thin pole at either side that ties the
    lower half to the upper."""
    poles = [
        part
        for x in (-20, 110)
        for part in (
            box(10, 10, 70, (x, 15, 15)),
            box(30, 10, 10, (min(x, 100) if x > 0 else x, 15, 15)),
            box(30, 10, 10, (min(x, 90) if x > 0 else x, 15, 75)),
        )
    ]
    return united(box(100, 40, 100), *poles)


def belted() -> tuple[Seam, Seam]:
    belt = Seam(1, "belt", (50, 20, 50), UP, nearest((50, 20, 50)))
    back = Seam(2, "back", (50, 20, 0), (1, 0, 0), nearest((50, 20, 25)), stops_at=("belt",))
    return belt, back


def test_a_tie_in_the_plane_of_a_seam_it_stops_at_is_told_as_such():
    """The back seam stops at the belt; its halves hang together by the poles and what is
    above the belt. Parting a pole is less than parting all the upper half."""
    figure = held_coat()
    belt, back = belted()
    found = sections(figure, in_order((belt, back)))
    alone = freeing(back, found["back"])
    assert [(t.seam, t.area) for t in alone.ties] == [("back", pytest.approx(40 * 50))]
    offer = freeing(back, found["back"], ((belt, found["belt"]),))
    (tie,) = offer.ties
    assert (tie.seam, tie.number, tie.area) in [
        ("belt", 2, pytest.approx(100)),
        ("belt", 3, pytest.approx(100)),
    ]
    assert not offer.is_own
    assert "of seam 'belt'" in offer.line and "at which it stops" in offer.line
    assert freed(back, offer) == back
    wider = freed(belt, offer)
    assert wider.reach.points == (*belt.reach.points, tie.point)
    # The belt itself is held by the other pole.
    last = offer_of(figure, wider, back)
    assert last.seam == "belt" and last.is_own and len(last.ties) == 1
    assert len(take_apart(figure, (freed(wider, last), back))) == 3


def test_the_belt_gets_both_its_poles_at_once():
    figure = held_coat()
    belt, back = belted()
    offer = offer_of(figure, belt, back)
    assert offer.seam == "belt" and sorted(t.number for t in offer.ties) == [2, 3]
    assert len(take_apart(figure, tuple(freed(s, offer) for s in (belt, back)))) == 3


def test_numbers_become_points_where_the_seam_they_stop_at_parts_more():
    figure = held_coat()
    belt, back = belted()
    found = sections(figure, in_order((belt, back)))
    lower = next(
        n for n, r in enumerate(found["back"].regions, 1)
        if found["back"].frame.to_world(r.centroid)[2] < 50
    )  # fmt: skip
    by_number = replace(back, reach=Reach("regions", regions=(lower,)))
    offer = offer_of(figure, belt, by_number)
    steady = freed(by_number, offer)
    assert steady.reach.mode == "nearest"
    assert len(take_apart(figure, (freed(belt, offer), steady))) == 3


@pytest.mark.parametrize(
    "reach",
    [
        nearest((0, 30, 0)),
        Reach("regions", regions=(1,)),
        Reach("disc", ((0, 30, 0),), radius=15),
        Reach("outline", ((0, 15, -15), (0, 45, -15), (0, 45, 15), (0, 15, 15))),
    ],
)
def test_every_reach_can_be_widened(reach):
    figure = torus(30, 10)
    seam = Seam(1, "ring", (0, 0, 0), (1, 0, 0), reach)
    whole = section(figure, seam.frame)
    offer = freeing(seam, whole)
    assert len(numbers_of(seam, whole)) == 1
    wider = freed(seam, offer)
    assert numbers_of(wider, whole) == (1, 2)
    assert freeing(wider, whole) is None
    other = replace(seam, name="another")
    assert freed(other, offer) == other


def test_several_regions_of_a_seam_are_freed_together():
    """Both posts between the rungs, each tied by what the other one misses: a cross."""
    figure = united(
        box(10, 10, 60), box(10, 10, 60, (40, 0, 0)), box(10, 10, 60, (80, 0, 0)),
        box(90, 10, 10, (0, 0, 0)), box(90, 10, 10, (0, 0, 50)),
    )  # fmt: skip
    seam = Seam(1, "posts", (0, 0, 30), UP, nearest((5, 5, 30), (45, 5, 30)))
    offer = freeing(seam, section(figure, seam.frame))
    assert [t.centre for t in offer.ties] == [pytest.approx((85, 5, 30))]
    pieces = take_apart(figure, (freed(seam, offer),))
    assert [p.mesh.volume for p in pieces] == pytest.approx([9000 + 3 * 2000] * 2)
