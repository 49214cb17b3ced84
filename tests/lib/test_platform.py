"""platform.py: what is left of a build platform, and what lies on it."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.platform import TOLERANCE, Platform, platform_of
from seamwright.printer import PrinterProfile, printer

SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


def test_margin_brim_and_lift_are_taken_off() -> None:
    profile = printer("filament-256", margin=4.0, brim=6.0, lift=1.5)
    assert platform_of(profile) == Platform((236.0, 236.0, 250.5))
    assert printer("resin-218").usable == (214.0, 119.0, 213.0)
    assert platform_of(printer("filament-256")).size == (250.0, 250.0, 253.0)


def test_excluded_corners_keep_margin_and_brim_round_them() -> None:
    profile = printer(
        "filament-256", brim=2.0, excluded=((0.0, 0.0, 20.0, 30.0), (250.0, 100.0, 256.0, 120.0))
    )
    first, second = platform_of(profile).excluded
    # Five mm in from the edge, and five more round the corner.
    assert first == (0.0, 0.0, 20.0, 30.0)
    assert second == (240.0, 90.0, 246.0, 120.0)


def test_margin_goes_round_a_corner_in_the_margin_too() -> None:
    profile = PrinterProfile(margin=10.0, excluded=((0.0, 0.0, 3.0, 4.0),))
    # 13 mm by 14 mm of the build volume, of which 10 mm are the margin anyhow.
    assert platform_of(profile).excluded == ((0.0, 0.0, 3.0, 4.0),)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"shape": "oval"}, "shape is 'oval'"),
        ({"shape": "round", "build_volume": (200, 210, 300)}, "one diameter"),
        ({"brim": -1.0}, "brim must be 0 or more"),
        ({"lift": float("nan")}, "lift must be 0 or more"),
        ({"brim": 130.0}, "leaves nothing of the build volume"),
        ({"lift": 256.0}, "leaves nothing of the build volume"),
        ({"excluded": ((10.0, 0.0, 10.0, 5.0),)}, "x0 below x1"),
        ({"excluded": ((0.0, 0.0, 300.0, 5.0),)}, "inside the 256 mm by 256 mm"),
        ({"excluded": ((0.0, 0.0, float("nan"), 5.0),)}, "x0 below x1"),
        ({"excluded": ((0.0, 0.0, 5.0),)}, r"must be \[x0, y0, x1, y1\]"),
        ({"excluded": ((0.0, 0.0, 256.0, 256.0),)}, "leave nothing of the platform"),
        (
            {"excluded": ((0.0, 0.0, 130.0, 256.0), (120.0, 0.0, 256.0, 256.0))},
            "leave nothing of the platform",
        ),
        # The margin round a corner counts: 3 mm on either side of the gap.
        (
            {"excluded": ((0.0, 0.0, 126.0, 256.0), (131.0, 0.0, 256.0, 256.0))},
            "leave nothing of the platform",
        ),
        (
            {"shape": "round", "excluded": ((20.0, 20.0, 236.0, 236.0), (0, 60, 256, 200),
             (60, 0, 200, 256))},
            "leave nothing of the platform",
        ),
    ],
)  # fmt: skip
def test_bad_profiles_are_refused(changes: dict, says: str) -> None:
    with pytest.raises(BadInput, match=says) as error:
        printer("filament-256", **changes)
    assert str(error.value).count(". ") == 0


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (((0.0, 1.0, 1.0),), "three lengths above 0"),
        (((5.0, 6.0, 1.0), True), "one diameter"),
        (((5.0, 6.0, 1.0), False, ((3.0, 0.0, 2.0, 1.0),)), "x0 below x1"),
        (((5.0, 6.0, 1.0), False, ((-1.0, -1.0, 7.0, 7.0),)), "leave nothing"),
        (((8.0, 8.0, 1.0), True, ((-1.0, -1.0, 9.0, 9.0),)), "leave nothing"),
    ],
)
def test_bad_platforms_are_refused(values: tuple, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        Platform(*values)


def test_area_counts_what_overlaps_once() -> None:
    plain = Platform((100.0, 50.0, 1.0), excluded=((-5.0, -5.0, 20.0, 20.0), (10, 10, 30, 30)))
    assert plain.area == pytest.approx(5000 - 400 - 400 + 100)
    half = Platform((100.0, 100.0, 1.0), True, ((0.0, 0.0, 50.0, 100.0),))
    assert half.area == pytest.approx(np.pi * 50**2 / 2)
    inside = Platform((100.0, 100.0, 1.0), True, ((45.0, 45.0, 55.0, 60.0),))
    assert inside.area == pytest.approx(np.pi * 50**2 - 150)
    # A corner of the square round the disc that it does not touch takes nothing.
    outside = Platform((100.0, 100.0, 1.0), True, ((0.0, 0.0, 14.0, 14.0),))
    assert outside.area == pytest.approx(np.pi * 50**2)


def test_area_is_what_the_mask_comes_to() -> None:
    odd = Platform((100.0, 100.0, 1.0), True, ((0.0, 10.0, 60.0, 25.0), (40.0, 15.0, 55.0, 70.0)))
    cells = odd.mask(0.1).sum() * 0.01
    # Every cell that the outline runs through is missing: 0.1 mm along some 600 mm of it.
    assert 0 < odd.area - cells < 60


def test_touching_lies_on_it_and_a_hundredth_over_does_not() -> None:
    plain = Platform((40.0, 30.0, 1.0), excluded=((0.0, 0.0, 10.0, 10.0),))
    assert plain.holds(SQUARE * [30, 30] + [10, 0])
    assert plain.holds(SQUARE * [40, 20] + [0, 10])
    assert not plain.holds(SQUARE * [30, 30] + [9.99, 0])
    assert not plain.holds(SQUARE * [30, 30] + [10.01, 0])
    assert not plain.holds(SQUARE * [40, 20] + [0, 10.01])
    assert plain.holds(SQUARE * [30 + TOLERANCE / 2, 30] + [10, 0])


def test_an_outline_may_go_round_a_corner_but_not_over_it() -> None:
    bent = np.array([[10, 0], [40, 0], [40, 30], [0, 30], [0, 10], [10, 10]], dtype=float)
    plain = Platform((40.0, 30.0, 1.0), excluded=((0.0, 0.0, 10.0, 10.0),))
    assert plain.holds(bent)
    assert not Platform((40.0, 30.0, 1.0), excluded=((0.0, 0.0, 10.0, 10.1),)).holds(bent)
    # Wholly inside the outline, where no side of it comes.
    assert not Platform((40.0, 30.0, 1.0), excluded=((20.0, 20.0, 21.0, 21.0),)).holds(bent)


def test_points_and_lines_lie_on_it() -> None:
    plain = Platform((40.0, 30.0, 1.0), excluded=((0.0, 0.0, 10.0, 10.0),))
    assert plain.holds([[10.0, 10.0]]) and plain.holds([[0.0, 10.0], [10.0, 0.0], [11.0, 0.0]][1:])
    assert not plain.holds([[5.0, 5.0]])
    assert not plain.holds([[0.0, 12.0], [12.0, 0.0]])


def test_a_disc_ends_at_its_rim() -> None:
    disc = Platform((100.0, 100.0, 1.0), True)
    half = 50 / np.sqrt(2)
    assert disc.holds((SQUARE - 0.5) * 2 * half + 50)
    assert not disc.holds((SQUARE - 0.5) * 2 * (half + 0.01) + 50)
    assert not disc.holds([[1.0, 1.0]])


@pytest.mark.parametrize("outline", [np.zeros((0, 2)), np.zeros((3, 3)), [[0.0, np.nan]]])
def test_what_is_no_outline_is_refused(outline: object) -> None:
    with pytest.raises(BadInput, match="outline"):
        Platform((4.0, 4.0, 4.0)).holds(outline)


@pytest.mark.parametrize("is_round", [False, True])
def test_a_cell_is_usable_if_the_platform_holds_it(is_round: bool) -> None:
    odd = Platform((70.0, 70.0, 1.0), is_round, ((0.0, 0.0, 20.0, 13.0), (33.0, 41.0, 39.0, 70.0)))
    for step in (5.0, 3.7, 70.0):
        mask = odd.mask(step)
        assert mask.shape == (int(70 / step + 1e-9),) * 2
        for i, j in np.ndindex(mask.shape):
            assert mask[i, j] == odd.holds((SQUARE + np.array([i, j])) * step)


def test_cells_need_a_size() -> None:
    with pytest.raises(BadInput, match="above 0"):
        Platform((4.0, 4.0, 4.0)).mask(0.0)


def test_what_it_is_in_words() -> None:
    assert Platform((250.0, 240.5, 253.0)).words == "250 × 240.5 × 253 mm"
    disc = Platform((200.0, 200.0, 300.0), True, ((90.0, 0.0, 110.0, 9.0),) * 2)
    assert disc.words == "200 mm round × 300 mm with 2 excluded corners"
