"""Where seams cross the figure while they are moved: followed, and kept in memory to be drawn.

The sculpt is only read. What is kept is known by marks of what it was made of, see `decisions`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from operator import attrgetter

import bpy
import numpy as np

from seamwright.errors import BadInput
from seamwright.figure import true_size
from seamwright.following import followed
from seamwright.job import Job
from seamwright.landmark import numbers_of, pinned
from seamwright.line import line_of
from seamwright.mesh import FloatArray, Mesh
from seamwright.seam import Reach, Seam
from seamwright.section import Section, section

from . import decisions, pieces
from . import scene as ours
from .conversion import mesh_of
from .job import job_of
from .place import names_of, size_of, true_mm
from .quality import sections_for
from .seams import flat_seam, line_seam_of, settle


@dataclass
class Sized:
    """A figure at true size; mm in a Blender unit."""

    mark: str
    source: Mesh
    mesh: Mesh
    mm: float


@dataclass
class Followed:
    """An active flat seam where it is now.

    seam, whole : as it was last followed, with its section.
    taken, left : (S, 2, 3) outlines of the regions it takes and of the others, Blender units.
    said : what there is to say of it; middle : where, Blender units.
    """

    key: tuple[str, str]
    place: list[float]
    seam: Seam
    whole: Section
    taken: FloatArray
    left: FloatArray
    said: str
    middle: FloatArray


@dataclass
class DrawnLine:
    """Where a seam runs over the skin, (S, 2, 3) Blender units; or why it does not."""

    key: str
    line: FloatArray
    said: str


_sized: list[Sized] = []
_followed: list[Followed] = []
_lines: dict[str, DrawnLine] = {}
_flat: dict[str, DrawnLine] = {}
_of_flat = attrgetter("reach", "radius", "regions", "told")
version = [0]
"""Counts what was kept anew, for what is drawn of it to be made anew."""


def forget() -> None:
    """Let go of all that is kept."""
    for kept in (_sized, _followed, _lines, _flat):
        kept.clear()
    version[0] += 1


def section_now() -> Followed | None:
    """The active flat seam as it was last followed."""
    return _followed[0] if _followed else None


def lines_now() -> dict[str, DrawnLine]:
    """The line seams' lines by the seams' names."""
    return _lines


def flat_now() -> dict[str, DrawnLine]:
    """Where flat seams run over the skin, by the seams' names, as far as it was looked at."""
    return _flat


def sized_figure(context: bpy.types.Context, figure: bpy.types.Object) -> Sized:
    """The figure at true size: mended if that was done already, else as it is."""
    mark = decisions.figure_mark(figure, context.scene)
    if not _sized or _sized[0].mark != mark:
        forget()
        source, unit = mesh_of(figure, context)
        choice = size_of(figure)
        mesh = pieces.mended_of(figure, context.scene)
        if mesh is None:
            mesh = true_size(
                source, unit=unit, scale=choice.scale, target_height=choice.target_height
            )
        _sized.append(Sized(mark, source, mesh, true_mm(context.scene, choice, source)))
    return _sized[0]


# --- a flat seam -----------------------------------------------------------------------------


def follow(context: bpy.types.Context, figure: bpy.types.Object, obj: bpy.types.Object) -> None:
    """Look where a flat seam's object crosses the figure now, if it was moved since."""
    place = [x for row in ours.matrix_of(obj) for x in row]
    key = (obj.name, decisions.mark_of(figure, context.scene, moving=obj))
    sized = sized_figure(context, figure)
    last = section_now()
    if last is not None and last.key == key:
        if last.place == place:
            return
        seam = replace(flat_seam(obj, last.seam.id, context.scene, sized.mm), name=last.seam.name)
        now = _moved(last, seam, place, sized.mm)
    else:
        now = _first(context, figure, obj, key, place)
    _followed[:] = [now] if now is not None else []
    version[0] += 1


def stop_following() -> None:
    """No flat seam is active any more."""
    if _followed:
        _followed.clear()
        version[0] += 1


def _first(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    obj: bpy.types.Object,
    key: tuple[str, str],
    place: list[float],
) -> Followed | None:
    """A seam that was not followed until now."""
    sized = sized_figure(context, figure)
    job = job_of(context, figure, sized.source)
    seam = job.seams[ours.seams_of(figure, context.scene).index(obj)]
    whole = _whole(sized.mesh, job, seam)
    try:
        taken = numbers_of(seam, whole)
        said = _said(whole, taken)
    except BadInput as error:
        taken, said = (), str(error)
    return _now(key, place, seam, whole, taken, said, sized.mm)


def _whole(mesh: Mesh, job: Job, seam: Seam) -> Section:
    if not seam.stops_at:
        return section(mesh, seam.frame)
    return sections_for(mesh, job.seams, seam)[1][seam.name]


def _moved(last: Followed, seam: Seam, place: list[float], mm: float) -> Followed:
    """A seam that was followed to where it is now."""
    whole = section(last.whole.crossing.mesh, seam.frame, last.whole.crossing.snap)
    try:
        found = followed(_by_number(last), seam, last.whole, whole)
    except BadInput as error:
        # What was followed stays with the place where it still was.
        lost = _now(last.key, place, seam, whole, (), str(error), mm)
        return replace(lost, seam=last.seam, whole=last.whole)
    taken = found.numbers
    said = "\n".join((_said(whole, taken), *(change.line for change in found.changes)))
    return _now(last.key, place, found.seam, whole, taken, said, mm)


def _by_number(last: Followed) -> Seam:
    """The seam as it was last followed, a reach by points told by numbers.

    A point deep in each region takes longer to find than all else; see `keep_reach`.
    """
    if last.seam.reach.mode != "nearest":
        return last.seam
    numbers = numbers_of(last.seam, last.whole)
    return replace(last.seam, reach=Reach("regions", regions=numbers))


def _said(whole: Section, taken: tuple[int, ...]) -> str:
    area = sum(whole.regions[n - 1].area for n in taken) / 100
    return f"{ours.counted(len(taken), 'region')} of {len(whole.regions)}, {area:.1f} cm²"


def _now(
    key: tuple[str, str],
    place: list[float],
    seam: Seam,
    whole: Section,
    taken: tuple[int, ...],
    said: str,
    mm: float,
) -> Followed:
    nothing = np.zeros((0, 2, 3))
    mine, others = [nothing], [nothing]
    for number, region in enumerate(whole.regions, start=1):
        for loop in region.loops:
            outline = _closed(whole.frame.to_world(loop)) / mm
            (mine if number in taken else others).append(outline)
    middle = np.asarray(seam.point, dtype=np.float64)
    if taken:
        middle = whole.frame.to_world(whole.regions[min(taken) - 1].inner_point)
    return Followed(
        key, place, seam, whole, np.concatenate(mine), np.concatenate(others), said, middle / mm
    )


def _closed(points: FloatArray) -> FloatArray:
    """(N, 2, 3) the parts of a closed line through points (N, 3)."""
    return np.stack([points, np.roll(points, -1, axis=0)], axis=1)


def keep_reach(context: bpy.types.Context, figure: bpy.types.Object, obj: bpy.types.Object) -> bool:
    """Give a seam that came to rest the reach that takes the regions it was followed with.

    Nothing is written where the reach it has takes those by itself.
    """
    last = section_now()
    if last is None or last.seam.reach.mode == "all" or not len(last.taken):
        return False
    sized = sized_figure(context, figure)
    seam = flat_seam(obj, last.seam.id, context.scene, sized.mm)
    try:
        same = numbers_of(seam, last.whole) == numbers_of(last.seam, last.whole)
    except BadInput:
        same = False
    if same:
        return False
    name = names_of(ours.seams_of(figure, context.scene))[obj]
    by_number = last.seam.reach.mode == "regions" != seam.reach.mode
    now = pinned(last.seam, last.whole) if by_number else last.seam
    settle(context, obj, replace(now, name=name), sized.mm)
    return True


# --- line seams ------------------------------------------------------------------------------


def draw_lines(context: bpy.types.Context, figure: bpy.types.Object) -> bool:
    """Draw the line seams' lines over the skin anew where they were changed; whether any was."""
    scene = context.scene
    seams = [obj for obj in ours.seams_of(figure, scene) if ours.is_line(obj)]
    sized = sized_figure(context, figure)
    for name in [name for name in _lines if name not in {obj.name for obj in seams}]:
        del _lines[name]
        version[0] += 1
    changed = False
    for obj in seams:
        key = decisions.line_mark(obj)
        if obj.name in _lines and _lines[obj.name].key == key:
            continue
        changed = True
        version[0] += 1
        line, said = np.zeros((0, 2, 3)), ""
        try:
            seam = line_seam_of(obj, 1, obj.name, scene, sized.mm)
            line = _closed(line_of(sized.mesh, seam)[1].points) / sized.mm
        except BadInput as error:
            said = str(error)
        _lines[obj.name] = DrawnLine(key, line, said)
    return changed


def lines_are_due(figure: bpy.types.Object, scene: bpy.types.Scene) -> str:
    """What the line seams are now, if it is not what was drawn; empty if it is."""
    seams = [obj for obj in ours.seams_of(figure, scene) if ours.is_line(obj)]
    marks = {obj.name: decisions.line_mark(obj) for obj in seams}
    sized = bool(_sized) and _sized[0].mark == decisions.figure_mark(figure, scene)
    drawn = {name: kept.key for name, kept in _lines.items()} if sized else {}
    return "" if marks == drawn else repr(sorted(marks.items()))


# --- flat seams that are not active -----------------------------------------------------------


def draw_flat(
    context: bpy.types.Context, figure: bpy.types.Object, active: bpy.types.Object | None
) -> bool:
    """Look where one more flat seam runs over the skin, if any was changed; whether there was.

    One that stops at a line is drawn as it was last followed: what the line leaves takes too
    long to find for a look.
    """
    scene = context.scene
    sized = sized_figure(context, figure)
    seams = [obj for obj in ours.seams_of(figure, scene) if not ours.is_line(obj)]
    for name in _flat.keys() - {obj.name for obj in seams}:
        del _flat[name]
        version[0] += 1
    last = section_now()
    for obj in seams:
        key = _flat_mark(obj, scene, set())
        if last is not None and obj == active:
            _flat[obj.name] = DrawnLine(key, last.taken, last.said)
        elif obj.name not in _flat or _flat[obj.name].key != key:
            _flat[obj.name] = DrawnLine(key, *_outline(context, figure, obj, sized))
            version[0] += 1
            return True
    return False


def _outline(
    context: bpy.types.Context, figure: bpy.types.Object, obj: bpy.types.Object, sized: Sized
) -> tuple[FloatArray, str]:
    nothing = np.zeros((0, 2, 3))
    if _stops_at_line(obj, set()):
        return nothing, ""
    try:
        job = job_of(context, figure, sized.source)
        seam = job.seams[ours.seams_of(figure, context.scene).index(obj)]
        whole = _whole(sized.mesh, job, seam)
        taken = numbers_of(seam, whole)
    except BadInput as error:
        return nothing, str(error)
    loops = [loop for number in taken for loop in whole.regions[number - 1].loops]
    outlines = [_closed(whole.frame.to_world(loop)) / sized.mm for loop in loops]
    return np.concatenate([nothing, *outlines]), ""


def _stops_at_line(obj: bpy.types.Object, seen: set[str]) -> bool:
    seen.add(obj.name)
    others = [stop.seam for stop in obj.seamwright.stops_at if stop.seam is not None]
    return any(
        ours.is_line(other) or (other.name not in seen and _stops_at_line(other, seen))
        for other in others
    )


def _flat_mark(obj: bpy.types.Object, scene: bpy.types.Scene, seen: set[str]) -> str:
    """What tells where a flat seam runs from any other."""
    seen.add(obj.name)
    group = obj.seamwright
    said: list[object] = [obj.name, *_of_flat(group), [list(r) for r in ours.matrix_of(obj)]]
    if group.reach == "outline" and ours.is_there(group.outline, scene):
        said.append(decisions.line_mark(group.outline))
    for stop in group.stops_at:
        if stop.seam is not None and stop.seam.name not in seen:
            said.append(_flat_mark(stop.seam, scene, seen))
    return repr(said)
