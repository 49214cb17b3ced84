"""Sweeps: whether a piece that slides along a straight line passes through another.

A slides along d. It meets B if and only if some line along d leaves A, and later, or at the
same place, enters B. Only the faces by which lines leave A and those by which they enter B
count, and of two such faces that cover each other, seen along d, the gap between them is
linear: where it is not negative is a convex polygon, found exactly. The union of all such
polygons is the shadow in which A runs into B.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import manifold3d
import numpy as np

from seamwright.frame import Frame
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh
from seamwright.outline import IdArray

PLAY = 0.05
"""mm by which pieces may be in each other's way at either side of a shadow, and still pass: half
of what a good print strays (common practice, no source)."""

TOUCHING = 1e-7
"""Share of the pieces' extent within which faces touch (as `crossing.SNAP`)."""

CELLS = 48
"""Most cells along the longer side of the grid that faces are sorted into."""

PAIRS_AT_ONCE = 20_000

KEPT = 4_000_000
"""Faces seen along some direction that are kept for later sweeps: some 300 MB."""


@dataclass(frozen=True, eq=False)
class Shadow:
    """A piece seen along a direction: columns u, v across it and w along it.

    leaving, entering : (N, 3, 3) corners of the faces by which lines along it leave and
        enter the piece, mm.
    low, high : (3,) of all.
    """

    leaving: FloatArray
    entering: FloatArray
    low: FloatArray
    high: FloatArray

    @staticmethod
    def of(mesh: Mesh, axes: FloatArray) -> Shadow:
        """axes : (3, 3) rows u, v and w, right-handed."""
        points = mesh.vertices @ axes.T
        flat = points[:, :2]
        a, b, c = (flat[mesh.faces[:, k]] for k in range(3))
        u, v = b - a, c - a
        turn = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        # Faces seen edge on have no shadow; what they bound has.
        edge_on = 1e-9 * np.maximum((u * u).sum(axis=1), (v * v).sum(axis=1))
        return Shadow(
            points[mesh.faces[turn > edge_on]],
            points[mesh.faces[turn < -edge_on]],
            points.min(axis=0),
            points.max(axis=0),
        )

    def __len__(self) -> int:
        """How many faces it holds."""
        return len(self.leaving) + len(self.entering)

    def moved(self, shift: FloatArray) -> Shadow:
        """The same seen (3,) mm away, given along u, v and w."""
        if not shift.any():
            return self
        return Shadow(
            self.leaving + shift, self.entering + shift, self.low + shift, self.high + shift
        )


@dataclass(frozen=True, eq=False)
class Sweeps:
    """Sweeps among meshes, each done once.

    normals : (K, 3) of planes that may part two pieces; the more apt, the fewer sweeps.
    touch : mm within which faces touch.
    """

    normals: FloatArray
    touch: float
    _shadows: dict[tuple[int, bytes], Shadow] = field(default_factory=dict)
    _extents: dict[int, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    _found: dict[tuple[int, int, bytes, float, bytes], bool] = field(default_factory=dict)
    # Meshes are told apart by identity, so they must live as long as this does.
    _kept: dict[int, Mesh] = field(default_factory=dict)

    def blocked(
        self,
        moving: Mesh,
        by: Mesh,
        direction: FloatArray,
        travel: float = np.inf,
        start: FloatArray | None = None,
    ) -> bool:
        """Whether a mesh that slides along a unit direction runs into another.

        travel : how far it slides, mm.
        start : (3,) mm from where it is given to where it begins to slide.
        """
        begin = np.zeros(3) if start is None else start
        key = (id(moving), id(by), direction.tobytes(), travel, begin.tobytes())
        if key not in self._found:
            self._kept[id(moving)], self._kept[id(by)] = moving, by
            self._found[key] = not self._parted(moving, by, direction, begin) and meet(
                self._shadow(moving, direction).moved(_axes(direction) @ begin),
                self._shadow(by, direction),
                self.touch,
                travel,
            )
        return self._found[key]

    def parted(self, meshes: list[Mesh], direction: FloatArray) -> BoolArray:
        """(N, N) which meshes surely do not run into which as they slide along a direction."""
        low, high = (np.array([self._extent(m)[k] for m in meshes]) for k in range(2))
        away = self.normals @ direction >= 0
        clear = low[:, None, away] >= high[None, :, away] - self.touch
        return np.asarray(clear.any(axis=2))

    def _parted(self, moving: Mesh, by: Mesh, direction: FloatArray, begin: FloatArray) -> bool:
        """Whether a plane lies between the two, and the way does not lead towards it."""
        low = self._extent(moving)[0] + self.normals @ begin
        high = self._extent(by)[1]
        away = self.normals @ direction >= 0
        return bool((away & (low >= high - self.touch)).any())

    def _extent(self, mesh: Mesh) -> tuple[FloatArray, FloatArray]:
        if id(mesh) not in self._extents:
            self._kept[id(mesh)] = mesh
            along = mesh.vertices @ self.normals.T
            self._extents[id(mesh)] = along.min(axis=0), along.max(axis=0)
        return self._extents[id(mesh)]

    def _shadow(self, mesh: Mesh, direction: FloatArray) -> Shadow:
        key = (id(mesh), direction.tobytes())
        if key not in self._shadows:
            shadow = Shadow.of(mesh, _axes(direction))
            # The oldest go first: the next sweeps mostly are along the latest directions.
            while self._shadows and len(shadow) + sum(map(len, self._shadows.values())) > KEPT:
                del self._shadows[next(iter(self._shadows))]
            self._shadows[key] = shadow
        return self._shadows[key]


def _axes(direction: FloatArray) -> FloatArray:
    """(3, 3) rows u, v and w, w along a unit direction."""
    return np.asarray(Frame.on_plane(np.zeros(3), direction).axes)


def sweeps(meshes: list[Mesh], normals: FloatArray) -> Sweeps:
    """Sweeps among meshes of one figure; the axes' planes are tried besides the given ones."""
    both = np.concatenate([normals.reshape(-1, 3), np.eye(3)])
    low = np.min([m.bounds[0] for m in meshes], axis=0)
    high = np.max([m.bounds[1] for m in meshes], axis=0)
    touch = TOUCHING * float(np.linalg.norm(high - low))
    return Sweeps(np.concatenate([both, -both]), touch)


def meet(moving: Shadow, by: Shadow, touch: float, travel: float = np.inf) -> bool:
    """Whether the first runs into the second as it goes along w for so many mm.

    touch : mm within which faces count as touching.
    """
    near = _within_reach(moving, by, touch, travel)
    if near is None:
        return False
    polygons: list[FloatArray] = []
    for a, b in _covering(*near, touch):
        found, count = _overlaps(a, b, touch, travel)
        if not len(found):
            continue
        if _is_wide(found, count):
            return True
        polygons += [p[:n] for p, n in zip(found, count.tolist(), strict=True)]
        if _union_is_wide(polygons):
            return True
    return False


def _within_reach(
    moving: Shadow, by: Shadow, touch: float, travel: float
) -> tuple[FloatArray, FloatArray] | None:
    """The leaving and entering faces that can matter; None if there are none."""
    low = np.maximum(moving.low, by.low)[:2]
    high = np.minimum(moving.high, by.high)[:2]
    if (high - low <= 2 * PLAY).any() or by.high[2] < moving.low[2] - touch:
        return None
    if by.low[2] > moving.high[2] + travel:
        return None
    leaving = _cropped(moving.leaving, low, high)
    entering = _cropped(by.entering, low, high)
    if not len(leaving) or not len(entering):
        return None
    leaving = leaving[leaving[:, :, 2].min(axis=1) <= entering[:, :, 2].max() + touch]
    if not len(leaving):
        return None
    ahead = entering[:, :, 2].max(axis=1) >= leaving[:, :, 2].min() - touch
    ahead &= entering[:, :, 2].min(axis=1) <= leaving[:, :, 2].max() + travel
    entering = entering[ahead]
    return (leaving, entering) if len(entering) else None


def _cropped(faces: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """The faces whose boxes come into a rectangle."""
    keep = np.ones(len(faces), dtype=bool)
    for x in range(2):
        column = faces[:, :, x]
        keep &= (column.min(axis=1) <= high[x]) & (column.max(axis=1) >= low[x])
    return np.asarray(faces[keep])


# --- which faces cover which -------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Grid:
    """Square cells over the common shadow."""

    low: FloatArray
    size: float
    shape: tuple[int, int]

    @staticmethod
    def over(a: FloatArray, b: FloatArray) -> _Grid:
        """Of the shadow that faces a and b (N, 3, 3) have in common."""
        boxes = [(f[:, :, :2].min(axis=(0, 1)), f[:, :, :2].max(axis=(0, 1))) for f in (a, b)]
        low = np.maximum(boxes[0][0], boxes[1][0])
        extent = np.maximum(np.minimum(boxes[0][1], boxes[1][1]) - low, 1e-9)
        along = int(np.clip(np.sqrt(len(a) + len(b)), 1, CELLS))
        size = float(extent.max()) / along
        nx, ny = (np.floor(extent / size).astype(int) + 1).tolist()
        return _Grid(low, size, (nx, ny))

    def index(self, points: FloatArray) -> IdArray:
        """(N, 2) the cells that points (N, 2) are in, those outside drawn in."""
        cell = np.floor((points - self.low) / self.size).astype(np.int64)
        return np.asarray(np.clip(cell, 0, np.array(self.shape) - 1))


@dataclass(frozen=True, eq=False)
class _Entries:
    """Which face is in which cell, and between what heights there.

    face, cell : (M,). low, high : (M,) mm.
    """

    face: IdArray
    cell: IdArray
    low: FloatArray
    high: FloatArray

    def chosen(self, keep: BoolArray) -> _Entries:
        return _Entries(self.face[keep], self.cell[keep], self.low[keep], self.high[keep])

    @staticmethod
    def of(faces: FloatArray, grid: _Grid) -> _Entries:
        first = grid.index(faces[:, :, :2].min(axis=1))
        span = grid.index(faces[:, :, :2].max(axis=1)) - first + 1
        count = span[:, 0] * span[:, 1]
        face = np.repeat(np.arange(len(faces)), count)
        step = np.arange(len(face)) - np.repeat(np.cumsum(count) - count, count)
        across = np.repeat(span[:, 1], count)
        cell = np.stack([step // across, step % across], axis=1) + first[face]
        number = cell[:, 0] * grid.shape[1] + cell[:, 1]
        low, high = faces[:, :, 2].min(axis=1)[face], faces[:, :, 2].max(axis=1)[face]
        # What is in one cell needs no closer look.
        many = np.flatnonzero(count[face] > 1)
        hit, height, rise = _over_cells(faces, grid, face[many], cell[many])
        low[many] = np.maximum(low[many], height - rise)
        high[many] = np.minimum(high[many], height + rise)
        keep = np.ones(len(face), dtype=bool)
        keep[many] = hit
        return _Entries(face, number, low, high).chosen(keep)


def _over_cells(
    faces: FloatArray, grid: _Grid, face: IdArray, cell: IdArray
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """(M,) whether faces come over cells (M, 2); their planes' heights at the cells' middles,
    and how much these may rise or fall within the cells, mm."""
    half = grid.size / 2
    faces = faces - np.array([*grid.low, 0.0])
    x, y = ((cell[:, k] + 0.5) * grid.size for k in range(2))
    hit = np.ones(len(face), dtype=bool)
    for k in range(3):
        start, end, tip = (faces[:, (k + n) % 3, :2] for n in range(3))
        normal = np.stack([start[:, 1] - end[:, 1], end[:, 0] - start[:, 0]], axis=1)
        one, other = (start * normal).sum(axis=1), (tip * normal).sum(axis=1)
        reach = half * np.abs(normal).sum(axis=1) * (1 + 1e-9)
        least, most = np.minimum(one, other) - reach, np.maximum(one, other) + reach
        at = x * normal[face, 0] + y * normal[face, 1]
        hit &= (at >= least[face]) & (at <= most[face])
    height, slope = _plane(faces)
    rise = half * np.abs(slope).sum(axis=1)
    # The plane of a steep face is known less well than its corners.
    rise += 1e-9 * (np.abs(height) + rise)
    return hit, height[face] + x * slope[face, 0] + y * slope[face, 1], rise[face]


def _plane(faces: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(M,) height at the origin and (M, 2) slope of the planes of faces (M, 3, 3)."""
    a = faces[:, 0]
    normal = np.cross(faces[:, 1] - a, faces[:, 2] - a)
    slope = -normal[:, :2] / normal[:, 2:]
    return a[:, 2] - (a[:, :2] * slope).sum(axis=1), slope


def _covering(
    leaving: FloatArray, entering: FloatArray, touch: float
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Pairs of faces (P, 3, 3) each that may cover each other with the second ahead.

    First those about the place where the second is farthest ahead.
    """
    grid = _Grid.over(leaving, entering)
    ours, theirs = _Entries.of(leaving, grid), _Entries.of(entering, grid)
    cells = grid.shape[0] * grid.shape[1]
    low, high = np.full(cells, np.inf), np.full(cells, -np.inf)
    np.minimum.at(low, ours.cell, ours.low)
    np.maximum.at(high, theirs.cell, theirs.high)
    ours = ours.chosen(ours.low <= high[ours.cell] + touch)
    theirs = theirs.chosen(theirs.high >= low[theirs.cell] - touch)
    if not len(ours.cell) or not len(theirs.cell):
        return
    with np.errstate(invalid="ignore"):
        ahead = high - low
    start = int(np.nanargmax(np.where(np.isfinite(ahead), ahead, -np.inf)))
    at = np.stack(np.divmod(np.arange(cells), grid.shape[1]), axis=1)
    # Cells in order of their distance from the start, so that shadows grow in one piece.
    rank = np.empty(cells, dtype=np.int64)
    rank[np.argsort(np.abs(at - at[start]).max(axis=1), kind="stable")] = np.arange(cells)
    for i, j in _joined(rank[ours.cell], rank[theirs.cell], cells):
        # Many a pair shares several cells.
        pair = np.unique(ours.face[i] * len(entering) + theirs.face[j])
        a, b = leaving[pair // len(entering)], entering[pair % len(entering)]
        corner = np.maximum(a[:, :, :2].min(axis=1), b[:, :, :2].min(axis=1))
        far = np.minimum(a[:, :, :2].max(axis=1), b[:, :, :2].max(axis=1))
        keep = (corner < far).all(axis=1)
        keep &= b[:, :, 2].max(axis=1) >= a[:, :, 2].min(axis=1) - touch
        yield a[keep], b[keep]


def _joined(ours: IdArray, theirs: IdArray, cells: int) -> Iterator[tuple[IdArray, IdArray]]:
    """Rows of both that have the same number, by number, some at a time."""
    order_a, order_b = np.argsort(ours, kind="stable"), np.argsort(theirs, kind="stable")
    count_a = np.bincount(ours, minlength=cells)
    count_b = np.bincount(theirs, minlength=cells)
    first_a, first_b = np.cumsum(count_a) - count_a, np.cumsum(count_b) - count_b
    pairs = count_a * count_b
    alive = np.flatnonzero(pairs)
    # The first lot is small: mostly it holds what decides.
    total = np.cumsum(pairs[alive])
    lot = np.where(total < PAIRS_AT_ONCE // 10, 0, 1 + total // PAIRS_AT_ONCE)
    for n in np.unique(lot):
        some = alive[lot == n]
        cell = np.repeat(some, pairs[some])
        step = np.arange(len(cell)) - np.repeat(np.cumsum(pairs[some]) - pairs[some], pairs[some])
        yield (
            order_a[first_a[cell] + step // count_b[cell]],
            order_b[first_b[cell] + step % count_b[cell]],
        )


# --- where they overlap ------------------------------------------------------------------


def _overlaps(
    a: FloatArray, b: FloatArray, touch: float, travel: float
) -> tuple[FloatArray, IntArray]:
    """The convex polygons (Q, M, 2) in which faces b (P, 3, 3) lie over a (P, 3, 3), no farther
    than `travel`, and how many corners (Q,) each has; empty ones are left out."""
    origin = a[:, 0]
    a, b = a - origin[:, None], (b - origin[:, None])[:, ::-1]
    polygon, count = a[:, :, :2], np.full(len(a), 3, dtype=np.int32)
    for k in range(3):
        corner, edge = b[:, k, :2], b[:, (k + 1) % 3, :2] - b[:, k, :2]
        normal = np.stack([-edge[:, 1], edge[:, 0]], axis=1)
        polygon, count = _clipped(polygon, count, normal, (corner * normal).sum(axis=1))
        alive = count > 2
        a, b, origin = a[alive], b[alive], origin[alive]
        polygon, count = polygon[alive], count[alive]
    below, slope_a = _plane(a)
    above, slope_b = _plane(b)
    polygon, count = _clipped(polygon, count, slope_b - slope_a, below - above - touch)
    if np.isfinite(travel):
        nearer = slope_a - slope_b, above - below - travel
        polygon, count = _clipped(polygon, count, *nearer)
    alive = count > 2
    return polygon[alive] + origin[alive][:, None, :2], count[alive]


def _clipped(
    polygon: FloatArray, count: IntArray, normal: FloatArray, least: FloatArray
) -> tuple[FloatArray, IntArray]:
    """What of convex polygons (P, M, 2) lies where x · normal >= least; (P, M + 1, 2).

    count : (P,) corners that each has; the others are without meaning.

    Sutherland & Hodgman, "Reentrant polygon clipping", 1974, all polygons at once.
    """
    rows, slots = polygon.shape[:2]
    at = np.arange(slots)
    real = at < count[:, None]
    after = np.where(at + 1 < count[:, None], at + 1, 0)
    height = np.einsum("pmx,px->pm", polygon, normal) - least[:, None]
    next_height = np.take_along_axis(height, after, axis=1)
    following = np.take_along_axis(polygon, after[:, :, None], axis=1)
    inside = (height >= 0) & real
    crossing = real & ((height >= 0) != (next_height >= 0))
    share = height / np.where(crossing, height - next_height, 1.0)
    cut = polygon + share[:, :, None] * (following - polygon)
    emitted = np.stack([inside, crossing], axis=2).reshape(rows, 2 * slots)
    points = np.stack([polygon, cut], axis=2).reshape(rows, 2 * slots, 2)
    place = np.cumsum(emitted, axis=1) - 1
    # A convex polygon gains one corner at most; more is rounding, at corners on the line.
    out = np.zeros((rows, slots + 1, 2))
    row, slot = np.nonzero(emitted & (place <= slots))
    out[row, place[row, slot]] = points[row, slot]
    return out, np.minimum(emitted.sum(axis=1), slots + 1).astype(np.int32)


def _is_wide(polygon: FloatArray, count: IntArray) -> bool:
    """Whether some polygon (Q, M, 2) by itself holds a disc of radius PLAY.

    The radius r of the largest disc in a convex polygon is at least its area over its
    perimeter, as lines from the disc's middle divide it into triangles no higher than that.
    """
    at = np.arange(polygon.shape[1])
    after = np.where(at + 1 < count[:, None], at + 1, 0)
    following = np.take_along_axis(polygon, after[:, :, None], axis=1)
    real = at < count[:, None]
    x, y = polygon - polygon[:, :1], following - polygon[:, :1]
    twice = np.where(real, x[:, :, 0] * y[:, :, 1] - x[:, :, 1] * y[:, :, 0], 0.0).sum(axis=1)
    length = np.where(real, np.linalg.norm(y - x, axis=2), 0.0).sum(axis=1)
    return bool((0.5 * np.abs(twice) > PLAY * length).any())


def _union_is_wide(polygons: list[FloatArray]) -> bool:
    """Whether a disc of radius PLAY lies in the union of polygons."""
    # Far out, the kernel's grid is too coarse for the play; and what it rounds must not leave
    # cracks between polygons that share an edge.
    origin, crack = polygons[0][0], 0.01 * PLAY
    whole = manifold3d.CrossSection(
        [np.ascontiguousarray(p - origin) for p in polygons], manifold3d.FillRule.NonZero
    )
    grown = whole.offset(crack, manifold3d.JoinType.Miter, 2.0)
    return not grown.offset(-PLAY - crack, manifold3d.JoinType.Miter, 2.0).is_empty()
