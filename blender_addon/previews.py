"""Previews: what sized joints come to with the sizes, turns and places that are decided now.

A preview is drawn until the joints are sized again. A joint that takes sizing to be told of is
not in it.
"""

from __future__ import annotations

from dataclasses import replace

import bpy

from seamwright.choice import JointChoice
from seamwright.errors import BadInput
from seamwright.handles import dragged, thinnest
from seamwright.interface import choices
from seamwright.joint import Joint
from seamwright.printer import PrinterProfile
from seamwright.seam import place

from . import scene as ours
from .choices import choice_of, joints_at
from .conversion import typed
from .decisions import seams_mark
from .joints import Drawn, counter
from .place import names_of
from .printer_properties import profile_of
from .rods import rods_of

_found: dict[str, tuple[str, int, Drawn | None]] = {}
"""The last preview of each figure by its name: its mark, of which sizing, and what it is."""


def forget() -> None:
    """Let go of all that is kept."""
    _found.clear()


def preview_of(figure: bpy.types.Object, base: Drawn, mark: str) -> Drawn | None:
    """What was sized as it is with what is decided now, whose mark is `mark`; None if seams or
    the printer were changed since."""
    known = _found.get(figure.name)
    if known is not None and known[:2] == (mark, base.made):
        return known[2]
    try:
        found = _previewed(figure, base, mark)
    except BadInput:
        # What cannot be taken as it is is said when a button asks for it.
        found = None
    _found[figure.name] = mark, base.made, found
    return found


def _previewed(figure: bpy.types.Object, base: Drawn, mark: str) -> Drawn | None:
    scene, profile = bpy.context.scene, base.job.printer
    if base.seams != seams_mark(figure, scene) or profile_of(scene.seamwright, typed) != profile:
        return None
    faces = tuple(joint.interface for joint in base.joints)
    was = choices(faces, base.job.joints)
    joints = []
    for joint, before, now in zip(base.joints, was, _decided(figure, base), strict=True):
        made = joint if now == before else dragged(joint, before, now, profile)
        if made is not None:
            joints.append(made)
    changed = [joint for joint in joints if joint not in base.joints]
    weak = base.weak | {joint.letter for joint in changed if thin(joint, profile)}
    same_rods = rods_of(figure, scene, base.mm) == base.job.rods
    return replace(
        base, mark=mark, joints=tuple(joints), bores=base.bores if same_rods else (),
        weak=frozenset(weak), made=next(counter),
    )  # fmt: skip


def _decided(figure: bpy.types.Object, base: Drawn) -> tuple[JointChoice, ...]:
    """What is decided now for each joint that was sized. Raises BadInput."""
    scene = bpy.context.scene
    seams = ours.seams_of(figure, scene)
    of_seams = [choice_of(seam, scene, base.mm) for seam in seams]
    faces = [
        replace(face, seam=replace(face.seam, joint=of_seams[face.seam.id - 1]))
        for face in (joint.interface for joint in base.joints)
    ]
    return choices(tuple(faces), joints_at(figure, scene, names_of(seams), base.mm))


def thin(joint: Joint, profile: PrinterProfile) -> str:
    """Where a joint's sockets leave too thin a wall in its face, as a sentence; empty if they do
    not."""
    found = thinnest(joint)
    if found is None or found[0] >= profile.wall - 1e-6:
        return ""
    wall, at = found
    left = f"{wall:.1f} mm of" if wall > 0 else "no"
    return (
        f"Joint {joint.letter} would leave {left} wall at {place(at)}, where {profile.wall:g} mm "
        "are wanted."
    )


def thin_walls(figure: bpy.types.Object, base: Drawn, mark: str) -> list[str]:
    """A sentence on each joint that was changed since it was sized and leaves too thin a wall."""
    preview = preview_of(figure, base, mark)
    if preview is None:
        return []
    changed = [joint for joint in preview.joints if joint not in base.joints]
    said = [thin(joint, base.job.printer) for joint in changed]
    return [sentence for sentence in said if sentence]
