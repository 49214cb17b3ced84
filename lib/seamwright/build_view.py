"""Build view: a build seen from above, as an SVG picture.

Colours are those of M. Okabe & K. Ito, "Color Universal Design" (2008), which colour-blind
readers can tell apart; each piece has a pattern and its number too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt

from seamwright.builds import Build, Item, Placed
from seamwright.mesh import FloatArray
from seamwright.platform import Platform
from seamwright.silhouette import Loops, box, moved, shape_of
from seamwright.stencil import middles

COLOURS = ("#56B4E9", "#E69F00", "#009E73", "#F0E442", "#CC79A7", "#D55E00", "#0072B2")

PATTERNS = (
    "",
    '<path d="M-1,1 l2,-2 M0,6 l6,-6 M5,7 l2,-2"/>',
    '<circle cx="3" cy="3" r="0.8" stroke="none" fill="#000"/>',
    '<path d="M-1,5 l2,2 M0,0 l6,6 M5,-1 l2,2"/>',
    '<path d="M0,3 h6"/>',
)
"""Drawn over the colour, in tiles of 6 by 6 mm."""

WIDE = 230.0
"""mm of the picture that the platform's longer side takes up."""

LIST = 92.0
"""mm beside the platform that the list of pieces takes up at most."""

PITCH = (3.6, 8.0)
"""mm from line to line of the list, at least and at most."""

BARS = (10, 20, 50, 100, 200)
"""Lengths of the scale bar, mm: the longest that is no more than a third of the platform."""


@dataclass(frozen=True)
class _Paper:
    """Where the platform lies in the picture: its scale, and its back edge at y = 0."""

    scale: float
    deep: float

    def __call__(self, points: npt.ArrayLike) -> FloatArray:
        """(N, 2) platform coordinates as the picture's, in which y runs down."""
        x, y = np.asarray(points, dtype=np.float64).reshape(-1, 2).T
        return np.stack([x * self.scale, self.deep - y * self.scale], axis=1)


def top_view(
    build: Build,
    items: Mapping[int, Item],
    platform: Platform,
    *,
    gap: float,
    builds: int,
    figure: str = "",
) -> str:
    """A picture of a build from above, the front of the printer below.

    Parameters
    ----------
    items : by piece number. gap : kept between pieces, mm.
    builds : how many there are in all. figure : name of the figure, for the heading.

    Returns
    -------
    The text of an SVG file; the same for the same input.
    """
    scale = WIDE / max(platform.size[:2])
    wide, deep = platform.size[0] * scale, platform.size[1] * scale
    paper = _Paper(scale, deep)
    count = len(build.placed)
    pitch = float(np.clip(deep / count, *PITCH))
    heading, facts = _heading(build, builds, figure), _facts(build, gap)
    right = wide + 12 + _list_width([items[p.item].name for p in build.placed], pitch)
    right = max(right, 2.8 * len(facts), 4.8 * len(heading))
    below = max(deep + 18, count * pitch)
    frame = f'x="-10" y="-26" width="{right + 20:.1f}" height="{below + 30:.1f}"'
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" font-family="sans-serif" '
        f'viewBox="-10 -26 {right + 20:.1f} {below + 30:.1f}" '
        f'width="{3 * (right + 20):.0f}" height="{3 * (below + 30):.0f}">',
        f"<title>{escape(heading)}</title>",
        _tiles(),
        f'<rect {frame} fill="#fff"/>',
        _text(0, -15, 8, heading, 'font-weight="bold"'),
        _text(0, -6, 5, facts, 'fill="#444"'),
        *_platform(platform, paper),
        *(_piece(k, p.outline(items[p.item]), items[p.item], paper)
          for k, p in enumerate(build.placed)),
        *(_label(p.outline(items[p.item]), p.item, paper) for p in build.placed),
        *_list(build.placed, items, wide + 12, pitch),
        *_foot(platform, paper),
        "</svg>",
    ]  # fmt: skip
    return "\n".join(parts) + "\n"


def _heading(build: Build, builds: int, figure: str) -> str:
    named = f"{figure}: build" if figure else "Build"
    return f"{named} {build.number} of {builds}"


def _facts(build: Build, gap: float) -> str:
    count = len(build.placed)
    facts = [
        build.printer,
        build.group,
        f"{count} piece{'s' if count > 1 else ''}",
        f"{build.height:.0f} mm high",
        f"{build.mass:.0f} g" if build.mass else "",
        f"{100 * build.covered:.0f} % of the platform covered",
        f"{gap:g} mm between pieces" if count > 1 else "",
    ]
    return " · ".join(fact for fact in facts if fact)


def _text(x: float, y: float, size: float, text: str, more: str = "") -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}" {more}>{escape(text)}</text>'


def _tiles() -> str:
    """The patterns, and the one of what is excluded, as SVG knows them."""
    tile = 'width="6" height="6" patternUnits="userSpaceOnUse"'
    tiles = [
        f'<pattern id="p{k}" {tile}><g stroke="#000" stroke-width="0.6" fill="none">{drawn}'
        "</g></pattern>"
        for k, drawn in enumerate(PATTERNS)
        if drawn
    ]
    barred = (
        f'<pattern id="barred" {tile}><g stroke="#777" stroke-width="0.5" fill="none">'
        f"{PATTERNS[1]}{PATTERNS[3]}</g></pattern>"
    )
    return f"<defs>{''.join(tiles)}{barred}</defs>"


def _platform(platform: Platform, paper: _Paper) -> list[str]:
    """The platform with lines every 50 mm, and what of it is excluded."""
    x, y, _ = platform.size
    style = 'fill="#f5f5f5" stroke="#333" stroke-width="0.8"'
    if platform.round:
        ((u, v),) = paper((x / 2, y / 2))
        parts = [f'<circle cx="{u:.2f}" cy="{v:.2f}" r="{paper.scale * x / 2:.2f}" {style}/>']
    else:
        parts = [f"<rect {_rectangle((0, 0, x, y), paper)} {style}/>"]
    for axis in (0, 1):
        for at in np.arange(50.0, platform.size[axis], 50.0):
            low, high = 0.0, platform.size[1 - axis]
            if platform.round:
                half = float(np.sqrt(max((x / 2) ** 2 - (at - x / 2) ** 2, 0.0)))
                low, high = x / 2 - half, x / 2 + half
            ends = paper([(at, low), (at, high)] if axis == 0 else [(low, at), (high, at)])
            parts.append(f'<path d="{_path(ends)}" stroke="#d8d8d8" stroke-width="0.4"/>')
    for a, b, c, d in platform.excluded:
        where = _rectangle((max(a, 0.0), max(b, 0.0), min(c, x), min(d, y)), paper)
        parts.append(f'<rect {where} fill="#ddd"/><rect {where} fill="url(#barred)"/>')
    return parts


def _rectangle(corners: tuple[float, float, float, float], paper: _Paper) -> str:
    (x0, y1), (x1, y0) = paper(corners).tolist()
    return f'x="{x0:.2f}" y="{y0:.2f}" width="{x1 - x0:.2f}" height="{y1 - y0:.2f}"'


def _path(points: FloatArray) -> str:
    return "M" + "L".join(f"{x:.2f},{y:.2f}" for x, y in points.tolist())


def _piece(k: int, loops: Loops, item: Item, paper: _Paper) -> str:
    # The picture shows no more than a tenth of a mm.
    shown = shape_of(loops).simplify(0.1).to_polygons()
    path = "".join(_path(paper(loop)) + "Z" for loop in shown)
    drawn = _filled(k, f'path d="{path}"', 0.6)
    return f"<g><title>{escape(item.name)}</title>{drawn}</g>"


def _filled(k: int, what: str, stroke: float) -> str:
    """A shape in the colour and the pattern of the k-th piece, with an outline."""
    pattern = k % len(PATTERNS)
    over = f'<{what} fill="url(#p{pattern})" fill-opacity="0.35"/>' if PATTERNS[pattern] else ""
    return (
        f'<{what} fill="{COLOURS[k % len(COLOURS)]}" fill-opacity="0.85"/>{over}'
        f'<{what} fill="none" stroke="#222" stroke-width="{stroke}" stroke-linejoin="round"/>'
    )


def _label(loops: Loops, number: int, paper: _Paper) -> str:
    """The piece number on white where the piece is widest."""
    middle, reach = widest(loops)
    size = float(np.clip(0.9 * reach * paper.scale, 4.0, 9.0))
    half = size * max(0.62, 0.34 * len(str(number)) + 0.12)
    ((u, v),) = paper(middle).tolist()
    return (
        f'<rect x="{u - half:.2f}" y="{v - 0.62 * size:.2f}" width="{2 * half:.2f}" '
        f'height="{1.24 * size:.2f}" rx="{0.62 * size:.2f}" fill="#fff" fill-opacity="0.9"/>'
        + _text(u, v + 0.36 * size, size, str(number), 'text-anchor="middle" font-weight="bold"')
    )


def widest(loops: Loops) -> tuple[FloatArray, float]:
    """(2,) the middle of about the largest circle within a silhouette, and its radius, mm."""
    low, high = box(loops)
    step = float((high - low).max()) / 100
    columns, rows = (np.ceil((high - low) / step).astype(int) + 1).tolist()
    inside = middles(moved(loops, -low), np.full(2, step), (rows, columns))
    far = distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    row, column = np.unravel_index(int(far.argmax()), far.shape)
    return low + (np.array([column, row]) + 0.5) * step, float(far.max()) * step


def _list_width(names: Sequence[str], pitch: float) -> float:
    size = 0.65 * pitch
    return min(LIST, size * (6.0 + 0.58 * max(len(name) for name in names)))


def _list(placed: Sequence[Placed], items: Mapping[int, Item], x: float, pitch: float) -> list[str]:
    """Swatch, number and name of every piece."""
    size = 0.65 * pitch
    room = int((LIST / size - 6.0) / 0.58)
    parts = []
    for k, one in enumerate(placed):
        y = k * pitch
        swatch = (
            f'rect x="{x:.2f}" y="{y:.2f}" width="{2 * size:.2f}" height="{1.15 * size:.2f}" rx="1"'
        )
        name = items[one.item].name
        shown = name if len(name) <= room else name[: room - 1] + "…"
        line = y + 0.94 * size
        number = 'text-anchor="end" font-weight="bold"'
        parts += [
            _filled(k, swatch, 0.4),
            _text(x + 4.6 * size, line, size, str(one.item), number),
            _text(x + 5.4 * size, line, size, shown),
        ]
    return parts


def _foot(platform: Platform, paper: _Paper) -> list[str]:
    """Scale bar and the front edge's name."""
    x, y, _ = platform.size
    length = max((bar for bar in BARS if bar <= max(x, y) / 3), default=BARS[0])
    at, end = paper.deep + 12.0, length * paper.scale
    return [
        f'<path d="M0,{at - 2:.2f} v4 M0,{at:.2f} h{end:.2f} m0,-2 v4" stroke="#222" '
        'stroke-width="0.8" fill="none"/>',
        _text(end + 3, at + 1.8, 5, f"{length} mm"),
        _text(x * paper.scale / 2, paper.deep + 7, 5, "front", 'text-anchor="middle" fill="#444"'),
    ]
