"""Painter: pieces seen from a corner and above, as shaded line drawings.

An orthographic view shows a piece the same wherever it is moved to. So each piece is painted
once by itself, into a sprite of depths and brightness, and sprites are laid over one another,
shifted, the nearest on top. Painting goes row by row of pixels in every triangle, as in
J. D. Foley, A. van Dam, S. K. Feiner, J. F. Hughes, "Computer Graphics: Principles and
Practice", chapters on scan conversion and on the z-buffer (from memory).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from seamwright.mesh import FACES_AT_ONCE, SKIN, FloatArray, IndexArray, Mesh, box_of

Pixels = npt.NDArray[np.uint8]
Window = tuple[int, int, int, int]
"""Left, top, right and bottom in samples; right and bottom are not in it."""

FINER = 2
"""Samples per pixel each way: lines and edges come out smooth."""

MOST = 1 << 22
"""Samples of the largest sprite that is kept; of a larger one only what is seen is painted."""

SHARP = float(np.cos(np.radians(30.0)))
"""Cosine of the angle from which an edge is shown as an edge, and not as a rounded surface."""

JUMP = 4.0
"""A step in depth of so many samples is drawn as a line."""

COLOURS = 256
"""In a picture at most; its hues share them."""

INK, PAPER = (0x1A, 0x1A, 0x1A), (0xFF, 0xFF, 0xFF)

FULL = 0.62
"""Where between ink and paper a hue is at its purest."""

LIGHT = (-0.45, 0.65, 0.61)
"""From where light falls: to the right, up and towards the viewer; of length 1."""


@dataclass(frozen=True, eq=False)
class View:
    """A way to look at the figure.

    name : the corner it is seen from, in words. axes : (3, 3) to the right, up, and towards
    the viewer.
    """

    name: str
    axes: FloatArray

    @staticmethod
    def of(name: str, x: float, y: float, z: float) -> View:
        """Seen from a direction."""
        towards = np.array([x, y, z]) / np.linalg.norm([x, y, z])
        right = np.array([-y, x, 0.0]) / np.hypot(x, y)
        return View(name, np.stack([right, np.cross(towards, right), towards]))


VIEWS = (
    View.of("the front left", -0.55, -0.84, 0.5),
    View.of("the front right", 0.55, -0.84, 0.5),
    View.of("the back right", 0.55, 0.84, 0.5),
    View.of("the back left", -0.55, 0.84, 0.5),
)
"""All from above. The front is where y is least; left and right are as seen from there."""


@dataclass(frozen=True, eq=False)
class Sprite:
    """A piece as it looks by itself.

    left, top : sample of its first column and row.
    depth : (H, W) mm towards the viewer, -inf where it is not. light : (H, W) brightness.
    """

    left: int
    top: int
    depth: npt.NDArray[np.float32]
    light: Pixels


@dataclass(frozen=True, eq=False)
class Layer:
    """A sprite in a picture.

    number : what it is known by. shift : (2,) samples to the right and down. nearer : mm.
    """

    number: int
    sprite: Sprite
    shift: tuple[int, int]
    nearer: float


@dataclass(frozen=True, eq=False)
class Canvas:
    """What is seen at each sample of a window.

    number : (H, W) of the layer on top, -1 where there is none. depth, light : as in a sprite.
    """

    number: npt.NDArray[np.int32]
    depth: npt.NDArray[np.float32]
    light: Pixels


@dataclass(frozen=True, eq=False)
class Painter:
    """Meshes and what has been painted of them."""

    meshes: Mapping[int, Mesh]
    _sprites: dict[tuple[int, str, float], Sprite] = field(default_factory=dict)
    _normals: dict[int, FloatArray] = field(default_factory=dict)
    _boxes: dict[tuple[int, str], FloatArray] = field(default_factory=dict)

    def box(self, number: int, view: View) -> FloatArray:
        """(2, 2) least and greatest mm to the right and down at which a mesh is seen."""
        key = (number, view.name)
        if key not in self._boxes:
            self._boxes[key] = box_of(flat(self.meshes[number].vertices, view, 1.0))
        return self._boxes[key]

    def layer(
        self, number: int, view: View, size: float, offset: FloatArray, window: Window
    ) -> Layer:
        """A mesh as seen in a window.

        Parameters
        ----------
        size : of a sample, mm. offset : (3,) that it is moved by, mm.
        """
        right, up, nearer = (view.axes @ offset).tolist()
        shift = round(right / size), round(-up / size)
        left, top, end, bottom = window
        seen = (left - shift[0], top - shift[1], end - shift[0], bottom - shift[1])
        return Layer(number, self._sprite(number, view, size, seen), shift, nearer)

    def _sprite(self, number: int, view: View, size: float, seen: Window) -> Sprite:
        key = (number, view.name, size)
        if key in self._sprites:
            return self._sprites[key]
        mesh = self.meshes[number]
        if number not in self._normals:
            self._normals[number] = smooth_normals(mesh)
        low, high = self.box(number, view) / size
        whole = (*np.floor(low).astype(int).tolist(), *(np.floor(high).astype(int) + 1).tolist())
        kept = (whole[2] - whole[0]) * (whole[3] - whole[1]) <= MOST
        if not kept:
            whole = (
                max(whole[0], seen[0]), max(whole[1], seen[1]),
                min(whole[2], seen[2]), min(whole[3], seen[3]),
            )  # fmt: skip
        sprite = painted(mesh, self._normals[number], view, size, whole)
        if kept:
            self._sprites[key] = sprite
        return sprite


def flat(points: FloatArray, view: View, size: float) -> FloatArray:
    """(N, 2) samples to the right and down of (N, 3) points."""
    return np.asarray(points @ (view.axes[:2] * [[1.0], [-1.0]]).T / size)


def smooth_normals(mesh: Mesh) -> FloatArray:
    """(V, 3) unit normals of sculpted skin at its vertices, the mean of its faces' by area."""
    skin = mesh.tag == SKIN
    faces, vectors = mesh.faces[skin].ravel(), np.repeat(mesh.face_vectors[skin], 3, axis=0)
    count = len(mesh.vertices)
    total = np.stack([np.bincount(faces, vectors[:, k], count) for k in range(3)], axis=1)
    return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12))


# --- sprites ---------------------------------------------------------------------------------


def painted(mesh: Mesh, normals: FloatArray, view: View, size: float, window: Window) -> Sprite:
    """A mesh painted into a window of samples, `size` mm each.

    normals : (V, 3) as `smooth_normals` gives them.
    """
    left, top, end, bottom = window
    wide, high = max(end - left, 0), max(bottom - top, 0)
    depth, owner = np.full(wide * high, -np.inf), np.full(wide * high, -1, dtype=np.int64)
    at = np.column_stack([flat(mesh.vertices, view, size), mesh.vertices @ view.axes[2]])
    at[:, :2] -= [left, top]
    facing = np.flatnonzero(mesh.face_vectors @ view.axes[2] > 0)
    for part in range(0, len(facing), FACES_AT_ONCE):
        rows = facing[part : part + FACES_AT_ONCE]
        where, far, of = _samples(at[mesh.faces[rows]], wide, high)
        nearer = far > depth[where]
        where, far, of = where[nearer], far[nearer], part + of[nearer]
        np.maximum.at(depth, where, far)
        on_top = far == depth[where]
        owner[where[on_top]] = -1
        np.maximum.at(owner, where[on_top], of[on_top])
    light = np.zeros(wide * high, dtype=np.uint8)
    seen = np.flatnonzero(owner >= 0)
    lit = corner_light(mesh, normals, facing, view)
    row, column = np.divmod(seen, wide)
    mine = owner[seen]
    value = _within(at[mesh.faces[facing], :2], lit, mine, column + 0.5, row + 0.5)
    light[seen] = np.round(value)
    return Sprite(
        left, top, depth.astype(np.float32).reshape(high, wide), light.reshape(high, wide)
    )


def corner_light(mesh: Mesh, normals: FloatArray, faces: IndexArray, view: View) -> FloatArray:
    """(N, 3) brightness, 0 to 255, at the corners of N faces: smooth but for sharp edges."""
    own = mesh.face_vectors[faces]
    own = own / np.linalg.norm(own, axis=1, keepdims=True)
    found = np.empty((len(faces), 3))
    for k in range(3):
        normal = normals[mesh.faces[faces, k]]
        sharp = (np.einsum("ij,ij->i", normal, own) < SHARP) | (mesh.tag[faces] != SKIN)
        local = np.where(sharp[:, None], own, normal) @ view.axes.T
        lit = 0.44 + 0.46 * np.maximum(local @ np.array(LIGHT), 0.0)
        found[:, k] = 255 * lit * (0.8 + 0.2 * np.clip(local[:, 2], 0.0, 1.0))
    return found


def _samples(
    corners: FloatArray, wide: int, high: int
) -> tuple[IndexArray, FloatArray, IndexArray]:
    """The samples within triangles: each one's place, depth, and triangle.

    A sample on an edge that two triangles share is in just one of them.

    corners : (N, 3, 3) samples to the right, down, and depth, mm.
    """
    x, y, z = (corners[:, :, k] for k in range(3))
    first = np.maximum(np.ceil(y.min(axis=1) - 0.5), 0).astype(np.int64)
    last = np.minimum(np.ceil(y.max(axis=1) - 0.5), high).astype(np.int64)
    of, row = _runs(first, last)
    level = row + 0.5
    low, up = np.full(len(of), np.inf), np.full(len(of), -np.inf)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        # Always from the upper end, so that both triangles of an edge reckon alike.
        swap = y[:, i] > y[:, j]
        xa, xb = np.where(swap, x[:, j], x[:, i]), np.where(swap, x[:, i], x[:, j])
        ya, yb = np.where(swap, y[:, j], y[:, i]), np.where(swap, y[:, i], y[:, j])
        lean = (xb - xa) / np.maximum(yb - ya, 1e-300)
        crossed = (ya[of] <= level) & (level < yb[of])
        at = xa[of] + (level - ya[of]) * lean[of]
        low = np.where(crossed, np.minimum(low, at), low)
        up = np.where(crossed, np.maximum(up, at), up)
    start = np.clip(np.ceil(low - 0.5), 0, wide).astype(np.int64)
    stop = np.clip(np.ceil(up - 0.5), 0, wide).astype(np.int64)
    run, column = _runs(start, stop)
    of, row = of[run], row[run]
    where = row * wide + column
    x, y = (cells.astype(np.float64) + 0.5 for cells in (column, row))
    return where, _within(corners[:, :, :2], z, of, x, y), of


def _within(
    at: FloatArray, value: FloatArray, of: IndexArray, x: FloatArray, y: FloatArray
) -> FloatArray:
    """(K,) what values at triangles' corners come to at places within them.

    at, value : (N, 3, 2) the corners, and (N, 3) there. of, x, y : (K,) triangle and place.
    """
    a, b = at[:, 1] - at[:, 0], at[:, 2] - at[:, 0]
    p, q = value[:, 1] - value[:, 0], value[:, 2] - value[:, 0]
    twice = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    sound = np.abs(twice) > 1e-12
    across, down = (
        np.divide(rise, twice, out=np.zeros_like(rise), where=sound)
        for rise in (p * b[:, 1] - q * a[:, 1], q * a[:, 0] - p * b[:, 0])
    )
    at_origin = value[:, 0] - across * at[:, 0, 0] - down * at[:, 0, 1]
    found = at_origin[of] + across[of] * x + down[of] * y
    # A triangle seen nearly on edge is steep: what it is not cannot be.
    return np.asarray(np.clip(found, value.min(axis=1)[of], value.max(axis=1)[of]))


def _runs(first: IndexArray, last: IndexArray) -> tuple[IndexArray, IndexArray]:
    """For each number from first to before last, whose it is, and the number."""
    count = np.maximum(last - first, 0)
    of = np.repeat(np.arange(len(first)), count)
    before = np.cumsum(count) - count
    return of, np.arange(len(of)) - before[of] + first[of]


# --- pictures --------------------------------------------------------------------------------


def composed(layers: Sequence[Layer], window: Window) -> Canvas:
    """Layers over one another in a window, the nearest on top."""
    left, top, end, bottom = window
    shape = (bottom - top, end - left)
    number = np.full(shape, -1, dtype=np.int32)
    depth, light = np.full(shape, -np.inf, dtype=np.float32), np.full(shape, 255, dtype=np.uint8)
    for layer in layers:
        sprite = layer.sprite
        x, y = sprite.left + layer.shift[0] - left, sprite.top + layer.shift[1] - top
        high, wide = sprite.depth.shape
        x0, x1, y0, y1 = max(x, 0), min(x + wide, shape[1]), max(y, 0), min(y + high, shape[0])
        if x0 >= x1 or y0 >= y1:
            continue
        there = (slice(y0, y1), slice(x0, x1))
        own = (slice(y0 - y, y1 - y), slice(x0 - x, x1 - x))
        deep = sprite.depth[own] + np.float32(layer.nearer)
        nearer = deep > depth[there]
        depth[there][nearer] = deep[nearer]
        light[there][nearer] = sprite.light[own][nearer]
        number[there][nearer] = layer.number
    return Canvas(number, depth, light)


def drawn(canvas: Canvas, hues: Mapping[int, int], levels: int, size: float) -> Pixels:
    """(H, W) palette indices of a canvas, `FINER` times smaller, with lines round what differs.

    hues : which of the palette's each layer's number has; the first where it is not said.
    levels : of each hue. size : of a sample, mm.
    """
    high, wide = (n // FINER for n in canvas.number.shape)
    light = np.where(_lines(canvas, size), 0.08, canvas.light / 255.0)
    blocks = light[: high * FINER, : wide * FINER].reshape(high, FINER, wide, FINER)
    level = np.round(blocks.mean(axis=(1, 3)) * (levels - 1)).astype(np.int64)
    seen = canvas.number[: high * FINER, : wide * FINER].reshape(high, FINER, wide, FINER)
    top = seen.max(axis=(1, 3))
    of = np.zeros(int(top.max(initial=0)) + 2, dtype=np.int64)
    for number in range(len(of) - 1):
        of[number] = hues.get(number, 0)
    return np.asarray(of[top] * levels + level, dtype=np.uint8)


def _lines(canvas: Canvas, size: float) -> npt.NDArray[np.bool_]:
    """(H, W) where another layer, nothing, or a step in depth is next."""
    lines = np.zeros(canvas.number.shape, dtype=bool)
    for number, depth, line in (
        (canvas.number, canvas.depth, lines),
        (canvas.number.T, canvas.depth.T, lines.T),
    ):
        other = number[1:] != number[:-1]
        line[1:] |= other
        line[:-1] |= other
        deep = np.where(np.isfinite(depth), depth, 0.0)
        bend = np.abs(deep[2:] - 2 * deep[1:-1] + deep[:-2]) > JUMP * size
        line[1:-1] |= bend & ~other[1:] & ~other[:-1]
    return lines


def palette(hues: Sequence[str], levels: int) -> Pixels:
    """(N, 3) colours: of each hue, as "#rrggbb", its levels, from ink by the hue to paper."""
    share = np.linspace(0.0, 1.0, levels)[:, None]
    ink, paper = np.array(INK), np.array(PAPER)
    rows = []
    for hue in hues:
        pure = np.array([int(hue[k : k + 2], 16) for k in (1, 3, 5)])
        dark = ink + (pure - ink) * share / FULL
        bright = pure + (paper - pure) * (share - FULL) / (1 - FULL)
        rows.append(np.where(share < FULL, dark, bright))
    return np.asarray(np.round(np.concatenate(rows)), dtype=np.uint8)


def png(indices: Pixels, colours: Pixels) -> bytes:
    """A PNG file of (H, W) indices into (N, 3) colours.

    By "Portable Network Graphics (PNG) Specification", W3C, second edition (2003): indexed
    colour, 8 bits a pixel, rows not filtered.
    """
    high, wide = indices.shape
    rows = np.zeros((high, wide + 1), dtype=np.uint8)
    rows[:, 1:] = indices
    header = struct.pack(">IIBBBBB", wide, high, 8, 3, 0, 0, 0)
    chunks = (
        (b"IHDR", header),
        (b"PLTE", colours.tobytes()),
        (b"IDAT", zlib.compress(rows.tobytes(), 9)),
        (b"IEND", b""),
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in chunks
    )
