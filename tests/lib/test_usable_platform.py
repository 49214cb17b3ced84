"""Round platforms and excluded corners: poses and the gauge keep to what is left of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from seamwright.errors import BadInput
from seamwright.fit import fit
from seamwright.gauge import gauge
from seamwright.mesh import Mesh
from seamwright.platform import Platform, platform_of
from seamwright.pose import poses
from seamwright.printer import PrinterProfile, printer
from seamwright.shapes import box

SMALL = printer("filament-180")
DISC = replace(SMALL, shape="round")
CORNERED = replace(SMALL, excluded=((0.0, 0.0, 40.0, 40.0), (140.0, 0.0, 180.0, 40.0)))


def free_of(platform: Platform) -> shapely.Geometry:
    """What of a platform may be stood on, a hair more."""
    x, y, _ = platform.size
    whole = (
        shapely.Point(*platform.centre).buffer(x / 2, 512)
        if platform.round
        else shapely.box(0, 0, x, y)
    )
    for corner in platform.excluded:
        whole = whole.difference(shapely.box(*corner))
    return whole.buffer(1e-3)


def lies(mesh: Mesh, rotation: np.ndarray, platform: Platform) -> bool:
    """Whether a piece in a pose has a place on a platform, turned about the vertical or not."""
    points = mesh.vertices @ rotation.T
    found = fit(points, platform, allow="turned")
    placed = shapely.MultiPoint(found.placed(points)[:, :2]).convex_hull
    return found.way != "none" and free_of(platform).contains(placed)


# --- poses ----------------------------------------------------------------------------------------

PLATE = box(150, 120, 20)
"""Lies flat on a square of 174 mm, but not on a disc: its diagonal is 192 mm."""


def test_a_plate_stands_up_on_a_disc():
    square, disc = poses(PLATE, SMALL, count=6), poses(PLATE, DISC, count=6)
    assert any(abs(p.down[2]) == 1.0 for p in square)
    assert disc and all(p.fits for p in disc)
    platform = platform_of(DISC)
    assert all(lies(PLATE, p.rotation, platform) for p in disc)
    assert not any(abs(p.down[2]) > 0.99 for p in disc)


def test_a_plate_keeps_off_excluded_corners():
    platform = platform_of(CORNERED)
    plate = box(160, 150, 20)
    found = poses(plate, CORNERED, count=6)
    assert found and all(p.fits and lies(plate, p.rotation, platform) for p in found)
    assert not any(abs(p.down[2]) > 0.99 for p in found)
    assert any(abs(p.down[2]) == 1.0 for p in poses(plate, SMALL, count=6))


def test_a_platform_can_be_given_in_three_ways():
    disc = platform_of(DISC)
    own = poses(PLATE, DISC, count=4)
    given = poses(PLATE, SMALL, fits=disc, count=4)
    judged = poses(
        PLATE, SMALL, fits=lambda hull: fit(hull, disc, allow="turned").way != "none", count=4
    )
    for other in (given, judged):
        assert [p.down.tolist() for p in other] == [p.down.tolist() for p in own]
    box_like = poses(PLATE, DISC, fits=SMALL.usable, count=4)
    plain = poses(PLATE, SMALL, count=4)
    assert [p.down.tolist() for p in box_like] == [p.down.tolist() for p in plain]


def test_what_fits_no_disc_gets_the_pose_that_misses_by_least():
    long = box(300, 20, 20)
    (pose,) = poses(long, DISC, count=4)
    assert not pose.fits and "does not fit" in pose.said
    with pytest.raises(BadInput, match="three lengths above 0"):
        poses(long, DISC, fits=(1.0, 2.0), count=4)


# --- the gauge ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "profile",
    [
        SMALL,
        DISC,
        CORNERED,
        replace(SMALL, shape="round", build_volume=(126.0, 126.0, 100.0)),
        replace(SMALL, excluded=((40.0, 40.0, 140.0, 140.0),)),
        replace(SMALL, brim=30.0),
    ],
)
def test_both_halves_have_a_place_as_they_lie(profile: PrinterProfile) -> None:
    made = gauge(profile)
    free = free_of(platform_of(profile))
    for mesh in (made.bar, made.peg):
        quarter = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
        ways = [mesh.vertices, mesh.vertices @ quarter.T]
        found = [fit(way, platform_of(profile), allow="upright") for way in ways]
        placed = [
            shapely.MultiPoint(f.placed(way)[:, :2]).convex_hull
            for f, way in zip(found, ways, strict=True)
            if f.way != "none"
        ]
        assert placed and all(free.contains(p) for p in placed)
        assert mesh.size[2] <= profile.usable[2]


def test_the_bar_has_more_rows_where_one_does_not_go() -> None:
    square = replace(SMALL, build_volume=(126.0, 126.0, 100.0))
    one, two = gauge(square).bar.size, gauge(replace(square, shape="round")).bar.size
    assert one[0] <= 120.0 < np.hypot(*one[:2]) and np.hypot(*two[:2]) <= 120.0
    assert one[1] < two[1]
    # Beside a corner there may be a strip that is wide enough.
    beside = gauge(replace(square, excluded=((50.0, 50.0, 126.0, 126.0),)))
    assert np.array_equal(beside.bar.size, one)


def test_a_disc_too_small_for_the_bar_is_told() -> None:
    tiny = replace(SMALL, shape="round", build_volume=(76.0, 76.0, 100.0))
    with pytest.raises(BadInput) as error:
        gauge(tiny)
    assert "does not fit filament-180, which has 70 mm round × 97 mm inside" in str(error.value)
