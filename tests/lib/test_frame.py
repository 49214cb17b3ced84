"""A plane's own coordinates: right-handed, level, and the same bits for the same points."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.frame import Frame

NORMALS = [
    (0, 0, 1), (0, 0, -1), (1, 0, 0), (0, -1, 0), (1, 2, 2), (-3, 0.5, 0.1),
    (1e-7, 0, 1), (1e-3, -2e-3, 1), (0, 1.5e-3, -1), (1e-9, 1e-9, 1e-9), (1e12, -1e12, 0),
]  # fmt: skip


@pytest.mark.parametrize("normal", NORMALS)
def test_axes_are_orthonormal_right_handed_and_u_is_level(normal):
    frame = Frame.on_plane((1, 2, 3), normal)
    np.testing.assert_allclose(frame.axes @ frame.axes.T, np.eye(3), atol=1e-15)
    assert np.linalg.det(frame.axes) == pytest.approx(1)
    np.testing.assert_allclose(
        np.cross(frame.normal, normal), 0, atol=1e-9 * np.max(np.abs(normal))
    )
    assert frame.normal @ np.asarray(normal) > 0
    assert abs(frame.axes[0, 2]) <= 2e-3


def test_the_same_plane_gives_the_same_frame():
    a, b = (Frame.on_plane((4, 5, 6), (1, 2, 3)) for _ in range(2))
    np.testing.assert_array_equal(a.axes, b.axes)


@pytest.mark.parametrize("normal", NORMALS)
def test_there_and_back(normal):
    frame = Frame.on_plane((10, -20, 30), normal)
    points = np.random.default_rng(1).uniform(-100, 100, (50, 3))
    local = frame.to_local(points)
    np.testing.assert_allclose(frame.to_world(local), points, atol=1e-12)
    np.testing.assert_allclose(local[:, 2], frame.heights(points), atol=1e-12)
    np.testing.assert_allclose(local[:, :2], frame.to_plane(points), atol=1e-12)
    np.testing.assert_allclose(frame.heights(frame.to_world(local[:, :2])), 0, atol=1e-12)


def test_equal_points_have_equal_heights_wherever_they_stand_in_the_array():
    frame = Frame.on_plane((0.1, 0.2, 0.3), (0.3, -0.7, 0.9))
    point = np.array([123.456, -78.9, 0.001])
    rows = np.random.default_rng(2).uniform(-1e3, 1e3, (97, 3))
    expected = frame.heights(point[None])[0]
    for k in range(0, 97, 7):
        rows[k] = point
    assert set(frame.heights(rows)[::7].tolist()) == {expected}
    assert frame.heights(np.repeat(point[None], 1000, axis=0)).tolist() == [expected] * 1000


def test_flipped_looks_from_the_other_side():
    frame = Frame.on_plane((1, 2, 3), (1, 1, 2))
    back = frame.flipped()
    assert np.linalg.det(back.axes) == pytest.approx(1)
    points = np.random.default_rng(3).uniform(-9, 9, (20, 3))
    np.testing.assert_allclose(back.heights(points), -frame.heights(points), atol=1e-14)
    np.testing.assert_allclose(back.to_plane(points), frame.to_plane(points) * [1, -1], atol=1e-13)


@pytest.mark.parametrize(
    ("point", "normal"),
    [
        ((0, 0, 0), (0, 0, 0)),
        ((0, 0, 0), (0, 1e-14, 0)),
        ((0, 0), (0, 0, 1)),
        ((0, 0, 0), (0, 1)),
        ((0, np.nan, 0), (0, 0, 1)),
        ((0, 0, 0), (np.inf, 0, 1)),
    ],
)
def test_what_is_no_plane_is_refused(point, normal):
    with pytest.raises(BadInput, match="plane"):
        Frame.on_plane(point, normal)
