"""A stroke across a limb: the plane through it, the regions it takes, and which side is A."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.mesh import Mesh, joined
from seamwright.seam import reached
from seamwright.shapes import box
from seamwright.stroke import Sight, stroked

FORWARD = (0.0, 1.0, 0.0)


def figure() -> Mesh:
    """A body from x = -50 to 50, an arm before it and a leg beside it; seen along +y."""
    body = box(100, 60, 200, (-50, 0, 0))
    arm = box(20, 20, 200, (-10, -60, 0))
    leg = box(30, 30, 200, (80, 0, 0))
    return joined([body, arm, leg])


def level(x0: float, x1: float, z: float = 100.0) -> tuple[Sight, Sight]:
    """A stroke from left to right in a parallel view from the front."""
    return Sight((x0, -500.0, z), FORWARD), Sight((x1, -500.0, z), FORWARD)


def from_eye(x0: float, x1: float, z: float = 100.0) -> tuple[Sight, Sight]:
    """The same stroke at y = -60, seen from one eye before the figure."""
    eye = (0.0, -600.0, 160.0)
    ways = (np.array([x, -60.0, z]) - eye for x in (x0, x1))
    first, last = (Sight(eye, tuple(way.tolist())) for way in ways)
    return first, last


def taken_at(found) -> list[float]:
    """The x of the middle of each region that is taken, rounded."""
    regions = reached(found.seam, found.whole)
    assert regions == tuple(found.whole.regions[k - 1] for k in found.taken)
    at = (found.whole.frame.to_world(r.centroid)[0] for r in regions)
    return sorted(round(float(x)) + 0.0 for x in at)


@pytest.mark.parametrize(
    ("ends", "wanted"),
    [
        # Right across the arm alone, beginning and ending on the body behind it.
        ((-20, 20), [0.0]),
        ((20, -20), [0.0]),
        # From the arm's left over it into the air on the far right: leg and arm.
        ((-20, 130), [0.0, 95.0]),
        # Over everything.
        ((-70, 130), [0.0, 0.0, 95.0]),
        # The leg alone.
        ((60, 130), [95.0]),
        # Too short to go right across: what it touches.
        ((85, 100), [95.0]),
    ],
)
def test_it_takes_what_it_goes_right_across_and_is_seen(ends, wanted):
    found = stroked(figure(), *level(*ends))
    assert taken_at(found) == wanted
    assert np.allclose(np.abs(found.seam.normal), (0, 0, 1))
    assert found.seam.point[2] == pytest.approx(100)


def test_a_limb_hidden_behind_another_is_not_taken():
    behind = joined([box(100, 20, 200, (-50, 0, 0)), box(20, 20, 200, (-10, 60, 0))])
    assert taken_at(stroked(behind, *level(-70, 70))) == [0.0]
    found = stroked(behind, *level(-70, 70), every=True)
    assert len(found.taken) == 2


def test_side_a_is_on_the_left_of_the_stroke_as_it_is_seen():
    for view in (level, from_eye):
        assert stroked(figure(), *view(-20, 20)).seam.normal[2] > 0.9
        assert stroked(figure(), *view(20, -20)).seam.normal[2] < -0.9


def test_from_one_eye_the_plane_goes_through_the_eye_and_the_stroke():
    first, last = from_eye(-20, 20)
    found = stroked(figure(), first, last)
    assert taken_at(found) == [0.0]
    frame = found.seam.frame
    along = [np.array(s.origin) + np.array(s.way) for s in (first, last)]
    assert np.allclose(frame.heights([first.origin, *along]), 0, atol=1e-9)


def test_what_lies_behind_the_eye_is_not_taken():
    eye = (0.0, 600.0, 100.0)
    found = stroked(figure(), Sight(eye, (-1.0, -2.0, 0.0)), Sight(eye, (1.0, -2.0, 0.0)))
    assert 0.0 in taken_at(found)
    with pytest.raises(BadInput, match="crosses nothing"):
        stroked(figure(), Sight(eye, (-1.0, 2.0, 0.0)), Sight(eye, (1.0, 2.0, 0.0)))


def test_the_square_holds_what_is_taken():
    found = stroked(figure(), *level(-70, 130))
    corners = np.concatenate(
        [found.whole.frame.to_world(found.whole.regions[k - 1].outline) for k in found.taken]
    )
    assert np.abs(corners - found.seam.point).max() < found.side / 2


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        (level(200, 300), "crosses nothing"),
        (level(-20, 20, z=500), "crosses nothing"),
        (level(5, 5), "no length"),
        ((Sight((0, 0, 0), FORWARD), Sight((0, 90, 0), FORWARD)), "no length"),
        ((Sight((0, 0, 0), (0, 0, 0)), Sight((0, 90, 0), FORWARD)), "line of sight"),
    ],
)
def test_a_stroke_that_makes_no_seam_is_refused(ends, said):
    with pytest.raises(BadInput, match=said):
        stroked(figure(), *ends)
