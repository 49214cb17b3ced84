"""Callouts: numbers and letters on a picture, none covering another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
import numpy.typing as npt

from seamwright.mesh import FloatArray

SIZE = 22.0
"""Pixels of a callout's letters."""

RINGS, TURNS = (1.3, 1.9, 2.7, 3.7, 5.0), 16
"""How far from where it belongs a callout may go, in letter sizes, and in how many directions."""

ON_FIGURE = 1.4
"""A callout over the figure counts as so many letter sizes farther off than one beside it."""

ROOM = 0.55
"""Room, in letter sizes, from which on a callout may cover what it names."""

Box = tuple[float, float, float, float]
"""Left, top, right and bottom, pixels."""


@dataclass(frozen=True, eq=False)
class Callout:
    """Something that is to be named in a picture.

    Attributes
    ----------
    text : number or letter. at : (2,) pixel that it belongs to.
    reach : pixels about that which it may cover.
    square : in a black square, as joints are; pieces are in white with round ends.
    needed : found a place for at any rate, even if that covers another.
    """

    text: str
    at: FloatArray
    reach: float
    square: bool = False
    needed: bool = True

    @property
    def half(self) -> FloatArray:
        """(2,) half its width and height, pixels."""
        wide = 0.31 * len(self.text) + (0.22 if self.square else 0.3)
        return np.array([SIZE * max(wide, 0.58), SIZE * 0.58])


def callouts(
    wanted: Sequence[Callout],
    taken: Sequence[Box],
    shape: tuple[int, int],
    on_figure: Callable[[Box], float],
) -> str:
    """All callouts as SVG, the first with the best place.

    Parameters
    ----------
    taken : what else must not be covered. shape : of the picture, pixels across and down.
    on_figure : the share of a box that lies over the figure.
    """
    boxes, lines, labels = list(taken), [], []
    for one in wanted:
        at = _place(one, boxes, shape, on_figure)
        if at is None:
            continue
        boxes.append(_box(one, at))
        if np.abs((at - one.at) / (one.half + 2)).max() > 1:
            lines.append(_leader(one.at, at))
        labels.append(_label(one, at))
    return "".join([*lines, *labels])


def _box(one: Callout, at: FloatArray) -> Box:
    (left, top), (right, bottom) = (at - one.half - 2).tolist(), (at + one.half + 2).tolist()
    return left, top, right, bottom


def _place(
    one: Callout,
    boxes: Sequence[Box],
    shape: tuple[int, int],
    on_figure: Callable[[Box], float],
) -> FloatArray | None:
    """(2,) where a callout goes: where it belongs if there is room, else the best place near."""
    turn = 2 * np.pi * np.arange(TURNS) / TURNS
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    tried = [(0.0 if one.reach >= ROOM * SIZE else 2.2, one.at)]
    tried += [(far, one.at + SIZE * far * way) for far in RINGS for way in ring]
    best: tuple[float, FloatArray] | None = None
    for far, at in tried:
        box = _box(one, at)
        inside = box[0] >= 0 and box[1] >= 0 and box[2] <= shape[0] and box[3] <= shape[1]
        if not inside or any(_meet(box, other) for other in boxes):
            continue
        cost = far + (ON_FIGURE * on_figure(box) if far else 0.0)
        if best is None or cost < best[0] - 1e-9:
            best = cost, at
    if best is None:
        edge = np.clip(one.at, one.half + 2, np.maximum(np.array(shape) - one.half - 2, 0))
        return np.asarray(edge) if one.needed else None
    return best[1]


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _leader(start: FloatArray, end: FloatArray) -> str:
    (x, y), (u, v) = start.tolist(), end.tolist()
    line = f'd="M{x:.1f},{y:.1f}L{u:.1f},{v:.1f}"'
    return (
        f'<path {line} stroke="#fff" stroke-width="4.5"/><path {line} stroke="#000" '
        f'stroke-width="1.5"/><circle cx="{x:.1f}" cy="{y:.1f}" r="3" stroke="#fff"/>'
    )


def _label(one: Callout, at: FloatArray) -> str:
    (x, y), (w, h) = at.tolist(), one.half.tolist()
    round_ = 2.0 if one.square else h
    fill, ink = ("#000", "#fff") if one.square else ("#fff", "#000")
    return (
        f'<rect x="{x - w:.1f}" y="{y - h:.1f}" width="{2 * w:.1f}" height="{2 * h:.1f}" '
        f'rx="{round_:.1f}" fill="{fill}" stroke="#000" stroke-width="1.2"/>'
        f'<text x="{x:.1f}" y="{y + 0.36 * SIZE:.1f}" font-size="{SIZE:g}" fill="{ink}" '
        f'font-weight="bold" text-anchor="middle">{escape(one.text)}</text>'
    )


def covering(figure: npt.NDArray[np.bool_]) -> Callable[[Box], float]:
    """For `callouts`: the share of a box that lies over a (H, W) mask's pixels."""
    total = np.pad(np.cumsum(np.cumsum(figure, axis=0, dtype=np.int64), axis=1), ((1, 0), (1, 0)))
    high, wide = figure.shape

    def share(box: Box) -> float:
        left, right = (int(np.clip(x, 0, wide)) for x in (box[0], box[2]))
        top, bottom = (int(np.clip(y, 0, high)) for y in (box[1], box[3]))
        here = total[bottom, right] - total[top, right] - total[bottom, left] + total[top, left]
        return float(here) / max((right - left) * (bottom - top), 1)

    return share
