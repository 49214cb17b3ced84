"""The joints as they are sized: listed in the panel, and kept in memory to be drawn.

What is kept is known by a mark of the seams, rods and choices it was made of, so that it is
never shown for others. Where only sizes, turns and places were changed since, what these come to
is drawn, see `previews`.
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass

import bpy
import numpy as np

from seamwright.choice import JointAt, JointChoice
from seamwright.clearance import grade
from seamwright.errors import BadInput, Progress
from seamwright.job import Job
from seamwright.joint import Joint
from seamwright.known import Known
from seamwright.loads import afloat, weights
from seamwright.mesh import FloatArray
from seamwright.order import Order
from seamwright.rod import Bore
from seamwright.run import Figure, Result, sized
from seamwright.strength import Strength, strengths, summary
from seamwright.strength import warnings as weak_joints

from . import redraw
from . import scene as ours
from .choices import add_joint
from .decisions import mark_of, seams_mark
from .pieces import kept_mm, readying
from .work import Steps, late


@dataclass(frozen=True)
class Drawn:
    """The joints and rods of a figure to be drawn, and the mark they are good for.

    seams : the mark of where the seams were. mm : at true size in a Blender unit.
    weak : letters of joints that do not hold, or leave too thin a wall.
    made : counts what was sized. job : it was made of.
    """

    mark: str
    seams: str
    mm: float
    joints: tuple[Joint, ...]
    bores: tuple[Bore, ...]
    weak: frozenset[str]
    made: int
    job: Job


QUICK = 1.0
"""Seconds that sizing may take to be done unasked after a joint was dragged (common practice, no
source)."""

_KEPT = 8
"""How many sizings of a figure are kept, for steps of undo (common practice, no source)."""

counter = itertools.count()
_sized_of: dict[str, list[Drawn]] = {}
_known: dict[str, Known] = {}
_seconds: dict[str, float] = {}
"""What was sized, the last at the end, what is known from it, and how long it took, by the
figure's name."""


def sized_of(figure: bpy.types.Object) -> Drawn | None:
    """What was sized of a figure as the panel lists it, whether or not it was changed since."""
    kept, listed = _sized_of.get(figure.name, []), bpy.context.scene.seamwright.joints_mark
    as_listed = [drawn for drawn in kept if drawn.mark == listed]
    found = as_listed or kept
    return found[-1] if found else None


def drawn_of(figure: bpy.types.Object) -> Drawn | None:
    """What there is to draw of a figure: as sized, or as what was changed since comes to if that
    can be told; else what was last sized."""
    found = sized_of(figure)
    if found is None:
        return None
    mark = redraw.mark_of(figure, bpy.context.scene)
    as_now = [drawn for drawn in _sized_of[figure.name] if drawn.mark == mark]
    if as_now:
        return as_now[-1]
    return late("previews").preview_of(figure, found, mark) or found


def forget() -> None:
    """Let go of all that is kept."""
    for kept in (_sized_of, _known, _seconds):
        kept.clear()
    previews = ours.loaded("previews")
    if previews is not None:
        previews.forget()


# --- sizing ---------------------------------------------------------------------------------


def sizing(context: bpy.types.Context, figure: bpy.types.Object) -> Steps:
    """Size the joints of what the panel says, without making pieces, in steps; returns a
    sentence on them.

    Raises
    ------
    BadInput
        If a seam cannot be parted as asked, or a joint or rod cannot be made as asked.
    """
    # As it was when the work began: another window may move a seam meanwhile.
    marks = mark_of(figure, context.scene), seams_mark(figure, context.scene)
    prepared, job, mm = yield from readying(context, figure)
    name, known = figure.name, Known(_known.get(figure.name))
    start = time.perf_counter()
    joints, channels, strong, hung = yield lambda progress: _sized(prepared, job, progress, known)
    _seconds[name], _known[name] = time.perf_counter() - start, known.settled()
    _keep(figure, marks, job, joints, channels, strong, mm)
    _list(context, marks[0], joints, strong, Order(), mm, job)
    settings = context.scene.seamwright
    settings.strength = summary(strong)
    said = f"{ours.counted(len(joints), 'joint')}: {settings.strength}."
    found = weak_joints((), hung)
    return " ".join((said, *found))


def is_quick(figure: bpy.types.Object) -> bool:
    """Whether sizing a figure's joints anew takes no longer than a user likes to wait."""
    return _seconds.get(figure.name, math.inf) <= QUICK


def _sized(
    prepared: Figure, job: Job, progress: Progress, known: Known
) -> tuple[tuple[Joint, ...], tuple[Bore, ...], tuple[Strength, ...], tuple[int, ...]]:
    if not job.seams:
        raise BadInput("The figure has no seam; add one or more.")
    found = sized(prepared, job, lambda d, w: progress(0.05 + 0.85 * d, w), known)
    blanks, channels, joints = found.blanks, found.bores, found.joints
    progress(0.9, "judging joints")
    # Pegs and sockets weigh next to nothing against the pieces.
    strong = strengths(blanks, joints, weights(blanks, job.printer), job.printer)
    return joints, channels, strong, afloat(blanks, joints)


def take_result(context: bpy.types.Context, figure: bpy.types.Object, result: Result) -> None:
    """List the joints of the result that was just made, with strength and assembly order."""
    mm, settings = kept_mm(), context.scene.seamwright
    marks = settings.pieces_mark, seams_mark(figure, context.scene)
    _keep(figure, marks, result.job, result.joints, result.bores, result.strengths, mm)
    _list(context, marks[0], result.joints, result.strengths, result.order, mm, result.job)
    settings.strength = summary(result.strengths)
    settings.assembly = "\n".join(step.sentence for step in result.order.steps)
    settings.fights = "\n".join(fight.sentence for fight in result.order.fights)
    settings.freer = "\n".join(result.order.freer)


def _keep(
    figure: bpy.types.Object,
    marks: tuple[str, str],
    job: Job,
    joints: tuple[Joint, ...],
    channels: tuple[Bore, ...],
    strong: tuple[Strength, ...],
    mm: float,
) -> None:
    weak = frozenset(s.letter for s in strong if not s.holds)
    drawn = Drawn(*marks, mm, joints, channels, weak, next(counter), job)
    _sized_of[figure.name] = [*_sized_of.get(figure.name, []), drawn][-_KEPT:]


# --- the list -------------------------------------------------------------------------------


def _list(
    context: bpy.types.Context,
    mark: str,
    joints: Sequence[Joint],
    strong: Sequence[Strength],
    order: Order,
    mm: float,
    job: Job,
) -> None:
    settings = context.scene.seamwright
    figure = settings.figure
    ours.clear_joints(settings)
    objects = {
        seam.name: obj.name
        for seam, obj in zip(job.seams, ours.seams_of(figure, context.scene), strict=True)
    }
    steps = {k: n for n, step in enumerate(order.steps, start=1) for k in step.joints}
    for joint, strength in zip(joints, strong, strict=True):
        face = joint.interface
        item = settings.joints.add()
        item.name, item.seam = joint.letter, objects[face.seam.name]
        item.kind = kind_of(joint)
        item.state = state_of(joint, strength)
        item.said = "\n".join(facts_of(joint, strength, steps.get(joint.letter)))
        item.remedies = "\n".join(strength.remedies)
        item.middle = [x / mm for x in face.centre]
        item.size = math.sqrt(face.area) / mm / 2
    settings.joints_mark = mark


def kind_of(joint: Joint) -> str:
    """What a joint is, in a few words, sizes in mm."""
    if joint.magnets:
        one = joint.magnets[0]
        return f"{ours.counted(len(joint.magnets), 'magnet')} {one.diameter:g} × {one.thickness:g}"
    if not joint.pegs:
        return "flat, glued"
    wide = max(peg.width for peg in joint.pegs)
    noun = "loose peg" if joint.loose else "peg"
    return f"{ours.counted(len(joint.pegs), noun)} {wide:.1f}"


def state_of(joint: Joint, strength: Strength) -> str:
    """The word for how a joint holds."""
    if not strength.holds:
        return "weak"
    return "plain" if joint.kind == "plain" else "holds"


def facts_of(joint: Joint, strength: Strength, step: int | None) -> list[str]:
    """What is known of a joint, in sentences."""
    face = joint.interface
    said = [
        f"Between pieces {face.piece_b} and {face.piece_a}, {face.area / 100:.1f} cm².",
        f"{joint.reason[:1].upper()}{joint.reason[1:]}.",
    ]
    walls = [p.wall for p in joint.pegs] + [m.wall for m in joint.magnets]
    sizes = [p.width for p in joint.pegs] + [m.diameter for m in joint.magnets]
    # The reason for pegs tells both as a rule.
    if walls and "least wall" not in joint.reason:
        said.append(f"Least wall {min(walls):.1f} mm.")
    if walls and "per side" not in joint.reason:
        about = grade(joint.clearance, max(sizes))
        said.append(f"Clearance {joint.clearance:g} mm per side, {about} of ISO 286-1.")
    said.append(strength.sentence)
    if step is not None:
        said.append(f"Closed by step {step} of the assembly.")
    return said


# --- one joint for itself -------------------------------------------------------------------


def overridden(context: bpy.types.Context, figure: bpy.types.Object, letter: str) -> str:
    """Add an Empty that decides for one joint; returns its name.

    Raises
    ------
    BadInput
        If the joint is not known any more, or is decided for already.
    """
    drawn = sized_of(figure)
    if drawn is None or drawn.seams != seams_mark(figure, context.scene):
        raise BadInput("The seams were changed since the joints were sized; size them again.")
    joint = next((j for j in drawn.joints if j.letter == letter), None)
    if joint is None:
        raise BadInput(f"There is no joint {letter}; size the joints again.")
    seams = ours.seams_of(figure, context.scene)
    seam = seams[joint.interface.seam.id - 1]
    near = tuple(float(x) for x in np.round(joint.interface.centre, 3) + 0.0)
    for other in ours.joints_of(figure, context.scene):
        if other.seamwright.seam == seam and is_at(other, drawn, joint):
            raise BadInput(f"Joint {letter} is decided by '{other.name}' already; select that.")
    one = JointAt(joint.interface.seam.name, near, JointChoice())
    empty = add_joint(context, seam, one, near, drawn.mm)
    empty.name = f"Joint {letter} of {seam.name}"
    return empty.name


def is_at(empty: bpy.types.Object, drawn: Drawn, joint: Joint) -> bool:
    """Whether of all joints of its seam an Empty is nearest to this one."""
    place = np.array(ours.matrix_of(empty).translation) * drawn.mm
    mine = [j for j in drawn.joints if j.interface.seam.name == joint.interface.seam.name]
    return min(mine, key=lambda j: float(np.linalg.norm(j.interface.centre - place))) is joint


def acted_on(obj: bpy.types.Object) -> list[str]:
    """Letters of the sized joints that a seam's object or a single joint's Empty decides for."""
    group, scene = obj.seamwright, bpy.context.scene
    drawn = sized_of(group.figure) if group.figure is not None else None
    if drawn is None or drawn.seams != seams_mark(group.figure, scene):
        return []
    seam = group.seam if group.is_joint else obj
    seams = ours.seams_of(group.figure, scene)
    if seam not in seams:
        return []
    number = 1 + seams.index(seam)
    mine = [joint for joint in drawn.joints if joint.interface.seam.id == number]
    singles = [o for o in ours.joints_of(group.figure, scene) if o.seamwright.seam == seam]
    own = {j.letter: [o for o in singles if is_at(o, drawn, j)] for j in mine}
    wanted = [obj] if group.is_joint else []
    return [letter for letter, found in own.items() if found == wanted]


def sizes_of(obj: bpy.types.Object, key: str) -> tuple[float, ...]:
    """What was chosen as the count, width or depth of the joints that an object decides for."""
    letters = acted_on(obj)
    drawn = sized_of(obj.seamwright.figure) if letters else None
    found = []
    for joint in drawn.joints if drawn is not None else ():
        if joint.letter not in letters:
            continue
        if key == "count":
            found.append(float(len(joint.pegs) or len(joint.magnets)))
        elif joint.pegs:
            found.append(max(getattr(peg, key) for peg in joint.pegs))
    return tuple(found)


# --- lines to draw --------------------------------------------------------------------------


def wires(points: FloatArray, size: int) -> FloatArray:
    """(S, 2, 3) ends of the edges of a body's rings, and of some edges between them."""
    rings = points.reshape(-1, size, 3)
    around = np.stack([rings, np.roll(rings, -1, axis=1)], axis=2).reshape(-1, 2, 3)
    # A round body needs no more than eight edges to be seen.
    some = rings[:, :: max(1, size // 8)]
    along = np.stack([some[:-1], some[1:]], axis=2).reshape(-1, 2, 3)
    return np.concatenate([around, along])


def lines_of(drawn: Drawn) -> dict[str, FloatArray]:
    """(S, 2, 3) lines to draw, Blender units, by what they are of."""
    found: dict[str, list[FloatArray]] = {"peg": [], "socket": [], "weak": [], "rod": []}
    for joint in drawn.joints:
        for side in ("A", "B"):
            for body in joint.bodies(side, marks=False):
                what = "peg" if body.stands else "socket"
                if joint.letter in drawn.weak and body.stands:
                    what = "weak"
                found[what].append(wires(body.points, body.size) / drawn.mm)
    for bore in drawn.bores:
        found["rod"].append(wires(bore.body.points, bore.body.size) / drawn.mm)
    empty = np.zeros((0, 2, 3))
    return {what: np.concatenate([empty, *lines]) for what, lines in found.items()}
