"""The short oilskin cloak that hangs from the shoulders down the back, clear of the belt."""

# Capitals name arrays of positions.
# ruff: noqa: N803
from __future__ import annotations

import numpy as np
from coat import cloth_middle
from fields import Item, boxed, noise, smax

TOP, FREE, HEM = 640.0, 520.0, 322.0
"""Heights (mm): where the cloak begins, below which it hangs free of the coat, and its hem."""
THICK = 11.0
"""Thickness of the cloth (mm)."""
# Height, half width and half depth of the outer side about the coat's middle (mm).
_SHAPE = np.array(
    [
        [300, 118, 136],
        [380, 113, 129],
        [440, 110, 122],
        [500, 108, 115],
        [560, 105, 103],
        [600, 101, 93],
        [660, 92, 80],
    ],
    dtype=np.float32,
)
# Each fold: angle from the middle of the back and half width (deg), height at the hem (mm).
_FOLDS = np.array([[-33, 6, 9], [-14, 5, 7], [3, 6, 11], [19, 5, 7], [36, 6, 9]], dtype=np.float32)


def cloak() -> Item:
    """The cloak as one item: one with the coat above FREE, a sheet hanging free below it."""

    def fn(P: np.ndarray) -> np.ndarray:
        x, y, z = P
        t = np.clip(z, HEM - 20.0, TOP + 20.0)
        cx, cy = cloth_middle(t)
        dx, dy = x - cx, y - cy
        rho = np.hypot(dx, dy)
        back = np.arctan2(dx, dy)
        half, deep = (np.interp(t, _SHAPE[:, 0], _SHAPE[:, k]).astype(np.float32) for k in (1, 2))
        p = np.float32(2.3)
        s, c = np.abs(np.sin(back)) / half, np.abs(np.cos(back)) / deep
        outer = (s**p + c**p) ** np.float32(-1.0 / 2.3)
        fall = np.clip((np.float32(TOP) - t) / np.float32(TOP - HEM), 0.0, 1.1)
        for angle, width, height in _FOLDS:
            d = (np.degrees(back) - angle) / width
            outer = outer + height * fall * np.exp(-d * d)
        outer = outer + np.float32(2.5) * noise(x * 0.02, y * 0.02, z * 0.012)
        # The inner side comes in fast above FREE, so the gap closes once and for all.
        inner = outer - np.float32(THICK) - np.float32(4.0) * np.maximum(z - np.float32(FREE), 0)
        sheet = smax(rho - outer, inner - rho, 4.0)
        side = np.abs(dx) - (np.float32(68.0) + np.float32(18.0) * fall)
        d = smax(smax(sheet, side, 6.0), np.float32(14.0) - dy, 8.0)
        hem = np.float32(HEM) + np.float32(5.0) * np.sin(back * np.float32(7.0)) - z
        top = z - np.float32(TOP) + np.float32(0.002) * dx * dx
        return smax(smax(d, hem, 5.0), top, 6.0) * np.float32(0.86)

    return boxed(fn, [-130, 0, HEM - 15], [130, 160, TOP + 10], 3.0)
