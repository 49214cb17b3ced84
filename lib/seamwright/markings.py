"""What a user marked on the skin: the keep-clear area and the natural lines.

Markings are read with a source, brought to true size and carried through mending with it;
seams are then judged by those on the figure that is parted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from seamwright.adjacency import EdgeTable
from seamwright.errors import BadInput
from seamwright.figure import true_factor, true_size, welded
from seamwright.formats import ply_values
from seamwright.mesh import SKIN, BoolArray, FloatArray, IntArray, Mesh
from seamwright.nearest import nearest_faces
from seamwright.outline import dot
from seamwright.seam import Point, place

KeepClearKind = Literal["vertex_group", "mask", "face_set", "property", "ball"]
LineKind = Literal["seams", "creases", "face sets"]
LINE_KINDS: tuple[LineKind, ...] = get_args(LineKind)

ABOVE = 0.5
"""What a painted value must be above to count: the middle of the range."""

ON_SKIN = 1e-5
"""Share of the figure's diagonal within which a natural line is still on the mended skin: ten
times what welding may move a vertex."""

LEAST = 0.05
"""mm; a shorter length across the keep-clear area is rounding and is not spoken of."""


@dataclass(frozen=True)
class KeepClear:
    """One thing that belongs to the keep-clear area; all of them together are the area.

    kind : "vertex_group", "mask" and "face_set" of an object in Blender; "property" of a PLY
        file's vertices, or an attribute of that name in Blender; or a "ball".
    name : of the vertex group or property.
    number : of the face set.
    above : a face belongs if the values at all its corners are above this.
    centre, radius : of the ball, mm at true size; the skin inside it belongs, on any figure.
    """

    kind: KeepClearKind
    name: str = ""
    number: int = 0
    above: float = ABOVE
    centre: Point = (0.0, 0.0, 0.0)
    radius: float = 0.0

    @property
    def said(self) -> str:
        """What it is, in words that fit into a sentence."""
        if self.kind == "ball":
            x, y, z = self.centre
            return f"the ball of {self.radius:g} mm about ({x:g}, {y:g}, {z:g}) mm"
        return {
            "vertex_group": f"vertex group '{self.name}'",
            "mask": "the mask",
            "face_set": f"face set {self.number}",
            "property": f"property '{self.name}'",
        }[self.kind]


@dataclass(frozen=True, eq=False)
class Markings:
    """Markings on one mesh.

    keep_clear : (F,) bool, its faces in the keep-clear area.
    lines : (L, 2, 3) ends of the segments of the natural lines, in the mesh's own unit.
    balls : (B, 4) centres and radii, mm at true size; skin inside them is keep-clear too.
    """

    keep_clear: BoolArray
    lines: FloatArray
    balls: FloatArray

    @staticmethod
    def of(
        mesh: Mesh,
        keep_clear: npt.ArrayLike | None = None,
        lines: npt.ArrayLike | None = None,
        balls: npt.ArrayLike | None = None,
    ) -> Markings:
        """Markings from anything array-like; nothing is marked where None is given.

        Raises
        ------
        BadInput
            If an array has the wrong shape, or a number is not finite.
        """
        flags = np.zeros(len(mesh.faces), dtype=bool)
        if keep_clear is not None:
            flags = np.ascontiguousarray(keep_clear)
        if flags.dtype != bool or flags.shape != (len(mesh.faces),):
            raise BadInput(
                f"Keep-clear flags have shape {flags.shape}; give one true or false for each of "
                f"the {len(mesh.faces)} faces."
            )
        made = []
        for given, shape, what in ((lines, (2, 3), "Natural lines"), (balls, (4,), "Balls")):
            rows = np.zeros((0, *shape))
            if given is not None and np.size(given):
                rows = np.ascontiguousarray(given, dtype=np.float64)
            if rows.shape[1:] != shape or not np.isfinite(rows).all():
                wanted = ", ".join(str(n) for n in shape)
                raise BadInput(f"{what} have shape {rows.shape}; give finite (N, {wanted}).")
            made.append(rows)
        return Markings(flags, made[0], made[1])

    @property
    def has_area(self) -> bool:
        """Whether anything is to be kept clear."""
        return bool(self.keep_clear.any()) or len(self.balls) > 0

    def sentences(self, mesh: Mesh) -> tuple[str, ...]:
        """What is marked on a figure, with numbers and units; nothing if nothing is."""
        said = []
        if self.has_area:
            area = float(mesh.areas[self.keep_clear].sum())
            share = 100 * area / max(float(mesh.areas.sum()), 1e-300)
            text = f"keep-clear area: {area:.0f} mm² ({share:.1f} %) of the skin"
            if len(self.balls):
                count = len(self.balls)
                text += f", and what lies in {count} ball{'' if count == 1 else 's'}"
            said.append(text)
        if len(self.lines):
            gap = self.lines[:, 1] - self.lines[:, 0]
            said.append(f"natural lines: {float(np.sqrt(dot(gap, gap)).sum()):.0f} mm")
        return tuple(said)


def faces_above(mesh: Mesh, values: npt.ArrayLike, above: float) -> BoolArray:
    """(F,) faces with values (V,) above a limit at all three corners.

    All three, as Blender counts a face as selected when all its vertices are: a seam that
    runs along the painted area's edge does not cross it.
    """
    high = np.asarray(values) > above
    return np.asarray(high[mesh.faces].all(axis=1))


# --- from a file --------------------------------------------------------------------------


def markings_of_file(
    mesh: Mesh, path: Path, keep_clear: Sequence[KeepClear], natural_lines: Sequence[LineKind]
) -> Markings:
    """The markings that a figure file carries: the properties of a PLY file's vertices.

    Parameters
    ----------
    mesh : as read from the file at `path`.
    keep_clear, natural_lines : what the job asks for. Balls are no part of a file.

    Raises
    ------
    BadInput
        If the job asks for what only an object in Blender has, or the file has no such
        property, or the property marks no face.
    """
    flags = np.zeros(len(mesh.faces), dtype=bool)
    if natural_lines:
        raise BadInput(
            f"'{path}' carries no {natural_lines[0]}; natural lines need Blender: run the job "
            "there on an object, or take natural_lines out of [figure]."
        )
    for choice in keep_clear:
        if choice.kind == "ball":
            continue
        if choice.kind != "property":
            raise BadInput(
                f"'{path}' carries no {choice.said.removeprefix('the ')}, which needs Blender: run "
                "the job there on an object, or keep clear a PLY property or a ball."
            )
        if path.suffix.lower() != ".ply":
            raise BadInput(
                f"'{path}' carries no properties; export the figure as PLY to keep clear "
                f"{choice.said}."
            )
        try:
            values = ply_values(path.read_bytes(), choice.name)
        except (OSError, ValueError) as error:
            raise BadInput(f"'{path}': {error}.") from error
        flags |= require_some(faces_above(mesh, values, choice.above), choice, f"'{path}'")
    return Markings.of(mesh, flags)


def require_some(flags: BoolArray, choice: KeepClear, where: str) -> BoolArray:
    """The flags (F,) of what one choice keeps clear, if there are any; BadInput if not."""
    if not flags.any():
        limit = f" above {choice.above:g}" if choice.kind != "face_set" else ""
        raise BadInput(
            f"{where}: {choice.said} holds no whole face{limit}; mark the keep-clear area anew or "
            "take it out of the job."
        )
    return flags


def required(
    markings: Markings | None,
    source: Mesh,
    keep_clear: Sequence[KeepClear],
    natural_lines: Sequence[LineKind],
) -> Markings:
    """The markings read with a source; none, if the job asks for none but balls.

    Raises
    ------
    BadInput
        If the job asks for some and none were read: they are never passed over in silence.
    """
    if markings is not None:
        return markings
    asked = [c.said for c in keep_clear if c.kind != "ball"] + list(natural_lines)
    if asked:
        raise BadInput(
            f"The job marks {asked[0]}, which was not read with the figure; run it with "
            "scripts/batch.py or python -m seamwright, or take it out of [figure]."
        )
    return Markings.of(source)


# --- with the figure ----------------------------------------------------------------------


def at_true_size(
    markings: Markings,
    source: Mesh,
    *,
    unit: str,
    scale: float | None = None,
    target_height: float | None = None,
    up: str = "z",
) -> Markings:
    """Markings of a source as they are on `figure.true_size` of it; parameters as there."""
    if not len(markings.lines):
        return markings
    factor = true_factor(source, unit=unit, scale=scale, target_height=target_height, up=up)
    ends = Mesh.of(markings.lines.reshape(-1, 3), [])
    moved = true_size(ends, unit="mm", scale=factor, up=up).vertices
    return replace(markings, lines=moved.reshape(-1, 2, 3))


def after_mending(markings: Markings, before: Mesh, after: Mesh) -> Markings:
    """Markings of a figure on what mending made of it.

    Faces as `carried`. Of the natural lines those stay that are still on the skin: where
    shells were united, what is now inside is no place for a seam.
    """
    if after is before:
        return markings
    lines = markings.lines
    if len(lines):
        distance = nearest_faces(after, lines.mean(axis=1))[1]
        lines = lines[distance <= ON_SKIN * after.diagonal]
    return replace(carried(markings, before, after), lines=lines)


def carried(markings: Markings, before: Mesh, after: Mesh) -> Markings:
    """Markings on another mesh of the same skin: parted, mended, with vertices welded.

    A face with the very corners of one before, in whatever order, has its mark. Any other,
    such as a part of a cut face or one that closes a hole, has that of the face before
    which is nearest to its middle, however far: so a hole within the keep-clear area is
    closed with keep-clear faces. Faces left by seams are no skin and are never marked.
    """
    if after is before:
        return markings
    skin = after.tag == SKIN
    flags = np.zeros(len(after.faces), dtype=bool)
    if markings.keep_clear.all():
        flags = skin
    elif markings.keep_clear.any():
        rows = np.flatnonzero(skin)
        same = welded(np.concatenate([_corner_sums(before), _corner_sums(after)[rows]]))[1]
        old, new = same[: len(before.faces)], same[len(before.faces) :]
        known, marked = (np.zeros(int(same.max()) + 1, dtype=bool) for _ in range(2))
        known[old] = True
        marked[old[markings.keep_clear]] = True
        flags[rows] = marked[new]
        fresh = rows[~known[new]]
        middles = after.vertices[after.faces[fresh]].mean(axis=1)
        flags[fresh] = markings.keep_clear[nearest_faces(before, middles)[0]]
    return replace(markings, keep_clear=flags)


def _corner_sums(mesh: Mesh) -> FloatArray:
    """(F, 3) sums of each face's corners, the same bits in whatever order they come."""
    return np.asarray(np.sort(mesh.vertices[mesh.faces], axis=1).sum(axis=1))


def with_balls(markings: Markings, keep_clear: Sequence[KeepClear], figure: Mesh) -> Markings:
    """The markings of a figure at true size, with the balls that a job keeps clear.

    Raises
    ------
    BadInput
        If a ball holds no skin: its place or its size was mistaken.
    """
    balls = [(*c.centre, c.radius) for c in keep_clear if c.kind == "ball"]
    for x, y, z, radius in balls:
        gap = figure.vertices - (x, y, z)
        if bool((dot(gap, gap) <= radius * radius).any()):
            continue
        distance = float(nearest_faces(figure, np.array([[x, y, z]]))[1][0])
        if distance > radius:
            raise BadInput(
                f"The keep-clear ball of {radius:g} mm about ({x:g}, {y:g}, {z:g}) mm holds no "
                f"skin, which is {distance:.1f} mm away; move it or take it out of the job."
            )
    return replace(markings, balls=np.array(balls, dtype=np.float64).reshape(-1, 4))


# --- what crosses -------------------------------------------------------------------------


def share_in_balls(start: FloatArray, end: FloatArray, balls: FloatArray) -> FloatArray:
    """(S,) share of each segment, ends (S, 3), that lies in any of the balls (B, 4)."""
    if not len(balls) or not len(start):
        return np.zeros(len(start))
    along = (end - start)[:, None]
    arm = start[:, None] - balls[None, :, :3]
    # |arm + t along|² = radius², by the formula for a quadratic.
    squared = np.maximum(dot(along, along), 1e-300)
    half = dot(arm, along) / squared
    rest = half * half - (dot(arm, arm) - balls[:, 3] ** 2) / squared
    root = np.sqrt(np.maximum(rest, 0.0))
    low = np.clip(np.where(rest > 0, -half - root, 0.0), 0.0, 1.0)
    high = np.clip(np.where(rest > 0, -half + root, 0.0), 0.0, 1.0)
    # What each ball adds to those that begin before it.
    order = np.argsort(low, axis=1)
    low, high = (np.take_along_axis(x, order, axis=1) for x in (low, high))
    done = np.maximum.accumulate(high, axis=1)
    done = np.concatenate([np.zeros((len(done), 1)), done[:, :-1]], axis=1)
    return np.asarray(np.maximum(high - np.maximum(low, done), 0.0).sum(axis=1))


def crossed(
    figure: Mesh, markings: Markings, pieces: Sequence[Mesh], names: Mapping[int, str]
) -> tuple[str, ...]:
    """A sentence on each seam that crosses the keep-clear area: how far and where.

    Found on the pieces, where a seam's face meets skin, so it holds for any kind of seam
    and for just what was parted. What runs along the area's edge does not cross it: both
    sides of the seam must be in it.

    It is a warning and no refusal: an area is painted by hand and seldom to the millimetre,
    and a figure that must come apart somewhere may have no better place. Only the user can
    weigh that, so nothing but the job decides whether it is shown: it always is.

    Parameters
    ----------
    pieces : whose faces are tagged with the seams' ids.
    names : of the seams, by id.
    """
    if not markings.has_area:
        return ()
    rims = [_rim(mesh) for mesh in pieces]
    start, end, corners = (np.concatenate([r[k] for r in rims]) for k in range(3))
    seam = np.concatenate([r[3] for r in rims])
    if not len(seam):
        return ()
    skin = Mesh.of(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3))
    marked = carried(markings, figure, skin).keep_clear
    # Both sides of a seam hold the same points, so the two rims meet in the same middles.
    twin = welded(start + end)[1]
    both = np.ones(int(twin.max()) + 1, dtype=bool)
    np.logical_and.at(both, twin, marked)
    share = np.maximum(both[twin], share_in_balls(start, end, markings.balls))
    gap = end - start
    # Each place is met from either side.
    length = 0.5 * share * np.sqrt(dot(gap, gap))
    said = []
    for number, name in names.items():
        mine = np.flatnonzero((seam == number) & (length > 0))
        total = float(length[mine].sum())
        if total > LEAST:
            middle = (start[mine] + end[mine]) / 2
            centre = (length[mine, None] * middle).sum(axis=0) / total
            off = middle - centre
            where = place(middle[int(np.argmin(dot(off, off)))])
            said.append(
                f"Seam '{name}' crosses the keep-clear area for {total:.1f} mm, about {where}; "
                "move it, or nudge it."
            )
    return tuple(said)


def _rim(mesh: Mesh) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Where seam faces meet skin on a piece: ends (R, 3), skin faces (R, 3, 3), seams (R,)."""
    at_seam = np.zeros(len(mesh.vertices), dtype=bool)
    at_seam[mesh.faces[mesh.tag != SKIN].ravel()] = True
    local = np.flatnonzero(at_seam[mesh.faces].any(axis=1))
    faces, tag = mesh.faces[local], mesh.tag[local]
    table = EdgeTable.of(faces, len(mesh.vertices))
    half = np.flatnonzero(table.mate >= 0)
    own, other = half // 3, table.mate[half] // 3
    rim = (tag[own] != SKIN) & (tag[other] == SKIN)
    half, own, other = half[rim], own[rim], other[rim]
    points = mesh.vertices
    return points[table.start[half]], points[table.end[half]], points[faces[other]], tag[own]
