"""Lettering: letters as straight strokes that are pockets of their own, as in a stencil."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from seamwright.errors import BadInput
from seamwright.mesh import FloatArray
from seamwright.outline import point_segment_distance

LAND = 0.5
"""Left standing between two strokes, in strokes' widths."""

BREADTH = 0.7
"""Of a common letter, in heights."""

SLENDER = 6.0
"""Least height of a letter in strokes' widths: lower ones close up."""

APART = 1.5
"""Between two letters, in strokes' widths."""

# The middle lines of each letter's strokes, x y to x y as hexadecimal digits: the baseline is
# 0, the top c, a common letter is 8 broad. Strokes of a group meet in mitres; those after a
# bar stop at the sides of those before it. B and D have square corners on their spine and a
# spine that runs through, O has none of either, Q has a tail right across; a letter I has
# feet, C is open to its full height, and M stands on uprights where W leans.
_LETTERS = {
    row[0]: row[2:]
    for row in (
        "A 0007 074c 4c87 8780 | 0484",
        "B 000c | 0c5c 5c89 8956 0656 5683 8350 0050",
        "C 8c2c 2c09 0903 0320 2080",
        "D 000c | 0c5c 5c88 8884 8450 5000",
        "E 000c | 0c8c 0666 0080",
        "F 000c | 0c8c 0666",
        "G 8c2c 2c09 0903 0320 2080 8086 | 8646",
        "H 000c 808c | 0686",
        "I 0c6c 0060 | 3c30",
        "J 7c73 7350 5000",
        "K 000c | 048c | 2680",
        "L 000c | 0080",
        "M 000c c0cc | 0c64 64cc",
        "N 000c 909c | 0c90",
        "O 2c6c 6c89 8983 8360 6020 2003 0309 092c",
        "P 000c | 0c6c 6c8a 8a87 8765 6505",
        "Q 5480 | 2c6c 6c89 8983 6020 2003 0309 092c",
        "R 000c | 0c5c 5c89 8956 5606 | 2680",
        "S 8c2c 2c09 0983 8360 6000",
        "T 0c8c | 4c40",
        "U 0c03 0320 2060 6083 838c",
        "V 0c40 408c",
        "W 0c30 3068 6890 90cc",
        "X 008c | 0c37 5580",
        "Y 0c46 8c46 4640",
        "Z 0c8c 8c00 0080",
    )
}
_COLUMNS, _ROWS = 8, 12

_REACH = 1.75
"""A stroke nearer than this to another one's middle line, in widths, stops at its side."""

_SPECK = 0.02
"""Corners nearer to each other than this, in widths, become one."""


def strokes(text: str, height: float, width: float) -> list[FloatArray]:
    """The strokes of one or two letters.

    Returns
    -------
    (N, 2) outlines, mm, convex, counter-clockwise, at least `LAND` widths from each other.
    The lower left corner of the letters' box is the origin, its height is `height`.

    Parameters
    ----------
    text : "A" to "ZZ".
    height, width : of a letter and of its strokes, mm.

    Raises
    ------
    BadInput
        If the text is not one or two capital letters, or strokes so wide would close up.
    """
    _require_letters(text)
    if not (width > 0 and height >= SLENDER * width * (1 - 1e-9)):
        raise BadInput(
            f"A letter {height:g} mm high with strokes of {width:g} mm cannot be read; make it "
            f"at least {SLENDER:g} strokes high."
        )
    found: list[FloatArray] = []
    left = 0.0
    for letter in text:
        outlines = _letter(letter, round(height / width, 9))
        found += [width * p + np.array([left, 0.0]) for p in outlines]
        left += breadth(letter, height, width) + APART * width
    return found


def _require_letters(text: str) -> None:
    if not (1 <= len(text) <= 2 and all(c in _LETTERS for c in text)):
        raise BadInput(f"'{text}' cannot be engraved as a mark; use one or two letters, A to ZZ.")


def breadth(text: str, height: float, width: float) -> float:
    """Of one or two letters, mm."""
    _require_letters(text)
    unit = (BREADTH * height - width) / _COLUMNS
    own = [max(int(x, 16) for s in _LETTERS[c].split() for x in s[::2] if x != "|") for c in text]
    return sum(n * unit + width for n in own) + (len(text) - 1) * APART * width


@lru_cache(maxsize=128)
def _letter(letter: str, height: float) -> tuple[FloatArray, ...]:
    """(N, 2) outlines of one letter's strokes; all in strokes' widths."""
    unit = [(BREADTH * height - 1) / _COLUMNS, (height - 1) / _ROWS]
    rows = [row.split() for row in _LETTERS[letter].split(" | ")]
    group = [k for k, row in enumerate(rows) for _ in row]
    digits = [[int(c, 16) for c in stroke] for row in rows for stroke in row]
    lines = np.array(digits, dtype=np.float64).reshape(-1, 2, 2) * unit + 0.5
    box = [breadth(letter, height, 1.0), height]
    outlines = []
    for k, line in enumerate(lines):
        cuts = [(-np.eye(2)[i], 0.0) for i in (0, 1)] + [(np.eye(2)[i], box[i]) for i in (0, 1)]
        for other in range(len(lines)):
            if group[k] == group[other] and k != other:
                cuts += _mitre(line, lines[other])
            elif group[k] > group[other]:
                cuts += _butt(line, lines[other])
        outline = _bar(line)
        for normal, limit in cuts:
            outline = _clipped(outline, normal, limit)
        apart = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
        outlines.append(outline[apart > _SPECK])
    return tuple(outlines)


def _bar(line: FloatArray) -> FloatArray:
    """(4, 2) a stroke about its middle line, long enough to fill the corner of a box."""
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    side = 0.5 * np.array([-along[1], along[0]])
    small, large = np.sort(np.abs(along))
    over = 0.5 * (1 + small) / large * along
    low, high = line[0] - over, line[1] + over
    return np.array([low - side, high - side, high + side, low + side])


_Cut = tuple[FloatArray, float]
"""Normal (2,) and limit of the half plane normal · x ≤ limit that leaves another stroke room."""


def _mitre(line: FloatArray, other: FloatArray) -> list[_Cut]:
    """The cut along the bisector of two strokes that share an end; none if they do not."""
    i, j = np.argwhere((line[:, None] == other[None]).all(axis=2)).T
    if not len(i):
        return []
    node = line[i[0]]
    mine, its = (v / np.linalg.norm(v) for v in (line[1 - i[0]] - node, other[1 - j[0]] - node))
    normal = (its - mine) / np.linalg.norm(its - mine)
    return [(normal, float(normal @ node) - LAND / 2)]


def _butt(line: FloatArray, other: FloatArray) -> list[_Cut]:
    """The cut along the side of another stroke; none if that is far."""
    ends = (point_segment_distance(p, *q) for p, q in ((line, other), (other, line)))
    if min(float(e.min()) for e in ends) >= _REACH:
        return []
    along = (other[1] - other[0]) / np.linalg.norm(other[1] - other[0])
    normal = np.array([-along[1], along[0]])
    if (line.mean(axis=0) - other[0]) @ normal > 0:
        normal = -normal
    return [(normal, float(normal @ other[0]) - 0.5 - LAND)]


def _clipped(outline: FloatArray, normal: FloatArray, limit: float) -> FloatArray:
    """What of a convex (N, 2) outline lies in the half plane normal · x ≤ limit."""
    over = outline @ normal - limit
    kept = []
    for k in range(len(outline)):
        if over[k - 1] * over[k] < 0:
            share = over[k - 1] / (over[k - 1] - over[k])
            kept.append(outline[k - 1] + share * (outline[k] - outline[k - 1]))
        if over[k] <= 0:
            kept.append(outline[k])
    return np.array(kept).reshape(-1, 2)
