"""Pictures of the assembly book: the whole figure, each step, how it stands, and the marks.

Each is the text of an SVG element. What is shaded is painted into a small PNG within it;
numbers, letters and arrows are drawn over that, so that no picture speaks by colour alone.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

from seamwright.build_view import BARS
from seamwright.build_view import COLOURS as HUES
from seamwright.callout import Box, Callout, callouts, covering
from seamwright.errors import Told
from seamwright.joint import Joint
from seamwright.lettering import breadth, strokes
from seamwright.mesh import FloatArray
from seamwright.order import Step
from seamwright.page import opened, text
from seamwright.painter import (
    COLOURS,
    FINER,
    VIEWS,
    Canvas,
    Painter,
    View,
    Window,
    composed,
    drawn,
    flat,
    palette,
    png,
)
from seamwright.plan import Plan
from seamwright.run import Result
from seamwright.stance import Stance

PIXEL = 0.14
"""mm on paper of a pixel: 180 to the inch."""

LARGEST_WHOLE, LARGEST_STEP = (620.0, 760.0), (660.0, 680.0)
"""Pixels, across and down, that a picture has at most."""

SLIM = 0.75
"""A picture is at least this share as wide, and as high, as it is long the other way."""

FINEST = 0.05
"""Samples are so many mm, or that times a power of two's fourth root, so that one sprite serves
several pictures."""

LEAST = 0.15
"""A step's picture shows at least this share of the figure, to tell where on it that is."""

MARGIN = 24
"""Pixels kept free all round."""

GREY, MOVING, PEG = "#A6A6A6", "#E69F00", "#56B4E9"

BACK, CLEAR = 0.3, 10.0
"""Pieces are drawn back by this share of their length along the way, and at least by one and
a half times the pegs' depth and so many mm."""

COARSE = 4
"""Samples between places that are looked at for callouts."""

GOOD = 0.3
"""By so much another view must be better than an earlier one to be taken instead."""


@dataclass(frozen=True, eq=False)
class _Sheet:
    """A window on the figure: its view, samples of `size` mm, and which."""

    view: View
    size: float
    window: Window

    @property
    def shape(self) -> tuple[int, int]:
        """Pixels across and down."""
        left, top, right, bottom = self.window
        return (right - left) // FINER, (bottom - top) // FINER

    def __call__(self, points: FloatArray) -> FloatArray:
        """(N, 2) pixels of (N, 3) points."""
        return np.asarray((flat(points, self.view, self.size) - self.window[:2]) / FINER)


def painter_of(plan: Plan) -> Painter:
    """A painter of all parts, by their numbers."""
    return Painter({p.number: p.mesh for p in plan.parts})


def whole(
    painter: Painter, result: Result, view: View, said: str, told: Told | None = None
) -> tuple[str, set[int]]:
    """The whole figure in colours, each piece with its number; and those that are seen.

    said : what the picture shows, for those who cannot see it.
    told : called with the share done, before every piece; it may raise `Cancelled`.
    """
    home = {p.id: np.zeros(3) for p in result.pieces}
    sheet = _sheet(view, [painter.box(n, view) for n in home], LARGEST_WHOLE)
    canvas = _canvas(painter, sheet, home, told)
    anchors = _anchors(canvas)
    wanted = [Callout(str(n), at, reach) for n, (at, reach) in anchors.items()]
    wanted.sort(key=lambda c: (-c.reach, c.text))
    named = callouts(wanted, (), sheet.shape, _over(canvas))
    return _picture(sheet, canvas, _hues(result), HUES, named, said), set(anchors)


def step_view(step: Step, painter: Painter) -> View:
    """The view that shows a step best: drawn back to where one sees it, on the near side."""
    back = -step.direction if step.approach is None else -step.approach
    moving, rest = (
        np.mean([painter.meshes[n].bounds.mean(axis=0) for n in ids], axis=0)
        for ids in (step.moving, step.onto)
    )
    apart = (moving - rest) / max(float(np.linalg.norm(moving - rest)), 1e-9)
    best, most = VIEWS[0], -math.inf
    for view in VIEWS:
        right, up, nearer = view.axes @ back
        score = math.hypot(right, up) + 0.5 * nearer + 0.5 * float(view.axes[2] @ apart)
        if score > most + GOOD:
            best, most = view, score
    return best


def drawn_back(step: Step, joints: Sequence[Joint], painter: Painter) -> FloatArray:
    """(3,) mm from home at which a step's pieces are drawn; `joints` are those that close."""
    way = step.direction if step.approach is None else step.approach
    along = [painter.meshes[n].vertices @ way for n in step.moving]
    length = max(float(a.max()) for a in along) - min(float(a.min()) for a in along)
    depth = max((p.depth for j in joints for p in j.pegs), default=0.0)
    before = max(BACK * length, 1.5 * depth + CLEAR)
    if step.approach is not None:
        before += step.travel
    return step.offset(before)


def step_picture(
    painter: Painter, result: Result, step: Step, view: View, said: str, told: Told | None = None
) -> str:
    """One step: what is in place in grey, what moves in colour, drawn back, and the way home.

    told : as for `whole`.
    """
    joints = [j for j in result.joints if j.letter in step.joints]
    offset, still = drawn_back(step, joints, painter), np.zeros(3)
    places = dict.fromkeys(step.onto, still) | dict.fromkeys(step.moving, offset)
    owner = {j.letter: j.peg_piece for j in joints if j.loose}
    pegs = {
        n: peg
        for n, peg in enumerate(result.loose, start=len(result.pieces) + 1)
        if peg.joint in owner
    }
    places |= {n: places[owner[peg.joint]] for n, peg in pegs.items()}
    shift = (view.axes[:2] * [[1.0], [-1.0]]) @ offset
    boxes = [painter.box(n, view) for n in step.meets or step.onto]
    boxes += [painter.box(n, view) + d for n in step.moving for d in (0.0, shift)]
    least = LEAST * max(float(np.ptp([painter.box(n, view) for n in places], (0, 1)).max()), 1e-9)
    sheet = _sheet(view, boxes, LARGEST_STEP, least)
    canvas = _canvas(painter, sheet, places, told)
    lines = _ways(step, joints, offset, sheet, painter)
    arrows, taken = _arrows(lines)
    wanted = [
        Callout(j.letter, (line[0] + line[1]) / 2, 0.0, square=True)
        for j, line in zip(joints, lines, strict=False)
    ]
    anchors = _anchors(canvas)
    wanted += [Callout(str(n), *anchors[n]) for n in (*step.moving, *step.meets) if n in anchors]
    wanted += [
        Callout(str(n), *anchors[n], needed=False)
        for n in step.onto
        if n in anchors and n not in step.meets and anchors[n][1] > MARGIN / 2
    ]
    wanted += [Callout(peg.label, *anchors[n]) for n, peg in pegs.items() if n in anchors]
    named = callouts(wanted, taken, sheet.shape, _over(canvas))
    hues = dict.fromkeys(step.moving, 1) | dict.fromkeys(pegs, 2)
    return _picture(sheet, canvas, hues, (GREY, MOVING, PEG), arrows + named, said)


# --- sheets ----------------------------------------------------------------------------------


def _sheet(
    view: View, boxes: Sequence[FloatArray], largest: tuple[float, float], least: float = 0.0
) -> _Sheet:
    """The window about boxes, (2, 2) mm each, in as many pixels as there may be."""
    low, high = np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)
    short = np.maximum(np.maximum(least, SLIM * (high - low)[::-1]) - (high - low), 0.0) / 2
    low, high = low - short, high + short
    room = FINER * (np.array(largest) - 2 * MARGIN)
    coarsest = float(((high - low) / room).max())
    size = FINEST * 2 ** (math.ceil(4 * math.log2(max(coarsest / FINEST, 1.0)) - 1e-9) / 4)
    around = FINER * MARGIN
    left, top = (np.floor(low / size).astype(int) - around).tolist()
    right, bottom = (np.ceil(high / size).astype(int) + around).tolist()
    return _Sheet(view, size, (left, top, right + (right - left) % FINER,
                               bottom + (bottom - top) % FINER))  # fmt: skip


def _canvas(
    painter: Painter, sheet: _Sheet, places: Mapping[int, FloatArray], told: Told | None
) -> Canvas:
    """Meshes where they are drawn, as seen in a sheet."""
    left, top, right, bottom = (x * sheet.size for x in sheet.window)
    layers = []
    for n, (number, offset) in enumerate(places.items()):
        if told:
            told(n / len(places))
        move = (sheet.view.axes[:2] * [[1.0], [-1.0]]) @ offset
        low, high = painter.box(number, sheet.view) + move
        if low[0] < right and low[1] < bottom and high[0] > left and high[1] > top:
            layers.append(painter.layer(number, sheet.view, sheet.size, offset, sheet.window))
    return composed(layers, sheet.window)


def _anchors(canvas: Canvas) -> dict[int, tuple[FloatArray, float]]:
    """Where each number is seen with the most room about, and how much; pixels."""
    coarse = canvas.number[::COARSE, ::COARSE]
    around = np.pad(coarse, 1, constant_values=-2)
    alike = np.ones(coarse.shape, dtype=bool)
    for row, column in ((0, 1), (2, 1), (1, 0), (1, 2)):
        alike &= around[row : row + len(coarse), column : column + coarse.shape[1]] == coarse
    room = distance_transform_edt(alike) + 0.5
    found = {}
    for number in np.unique(coarse[coarse >= 0]).tolist():
        best = int(np.argmax(np.where(coarse == number, room, 0.0)))
        row, column = divmod(best, coarse.shape[1])
        at = np.array([column + 0.5, row + 0.5]) * COARSE / FINER
        found[number] = at, float(room[row, column]) * COARSE / FINER
    return found


def _over(canvas: Canvas) -> Callable[[Box], float]:
    return covering(canvas.number[::FINER, ::FINER] >= 0)


def _hues(result: Result) -> dict[int, int]:
    """Of each piece one that no piece it meets has, as far as there are enough."""
    meets: dict[int, set[int]] = {p.id: set() for p in result.pieces}
    for joint in result.joints:
        meets[joint.interface.piece_a].add(joint.interface.piece_b)
        meets[joint.interface.piece_b].add(joint.interface.piece_a)
    found: dict[int, int] = {}
    used = [0] * len(HUES)
    for n, others in meets.items():
        near = {found[m] for m in others if m in found}
        free = [h for h in range(len(HUES)) if h not in near] or list(range(len(HUES)))
        found[n] = min(free, key=lambda h: (used[h], h))
        used[found[n]] += 1
    return found


def _picture(
    sheet: _Sheet,
    canvas: Canvas,
    hues: Mapping[int, int],
    colours: Sequence[str],
    over: str,
    said: str,
) -> str:
    levels = COLOURS // len(colours)
    indices = drawn(canvas, hues, levels, sheet.size)
    data = base64.b64encode(png(indices, palette(colours, levels))).decode("ascii")
    wide, high = sheet.shape
    image = f'<image href="data:image/png;base64,{data}" width="{wide}" height="{high}"/>'
    return opened((0, 0, wide, high), PIXEL, text(said)) + image + over + "</svg>"


# --- arrows ----------------------------------------------------------------------------------


def _ways(
    step: Step, joints: Sequence[Joint], offset: FloatArray, sheet: _Sheet, painter: Painter
) -> list[FloatArray]:
    """(2 or 3, 2) pixels: from where it is drawn to home, of each joint or of all together."""
    homes = [j.interface.centre for j in joints]
    if not homes:
        homes = [np.mean([painter.meshes[n].bounds.mean(axis=0) for n in step.moving], axis=0)]
    bend = [step.offset(step.travel)] if step.approach is not None else []
    return [sheet(np.array([h + d for d in (offset, *bend, np.zeros(3))])) for h in homes]


def _arrows(lines: Sequence[FloatArray]) -> tuple[str, list[Box]]:
    """Arrows along lines, and what of them must not be covered."""
    drawn_, taken = [], []
    for line in lines:
        tip, back = line[-1], line[-1] - line[-2]
        length = float(np.linalg.norm(back))
        if length < 1e-6:
            continue
        way = back / length
        head = min(16.0, 0.6 * length)
        side = 0.42 * head * np.array([-way[1], way[0]])
        neck = tip - head * way
        shaft = "L".join(_at(p) for p in (*line[:-1], neck + 0.2 * head * way))
        points = " ".join(_at(p) for p in (tip, neck + side, neck - side))
        for ink, wide, edge in (("#fff", 7.5, 4.0), ("#000", 3.5, 0.0)):
            drawn_.append(
                f'<path d="M{shaft}" fill="none" stroke="{ink}" stroke-width="{wide}"/>'
                f'<polygon points="{points}" fill="{ink}" stroke="{ink}" stroke-width="{edge}"/>'
            )
        (left, top), (right, bottom) = np.min([tip, neck], 0), np.max([tip, neck], 0)
        taken.append((float(left) - 4, float(top) - 4, float(right) + 4, float(bottom) + 4))
    return "".join(drawn_), taken


def _at(point: FloatArray) -> str:
    return f"{point[0]:.1f},{point[1]:.1f}"


# --- plans -----------------------------------------------------------------------------------


def stance_plan(stance: Stance, wide: float = 85.0) -> str:
    """The footprint from above with the mass centre and the worst direction; mm on paper."""
    outline, centre = stance.footprint, stance.centre[:2]
    wanted = stance.rise * math.tan(math.radians(stance.wanted))
    foot = centre + stance.margin * stance.towards[:2]
    points = np.concatenate([outline, centre - wanted + np.zeros((1, 2)), [centre + wanted, foot]])
    low, high = points.min(axis=0), points.max(axis=0)
    scale = wide / float((high - low).max())
    size = (high - low) * scale

    def at(point: FloatArray) -> str:
        x, y = (point - low) * scale
        return f"{x:.2f},{size[1] - y:.2f}"

    bar = max((b for b in BARS if b <= (high - low)[0] / 3), default=BARS[0])
    x, y = at(centre).split(",")
    below, said = float(size[1]), f"Plan of the footprint. {stance.sentence}"
    parts = [
        opened((-6, -6, float(size[0]) + 12, below + 24), 1.0, text(said)),
        f'<polygon points="{" ".join(at(p) for p in outline)}" fill="#e8e8e8" stroke="#222" '
        'stroke-width="0.5"/>',
        f'<circle cx="{x}" cy="{y}" r="{wanted * scale:.2f}" fill="none" stroke="#0072B2" '
        'stroke-width="0.5" stroke-dasharray="2 1.2"/>',
        f'<path d="M{x},{y}L{at(foot)}" stroke="#D55E00" stroke-width="1"/>',
        f'<circle cx="{at(foot).split(",")[0]}" cy="{at(foot).split(",")[1]}" r="1.5" '
        'fill="#D55E00"/>',
        f'<circle cx="{x}" cy="{y}" r="2" fill="#fff" stroke="#000" stroke-width="0.5"/>'
        f'<path d="M{x},{y}m-2,0h4m-2,-2v4" stroke="#000" stroke-width="0.5"/>',
        f'<text x="{size[0] / 2:.2f}" y="{below + 6:.2f}" font-size="3.6" '
        'text-anchor="middle">front</text>',
        f'<path d="M0,{below + 11:.2f}v3m0,-1.5h{bar * scale:.2f}m0,-1.5v3" fill="none" '
        'stroke="#222" stroke-width="0.5"/>',
        f'<text x="{bar * scale + 2:.2f}" y="{below + 13.8:.2f}" font-size="3.6">{bar} mm</text>',
        "</svg>",
    ]
    return "".join(parts)


def marks_sketch(letter: str = "R") -> str:
    """Two seam faces opened like a book, with their letters and witness marks; mm on paper."""
    said = (
        f"Two seam faces side by side, both with the letter {letter}, the tips of their witness "
        "marks towards each other."
    )
    height, width = 8.0, 1.1
    letters = "".join(
        f'<polygon points="{" ".join(_at(p * [1, -1]) for p in outline)}"/>'
        for outline in strokes(letter, height, width)
    )
    middle = f"translate({-breadth(letter, height, width) / 2:.2f} {height / 2:.2f})"
    face = "M-3,0C-4,-14 -12,-17 -22,-15C-33,-13 -36,-6 -34,1C-32,11 -24,15 -15,13C-7,11 -3,8 -3,0z"
    half = (
        f'<path d="{face}" fill="#e8e8e8" stroke="#222" stroke-width="0.5"/>'
        '<polygon points="-5,0 -10,-1.9 -10,1.9"/>'
    )
    # The outlines are mirror images; the letters are not, and stand on the marks.
    return (
        opened((-38, -20, 76, 38), 1.0, text(said))
        + f'{half}<g transform="scale(-1 1)">{half}</g>'
        + f'<g transform="translate(-17 0) rotate(-90) {middle}">{letters}</g>'
        + f'<g transform="translate(17 0) rotate(90) {middle}">{letters}</g>'
        + '<path d="M0,-18V16" stroke="#222" stroke-width="0.4" stroke-dasharray="2 1.2"/></svg>'
    )
