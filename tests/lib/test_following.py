"""Regions keep their identity while the plane moves: limbs, forks, tips and boundaries."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.errors import BadInput
from seamwright.following import followed
from seamwright.landmark import landmark, landmarks, numbers_of, pinned
from seamwright.mesh import Mesh, joined
from seamwright.seam import Point, Reach, Seam, reached
from seamwright.section import section
from seamwright.shapes import box, revolved, torus

UP = (0.0, 0.0, 1.0)
quick = settings(max_examples=40, deadline=None)


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


def moved_to(figure: Mesh, seam: Seam, point: Point, normal: Point | None = None):
    """The seam followed to another plane, and its section there."""
    to = replace(seam, point=point, normal=normal or seam.normal)
    before, after = section(figure, seam.frame), section(figure, to.frame)
    return followed(seam, to, before, after), after


def centres(seam: Seam, whole) -> list[tuple[float, ...]]:
    return [tuple(whole.frame.to_world(r.centroid).tolist()) for r in reached(seam, whole)]


def leaning(x: float, y: float, lean: float, side: float, high: float = 100.0) -> Mesh:
    """A square bar from z = 0 up, leaning along x by `lean` mm a mm."""
    bar = box(side, side, high, (x - side / 2, y - side / 2, 0))
    v = bar.vertices.copy()
    v[:, 0] += lean * v[:, 2]
    return Mesh(v, bar.faces, bar.tag)


def test_landmarks_are_found_when_they_are_asked_for(monkeypatch):
    """Finding them takes longer than all else: a dragged seam goes by numbers until it rests."""
    from seamwright import following  # noqa: PLC0415

    asked = []
    find = following.landmark
    monkeypatch.setattr(following, "landmark", lambda *what: asked.append(what) or find(*what))
    pair = joined([leaning(0, 0, 0.2, 10), leaning(40, 0, 0.2, 10)])
    for reach, numbers in ((Reach("regions", regions=(2,)), (2,)), (Reach(), (1, 2))):
        found, _ = moved_to(pair, Seam(1, "s", (0.0, 0.0, 20.0), UP, reach), (0.0, 0.0, 25.0))
        assert found.numbers == numbers and asked == []
        assert [mark.number for mark in found.landmarks] == list(numbers)
        assert len(asked) == len(numbers)
        asked.clear()


# --- what a region is known by ---------------------------------------------------------


def test_a_landmark_is_the_middle_of_the_largest_circle():
    figure = united(box(40, 10, 20), box(20, 30, 20))
    whole = section(figure, Seam(1, "s", (0, 0, 10), UP).frame)
    mark = landmark(whole, 1)
    assert mark.area == pytest.approx(40 * 10 + 20 * 20)
    # The square of 20 × 30, with the bar beside it.
    assert mark.room == pytest.approx(10, rel=2e-3)
    assert whole.regions[0].edge_distance(whole.frame.to_plane([mark.point]))[0] == pytest.approx(
        10, rel=5e-3
    )
    assert mark.point == tuple(round(x, 3) for x in mark.point)


def test_the_middle_of_a_ring_is_no_landmark():
    whole = section(torus(30, 10), Seam(1, "s", (0, 0, 0), UP).frame)
    mark = landmark(whole, 1)
    assert np.hypot(*mark.point[:2]) == pytest.approx(30, abs=0.1)
    assert mark.room == pytest.approx(10, rel=2e-2)


def test_a_seam_is_pinned_by_points():
    figure = joined([box(10, 10, 50), box(20, 20, 50, (30, 0, 0)), box(5, 5, 50, (80, 0, 0))])
    whole = section(figure, Seam(1, "s", (0, 0, 30), UP).frame)
    reaches = [
        Reach("regions", regions=(1, 3)),
        Reach("outline", ((25, -5, 30), (95, -5, 30), (95, 25, 30), (25, 25, 30))),
        Reach("disc", ((57, 10, 30),), radius=32.0),
    ]
    for reach in reaches:
        seam = Seam(1, "s", (0, 0, 30), UP, reach)
        still = pinned(seam, whole)
        assert still.reach == nearest((40, 10, 30), (82.5, 2.5, 30))
        assert numbers_of(still, whole) == numbers_of(seam, whole) == (1, 3)
        assert [m.number for m in landmarks(seam, whole)] == [1, 3]
    everything = Seam(1, "s", (0, 0, 30), UP)
    assert pinned(everything, whole) == everything


# --- limbs ------------------------------------------------------------------------------

# Leaning so much that a plane 40 mm higher has each limb where the next one was.
FINGERS = joined([leaning(15.0 * k, 0, 0.75, 8) for k in range(5)])


@pytest.mark.parametrize("height", [31.0, 50.0, 70.0, 10.0])
@pytest.mark.parametrize("finger", [0, 2, 4])
def test_a_finger_is_followed_to_where_another_was(finger, height):
    start = 15.0 * finger + 0.75 * 30
    seam = Seam(1, "finger", (0, 0, 30), UP, nearest((start, 0, 30)))
    found, after = moved_to(FINGERS, seam, (0, 0, height))
    assert found.changes == ()
    (mark,) = found.landmarks
    assert mark.point == pytest.approx((15.0 * finger + 0.75 * height, 0, height), abs=0.05)
    assert mark.area == pytest.approx(64) and mark.room == pytest.approx(4, rel=2e-3)
    assert found.seam.reach.points == (mark.point,)
    assert centres(found.seam, after) == [
        pytest.approx((15.0 * finger + 0.75 * height, 0, height), abs=1e-9)
    ]


def test_the_other_side_of_the_plane_is_the_same_plane():
    seam = Seam(1, "finger", (0, 0, 30), UP, nearest((37.5, 0, 30)))
    for normal in ((0, 0, -1), (0.1, 0, -1)):
        found, after = moved_to(FINGERS, seam, (0, 0, 35), normal)
        (at,) = centres(found.seam, after)
        # On the axis of the second finger.
        assert at[0] - 0.75 * at[2] == pytest.approx(15, abs=1e-6)


@st.composite
def forests(draw):
    """Leaning bars apart from each other, which of them a seam takes, and a move of it."""
    lean = draw(st.floats(-0.6, 0.6))
    sides = draw(st.lists(st.floats(3, 9), min_size=2, max_size=5))
    bars = [leaning(14.0 * k, 14.0 * (k % 2), lean, s) for k, s in enumerate(sides)]
    chosen = draw(st.sets(st.integers(0, len(sides) - 1), min_size=1))
    mode = draw(st.sampled_from(["nearest", "regions"]))
    height = draw(st.floats(25, 75))
    tilt = draw(st.tuples(st.floats(-0.15, 0.15), st.floats(-0.15, 0.15)))
    return joined(bars), lean, chosen, mode, height, tilt


@quick
@given(forests())
def test_limbs_are_followed_under_small_moves(task):
    figure, lean, chosen, mode, height, tilt = task
    at = [(14.0 * k + 50 * lean, 14.0 * (k % 2), 50.0) for k in sorted(chosen)]
    seam = Seam(1, "limbs", (28, 0, 50), UP, nearest(*at))
    before = section(figure, seam.frame)
    if mode == "regions":
        seam = replace(seam, reach=Reach("regions", regions=numbers_of(seam, before)))
    to = replace(seam, point=(28, 0, height), normal=(*tilt, 1.0))
    after = section(figure, to.frame)
    found = followed(seam, to, before, after)
    assert found.changes == () and found.seam.reach.mode == mode
    # Which bar a centre is of: bars are 14 mm apart along x, less what they lean.
    which = [round((x - lean * z) / 14) for x, _, z in centres(found.seam, after)]
    assert sorted(which) == sorted(chosen)
    for mark in found.landmarks:
        x, _, z = mark.point
        assert round((x - lean * z) / 14) in chosen
        region = after.regions[mark.number - 1]
        flat = after.frame.to_plane([mark.point])
        assert region.contains(flat)[0]
        assert region.edge_distance(flat)[0] == pytest.approx(mark.room, abs=2e-3)
    # And back again.
    back = followed(found.seam, seam, after, before)
    assert numbers_of(back.seam, before) == numbers_of(seam, before)


# --- forks and tips ------------------------------------------------------------------------


def test_a_ring_joins_divides_and_ends():
    figure = torus(30, 10)
    seam = Seam(1, "ring", (0, 0, 0), (1, 0, 0), nearest((0, 30, 0)))
    near, _ = moved_to(figure, seam, (15, 0, 0))
    assert near.changes == ()
    assert near.landmarks[0].point == pytest.approx((15, 26, 0), abs=1.0)
    one, after = moved_to(figure, seam, (25, 0, 0))
    assert [c.kind for c in one.changes] == ["joined"]
    assert one.changes[0].at == pytest.approx((0, 30, 0), abs=1)
    assert "(0.0, 30.0, 0.0) mm has joined another at (20." in one.changes[0].line
    assert len(after.regions) == 1
    both, after = moved_to(figure, one.seam, (0, 0, 0))
    assert [c.kind for c in both.changes] == ["divided"]
    assert len(both.changes[0].now) == 2 and "has divided into those at" in both.changes[0].line
    assert len(reached(both.seam, after)) == 2
    with pytest.raises(BadInput, match=r"the region at \(0\.0, 30\.0, -?0\.0\) mm .* no longer"):
        followed(
            seam,
            replace(seam, point=(39.999, 0, 0)),
            section(figure, seam.frame),
            section(
                joined([figure, box(9, 9, 9, (35, 90, 0))]), replace(seam, point=(41, 0, 0)).frame
            ),
        )


def body_with_arms() -> Mesh:
    """A trunk with an arm hanging at either side, joined at the shoulders."""
    return united(
        box(20, 12, 60, (-10, -6, 0)),
        box(60, 8, 8, (-30, -4, 50)),
        box(8, 8, 40, (22, -4, 18)),
        box(8, 8, 40, (-30, -4, 18)),
    )


ARM = Seam(1, "arm", (0, 0, 30), UP, nearest((26, 0, 30)))


def test_an_arm_that_ends_is_told_with_its_place():
    for height in (17.0, 2.0):
        with pytest.raises(BadInput) as caught:
            moved_to(body_with_arms(), ARM, (0, 0, height))
        assert str(caught.value) == (
            "Seam 'arm': the region at (26.0, 0.0, 30.0) mm that its reach names is no longer "
            "there after the plane moved; move the seam back, or pick another region."
        )
    with pytest.raises(BadInput, match="'arm' misses the figure"):
        moved_to(body_with_arms(), ARM, (0, 0, 80))


def test_an_arm_joins_the_body_at_the_shoulder_and_divides_again():
    up, after = moved_to(body_with_arms(), ARM, (0, 0, 54))
    assert [c.kind for c in up.changes] == ["joined"]
    assert len(after.regions) == 1
    down, after = moved_to(body_with_arms(), up.seam, (0, 0, 40))
    assert [c.kind for c in down.changes] == ["divided"]
    assert numbers_of(down.seam, after) == (1, 2, 3)
    # Of three followed on, two end; something of the one is still there.
    low, after = moved_to(body_with_arms(), up.seam, (0, 0, 10))
    assert [c.kind for c in low.changes] == ["divided"]
    assert centres(low.seam, after) == [pytest.approx((0, 0, 10))]


def test_a_limb_that_widens_at_once_stays_the_same():
    figure = united(box(6, 6, 60, (-3, -3, 0)), box(60, 60, 20, (-30, -30, 20)))
    seam = Seam(1, "stem", (0, 0, 10), UP, nearest((0, 0, 10)))
    found, _ = moved_to(figure, seam, (0, 0, 30))
    assert found.changes == () and found.landmarks[0].area == pytest.approx(3600)
    found, _ = moved_to(figure, seam, (0, 0, 50))
    assert found.changes == () and found.landmarks[0].area == pytest.approx(36)


def test_the_tip_of_a_cone_is_followed_to_its_end():
    z = np.linspace(0, 50, 26)
    figure = joined([revolved(np.r_[0, 25 - z / 2], np.r_[0, z], 32), box(9, 9, 90, (60, 0, 0))])
    seam = Seam(1, "cone", (0, 0, 5), UP, nearest((0, 0, 5)))
    found, _ = moved_to(figure, seam, (0, 0, 49.9))
    assert found.landmarks[0].area < 0.01
    with pytest.raises(BadInput, match="no longer there"):
        moved_to(figure, seam, (0, 0, 50.5))


# --- the other reaches -----------------------------------------------------------------------


def test_all_takes_all_wherever_it_is():
    found, after = moved_to(body_with_arms(), replace(ARM, reach=Reach()), (0, 0, 10))
    assert found.seam.reach == Reach() and len(found.landmarks) == len(after.regions) == 1


def test_numbers_are_renewed():
    figure = joined(
        [
            revolved(np.array([0, 5, 15, 0.0]), np.array([0, 0, 50, 50.0]), 16),
            box(15, 15, 50, (30, 0, 0)),
        ]
    )
    seam = Seam(1, "cone", (0, 0, 10), UP, Reach("regions", regions=(2,)))
    found, after = moved_to(figure, seam, (0, 0, 40))
    assert found.seam.reach == Reach("regions", regions=(1,))
    assert centres(found.seam, after) == [pytest.approx((0, 0, 40), abs=1e-6)]


def test_a_boundary_stays_as_long_as_it_holds_the_same():
    ring = tuple((26 + x, y, 30.0) for x, y in ((-6, -6), (6, -6), (6, 6), (-6, 6)))
    for reach in (Reach("disc", ((26, 0, 30),), radius=7.0), Reach("outline", ring)):
        seam = replace(ARM, reach=reach)
        found, after = moved_to(body_with_arms(), seam, (0, 0, 25))
        laid = tuple((x, y, 25.0) for x, y, _ in reach.points)
        assert found.seam.reach == replace(reach, points=laid)
        assert numbers_of(found.seam, after) == numbers_of(ARM, after)
        slanted = joined([leaning(0, 0, 0.5, 8), leaning(20, 0, 0.5, 8)])
        first = replace(
            seam, reach=replace(reach, points=tuple((x - 11, y, z) for x, y, z in reach.points))
        )
        found, after = moved_to(slanted, first, (0, 0, 70))
        assert found.seam.reach.mode == "nearest"
        assert centres(found.seam, after) == [pytest.approx((35, 0, 70))]
