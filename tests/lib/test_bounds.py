"""bounds.py: every proof speaks, none speaks against a box that holds the piece."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from seamwright.bounds import least_width, proof
from seamwright.fit import TOLERANCE, fit
from seamwright.hull import corners
from seamwright.platform import Platform

SEEDS = st.integers(0, 2**32 - 1)


def block(*size: float) -> np.ndarray:
    """(8, 3) corners of a box with one corner at the origin."""
    return np.indices((2, 2, 2)).reshape(3, 8).T * np.array(size)


def turned(seed: int) -> np.ndarray:
    return Rotation.random(random_state=seed).as_matrix()


def lump(seed: int, count: int = 24) -> np.ndarray:
    """(count, 3) random points, longer one way than another."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=(count, 3)) * rng.uniform(5.0, 60.0, size=3)


@pytest.mark.parametrize(
    ("piece", "usable", "reason"),
    [
        (
            np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 512.0]]),
            (250.0, 250.0, 250.0),
            "its longest span, 512 mm, is more than the build volume's diagonal, 433 mm",
        ),
        (
            block(60.0, 60.0, 60.0),
            (90.0, 90.0, 50.0),
            "its least thickness, 60.0 mm, is more than the build volume's shortest side, 50.0 mm",
        ),
        (
            block(80.0, 80.0, 60.0),
            (100.0, 60.0, 60.0),
            "its hull's volume, 384 cm³, is more than the build volume's 360 cm³",
        ),
        (
            block(89.0, 89.0, 1.2),
            (120.0, 30.0, 30.0),
            "its hull's surface, 163 cm², is more than the build volume's 162 cm²",
        ),
        (
            np.array([[x, y, z] for z in (0, 1) for x, y in ((0, 0), (100, 0), (50, 86.6))]),
            (101.0, 30.0, 12.0),
            "its mean width, 75.5 mm, is more than the build volume's 71.5 mm",
        ),
    ],
)
def test_each_proof_speaks(
    piece: np.ndarray, usable: tuple[float, float, float], reason: str
) -> None:
    result = fit(piece @ turned(1).T, usable)
    assert (result.way, result.reason) == ("none", reason)


def test_proofs_of_a_round_platform() -> None:
    disc = Platform((100.0, 100.0, 60.0), True)
    rod = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 117.0]])
    assert fit(rod, disc).reason == (
        "its longest span, 117.0 mm, is more than the build volume's diagonal, 116.6 mm"
    )
    ball = np.random.default_rng(1).normal(size=(600, 3))
    ball *= 50.0 / np.linalg.norm(ball, axis=1, keepdims=True)
    reason = fit(ball, disc).reason
    assert reason.startswith("its hull's volume") and reason.endswith("build volume's 471 cm³")
    # All but a strip is excluded, which the volume alone tells.
    strip = Platform((100.0, 100.0, 60.0), excluded=((0.0, 0.0, 90.0, 100.0),))
    assert "hull's volume" in fit(block(50.0, 30.0, 50.0), strip).reason


def test_numbers_in_a_reason_show_which_is_larger() -> None:
    rod = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 300.0001]])
    assert fit(rod, (200.0, 200.0, 100.0)).reason == (
        "its longest span, 300.0001 mm, is more than the build volume's diagonal, 300.0000 mm"
    )


def test_without_a_proof_the_search_says_so() -> None:
    piece, usable = block(99.0, 99.0, 40.0), np.array([100.0, 95.0, 80.0])
    assert proof(piece, Platform(tuple(usable))) == ""
    result = fit(piece, usable)
    assert result.way == "none"
    assert result.reason == (
        f"a dense search found no rotation that fits; the best misses by {result.miss:.3g} mm"
    )


@settings(max_examples=40, deadline=None)
@given(SEEDS, SEEDS, st.integers(4, 60))
def test_no_proof_against_a_box_that_holds_the_piece(seed: int, other: int, count: int) -> None:
    piece = lump(seed, count)
    usable = np.ptp(piece @ turned(other).T, axis=0)
    core = corners(piece)
    assert proof(core, Platform(tuple(usable + TOLERANCE))) == ""


@pytest.mark.parametrize("seed", range(6))
def test_the_least_width_is_the_least_of_many(seed: int) -> None:
    piece = lump(seed, 4 + 8 * seed)
    width = least_width(ConvexHull(piece))
    axes = np.random.default_rng(seed).normal(size=(40_000, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    best = axes[np.ptp(piece @ axes.T, axis=0).argmin()]
    for spread in (0.03, 0.003, 0.0003):
        near = best + spread * axes[:4000]
        near /= np.linalg.norm(near, axis=1, keepdims=True)
        best = near[np.ptp(piece @ near.T, axis=0).argmin()]
    sampled = float(np.ptp(piece @ best))
    assert width <= sampled + 1e-9
    assert width == pytest.approx(sampled, rel=2e-3)
