"""Handles: a joint that is dragged is what the library makes when it is asked for the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from seamwright.choice import FOOTPRINTS, JointChoice
from seamwright.errors import BadInput
from seamwright.handles import (
    centres_of,
    depth_range,
    dragged,
    needed,
    room_at,
    stand_of,
    thinnest,
    width_range,
)
from seamwright.job import FigureChoice, Job
from seamwright.joint import Joint
from seamwright.printer import PrinterProfile
from seamwright.run import Figure, prepare, sized
from seamwright.seam import Seam
from seamwright.shapes import box

PROFILE = PrinterProfile()
LONG, SMALL = (160.0, 60.0), (60.0, 60.0)


@pytest.fixture(scope="module", params=[LONG, SMALL])
def bar(request: pytest.FixtureRequest) -> Figure:
    return prepare(box(*request.param, 200.0), "mm", job_of(JointChoice()))


def job_of(choice: JointChoice) -> Job:
    seam = Seam(1, "low", (0.0, 0.0, 90.0), (0.0, 0.0, 1.0), joint=choice)
    return Job("A", FigureChoice(), PROFILE, (seam,))


def made(figure: Figure, choice: JointChoice) -> Joint:
    (joint,) = sized(figure, job_of(choice)).joints
    return joint


def same(one: Joint, other: Joint) -> None:
    """The pegs, sockets and pockets are alike."""
    for side in ("A", "B"):
        ours, theirs = one.bodies(side, marks=False), other.bodies(side, marks=False)
        assert len(ours) == len(theirs) > 0
        for a, b in zip(ours, theirs, strict=True):
            assert a.stands == b.stands
            assert np.allclose(a.points, b.points, atol=1e-6)


CHANGES = (
    {"width": 11.0},
    {"depth": 9.0},
    {"turn": 33.0},
    {"width": 4.5},
    {"width": 10.0, "depth": 7.0, "turn": -100.0},
)


@pytest.mark.parametrize("kind", ["auto", "loose pegs"])
@pytest.mark.parametrize("change", CHANGES)
def test_what_is_dragged_is_what_is_made(bar: Figure, kind: str, change: dict[str, float]) -> None:
    was = JointChoice(kind)  # type: ignore[arg-type]
    before = made(bar, was)
    # Where they stand is said, as narrower pegs may have room elsewhere.
    at = tuple(map(tuple, before.frame.to_world(centres_of(before)).tolist()))
    now = replace(was, at=at, **change)  # type: ignore[arg-type]
    found = dragged(before, was, now, PROFILE)
    assert found is not None and found.letter == before.letter
    if "depth" not in change and "width" in change:
        # How deep it goes by itself is only known once there is room for it.
        now = replace(now, depth=found.pegs[0].depth)
    same(found, made(bar, now))


@pytest.mark.parametrize("shape", FOOTPRINTS)
def test_every_footprint_is_told_where_it_stands(bar: Figure, shape: str) -> None:
    was = JointChoice("pegs", footprint=shape, count=1)  # type: ignore[arg-type]
    before = made(bar, was)
    same(dragged(before, was, was, PROFILE) or before, before)
    now = replace(was, depth=6.5)
    found = dragged(before, was, now, PROFILE)
    assert found is not None and found.pegs[0].depth == 6.5
    same(found, made(bar, now))
    stand = stand_of(before.pegs[0])
    turned = replace(was, turn=stand.turn)
    if shape != "section":
        same(made(bar, turned), before)


def test_pegs_and_magnets_go_where_they_are_dragged(bar: Figure) -> None:
    for was in (JointChoice("pegs", count=2, width=6.0), JointChoice("magnets", magnet="6x3")):
        before = made(bar, was)
        at = before.frame.to_world(centres_of(before))
        # To the middle, where there is room.
        x = float(np.sign((before.interface.centre - at[0]) @ before.frame.axes[0]) or 1.0) * 1.5
        at[0] += x * before.frame.axes[0]
        now = replace(was, count=None, at=tuple(map(tuple, at.tolist())))
        moved = dragged(before, replace(was, count=None), now, PROFILE)
        assert moved is not None
        assert np.allclose(centres_of(moved) - centres_of(before), [[x, 0], [0, 0]][: len(at)])
        same(moved, made(bar, now))
        # More or fewer are not the same pegs.
        more = replace(now, at=(*now.at, now.at[0]))
        assert dragged(before, replace(was, count=None), more, PROFILE) is None


def test_what_takes_sizing_is_not_told(bar: Figure) -> None:
    was = JointChoice(width=9.0, turn=10.0)
    before = made(bar, was)
    for now in (
        JointChoice(turn=10.0), JointChoice(width=9.0), replace(was, footprint="cross"),
        replace(was, kind="loose pegs"), replace(was, clearance=0.5), replace(was, count=2),
    ):  # fmt: skip
        assert dragged(before, was, now, PROFILE) is None
    plain = made(bar, JointChoice("plain"))
    assert dragged(plain, JointChoice("plain"), JointChoice("plain"), PROFILE) is plain


def test_a_width_at_its_limit_is_made_and_beyond_it_is_not(bar: Figure) -> None:
    was = JointChoice("pegs", count=1, depth=5.0, footprint="square", width=12.0)
    before = made(bar, was)
    least, most = width_range(before, False, PROFILE)
    assert least == pytest.approx(2.4) and most > 12
    # Where there is most room is looked for in steps.
    assert made(bar, replace(was, width=0.97 * most)).pegs
    with pytest.raises(BadInput, match=r"would fit"):
        made(bar, replace(was, width=1.05 * most))
    at = tuple(map(tuple, before.frame.to_world(centres_of(before)).tolist()))
    _least, here = width_range(before, True, PROFILE)
    assert here <= most + 1e-6
    assert made(bar, replace(was, count=None, at=at, width=here - 1e-6)).pegs


def test_a_round_peg_that_grows_square_has_the_room_of_a_square_one(bar: Figure) -> None:
    small = made(bar, JointChoice(width=4.0, count=1))
    square = made(bar, JointChoice(width=10.0, count=1))
    assert (small.pegs[0].shape, square.pegs[0].shape) == ("D", "square")
    _, round_most = width_range(small, False, PROFILE)
    _, most = width_range(small, False, PROFILE, is_open=True)
    assert most == pytest.approx(width_range(square, False, PROFILE)[1], rel=1e-3)
    assert most < round_most
    # With room for a round one alone it stays round.
    little = replace(PROFILE, wall=round_most / 2 - 3.5 + PROFILE.wall)
    assert 5.9 < width_range(small, False, little, is_open=True)[1] < 6.0


def test_a_place_at_its_limit_is_made_and_beyond_it_is_not(bar: Figure) -> None:
    was = JointChoice("pegs", width=8.0, depth=5.0)
    before = made(bar, replace(was, count=1))
    (centre,) = centres_of(before)
    room = room_at(before, centre)
    assert room_at(before, centre + 1000.0) < 0 < needed(before, PROFILE) < room
    # Toward the nearest rim of the box.
    low, high = before.interface.region.outline.min(axis=0), before.interface.region.outline.max(0)
    k = int(np.argmin(high - low))
    # The side where its key is cut off may go a little nearer.
    for less, holds in ((0.001, True), (-3.0, False)):
        place = centre.copy()
        place[k] = high[k] - needed(before, PROFILE) - less
        now = replace(was, at=(tuple(before.frame.to_world(place).tolist()),))
        assert (room_at(before, place) > needed(before, PROFILE)) == holds
        if holds:
            assert made(bar, now).pegs
        else:
            with pytest.raises(BadInput, match=r"would fit"):
                made(bar, now)


def test_a_draft_limits_how_deep_a_peg_goes(bar: Figure) -> None:
    was = JointChoice("pegs", count=1, width=8.0)
    before = made(bar, was)
    least, most = depth_range(before, PROFILE)
    assert least == 1.0
    assert made(bar, replace(was, depth=most - 1e-6)).pegs[0].depth > 1.25 * 8
    with pytest.raises(BadInput, match=r"would fit"):
        made(bar, replace(was, depth=most + 0.1))
    assert made(bar, replace(was, depth=least)).pegs[0].depth == least
    assert depth_range(made(bar, JointChoice("loose pegs")), PROFILE)[1] == np.inf


def test_the_thinnest_wall_is_where_it_is(bar: Figure) -> None:
    was = JointChoice("pegs", count=1, footprint="square", width=10.0, turn=0.0)
    before = made(bar, was)
    wall, _ = thinnest(before) or (0.0, None)
    assert wall >= PROFILE.wall
    # The limits of the box are told by its own size.
    wide = min(float(np.ptp(before.interface.region.outline, axis=0).min()), 60.0) + 4.0
    found = dragged(before, was, replace(was, width=wide), PROFILE)
    assert found is not None
    wall, place = thinnest(found) or (0.0, (0.0, 0.0, 0.0))
    assert wall < -1.9 and abs(place[2] - 90.0) < 1e-9
    corners = found.frame.to_world(np.concatenate(found.mouths()))
    assert np.abs(corners - place).max(axis=1).min() < 1e-9
    assert thinnest(made(bar, JointChoice("plain"))) is None


def test_the_wall_between_two_pegs_counts_as_well(bar: Figure) -> None:
    was = JointChoice("pegs", count=2, width=6.0)
    before = made(bar, was)
    at = before.frame.to_world(centres_of(before))
    way = (at[1] - at[0]) / np.linalg.norm(at[1] - at[0])
    walls = []
    for apart in (9.0, 8.0, 1.0):
        places = (tuple(at[0].tolist()), tuple((at[0] + apart * way).tolist()))
        now = replace(was, count=None, at=places)
        found = dragged(before, replace(was, count=None), now, PROFILE)
        walls.append((thinnest(found) or (np.inf, None))[0] if found else np.nan)
    assert 0 < walls[1] < walls[0] < PROFILE.wall and not walls[2] > 0
