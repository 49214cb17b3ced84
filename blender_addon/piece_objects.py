"""Pieces in the scene: an object stays the same object for as long as it shows the same piece.

Nothing is remembered but what stands on the objects themselves, so that undo, a reopened file
and whatever was done to them cannot mislead.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Matrix

from seamwright.mesh import FloatArray
from seamwright.pieces import Piece
from seamwright.run import Result

from . import scene as ours
from .builds import still_printed
from .conversion import is_piece_mesh, piece_mesh, scene_mm

_NAMED = re.compile(r" piece-\d+(\.\d{3,})?$")
"""How names end that we gave; others are the user's and stay."""


@dataclass(frozen=True)
class Shown:
    """The object that shows a piece, or showed what became it.

    is_same : whether its mesh is still that piece, to the last bit.
    """

    obj: bpy.types.Object
    is_same: bool


def shown_of(
    figure: bpy.types.Object, scene: bpy.types.Scene, pieces: Sequence[Piece], mm: float
) -> dict[int, Shown]:
    """By its number, what shows each piece already: the very same solid if there is one, else
    what lies most in the same place, else what had the same number.

    mm : at true size in one Blender unit.
    """
    unit = scene_mm(scene)
    pairs = []
    objects = [obj for obj in ours.pieces_of(figure, scene) if _can_show(obj)]
    for piece in pieces:
        box = piece.mesh.bounds / mm
        for obj in objects:
            same = is_piece_mesh(obj.data, piece, unit)
            shared = _shared(box, _box(obj))
            other = obj.seamwright.number != piece.id
            if same or shared > 0 or not other:
                # Of two copies, the one that was there first.
                copied = (len(obj.name), obj.name)
                pairs.append(((not same, -shared, other, copied), piece.id, Shown(obj, same)))
    found: dict[int, Shown] = {}
    taken: set[bpy.types.Object] = set()
    for _rank, number, shown in sorted(pairs, key=lambda pair: pair[0]):
        if number not in found and shown.obj not in taken:
            found[number] = shown
            taken.add(shown.obj)
    return found


def _can_show(obj: bpy.types.Object) -> bool:
    """Whether an object can be given another mesh: not one that became a curve, nor one that is
    being sculpted or edited."""
    return obj.type == "MESH" and obj.mode == "OBJECT" and obj.library is None


def _box(obj: bpy.types.Object) -> FloatArray:
    """(2, 3) box of the piece that an object was made of, at rest, Blender units."""
    group = obj.seamwright
    rest, half = np.array(group.rest, dtype=np.float64), np.array(group.extent) / 2
    return np.stack([rest - half, rest + half])


def _shared(one: FloatArray, other: FloatArray) -> float:
    """Of what two boxes (2, 3) take up together, the share that both do."""
    low, high = np.maximum(one[0], other[0]), np.minimum(one[1], other[1])
    both = float(np.clip(high - low, 0, None).prod())
    all_of = float((one[1] - one[0]).prod() + (other[1] - other[0]).prod()) - both
    return both / all_of if all_of > 0 else 0.0


# --- into the scene -----------------------------------------------------------------------


def put(context: bpy.types.Context, figure: bpy.types.Object, result: Result, mm: float) -> bool:
    """Show a result's pieces in the figure's own collection; whether any is another than before.

    Objects whose piece is the same keep their mesh, with all that is on it; what was moved,
    edited or taken away is put right. Pieces lie where the figure, its seams and its joints do,
    at the figure's own size; their meshes are at true size, so that an object whose scale is
    cleared has it.

    mm : at true size in one Blender unit.
    """
    scene = context.scene
    _leave_mode(context)
    before = shown_of(figure, scene, result.pieces, mm)
    changed = len(before) < len(result.pieces) or any(
        not shown.is_same or shown.obj.seamwright.number != number
        for number, shown in before.items()
    )
    kept = {shown.obj for shown in before.values()}
    gone = [obj for obj in ours.pieces_of(figure, scene) if obj not in kept]
    ours.remove(gone)
    collection = ours.made_collection(figure, scene, "PIECES")
    _free_names(kept)
    objects = {}
    for piece in result.pieces:
        shown = before.get(piece.id)
        objects[piece.id] = _renewed(figure, piece, shown, scene_mm(scene))
    _colour(objects, result)
    said = result.misfit.pieces if result.misfit else {}
    for piece in result.pieces:
        obj = objects[piece.id]
        _tell(obj, figure, piece, mm)
        words = said.get(piece.id, "")
        obj.seamwright.misfit = f"{words[:1].upper()}{words[1:]}." if words else ""
        _set_upright(obj, scene_mm(scene) / mm)
        if collection not in obj.users_collection:
            collection.objects.link(obj)
    ours.stand_apart(collection)
    return changed or bool(gone)


def _leave_mode(context: bpy.types.Context) -> None:
    """Go to Object Mode if a piece is at work: its mesh may be another's in a moment."""
    active = context.view_layer.objects.active
    if active is not None and active.seamwright.is_piece and active.mode != "OBJECT":
        bpy.ops.object.mode_set(mode="OBJECT")


def _free_names(objects: Iterable[bpy.types.Object]) -> None:
    """Let go of the names that we gave, as numbers may shift from one piece to another."""
    for obj in objects:
        for thing in (obj, obj.data):
            if _NAMED.search(thing.name):
                thing.name = "Seamwright piece-0"


def _renewed(
    figure: bpy.types.Object, piece: Piece, shown: Shown | None, unit: float
) -> bpy.types.Object:
    """The object that shows a piece from now on, with the piece's mesh."""
    name = f"{figure.name} {piece.name}"
    if shown is None:
        # Colour is never the only sign: the overlay shows the piece's number as well.
        obj = bpy.data.objects.new(name, piece_mesh(piece, unit)[0])
    else:
        obj = shown.obj
        if not shown.is_same:
            _take_mesh(obj, piece_mesh(piece, unit)[0])
        if _NAMED.search(obj.name):
            obj.name = name
    if shown is None or not shown.is_same or _NAMED.search(obj.data.name):
        obj.data.name = name
    return obj


def _take_mesh(obj: bpy.types.Object, mesh: bpy.types.Mesh) -> None:
    """Give an object another mesh, in the same materials."""
    old = obj.data
    for material in old.materials:
        mesh.materials.append(material)
    obj.data = mesh
    if not old.users:
        bpy.data.meshes.remove(old)


def _tell(obj: bpy.types.Object, figure: bpy.types.Object, piece: Piece, mm: float) -> None:
    """Put on an object what is known of its piece."""
    group = obj.seamwright
    volume = piece.mesh.volume / 1000
    group.printed = still_printed(obj, piece)
    group.is_piece, group.figure, group.number, group.volume = True, figure, piece.id, volume
    low, high = piece.mesh.bounds / mm
    group.rest, group.extent = (low + high) / 2, high - low


def _set_upright(obj: bpy.types.Object, scale: float) -> None:
    """Undo what was moved, turned and scaled; what an object hangs on stays."""
    obj.delta_location = obj.delta_rotation_euler = (0, 0, 0)
    obj.delta_rotation_quaternion = (1, 0, 0, 0)
    obj.delta_scale = (1, 1, 1)
    if obj.parent is not None and obj.parent_type == "OBJECT":
        obj.matrix_parent_inverse = ours.matrix_of(obj.parent).inverted_safe()
    else:
        obj.parent = None
    obj.matrix_basis = Matrix.Scale(scale, 4)


def _colour(objects: Mapping[int, bpy.types.Object], result: Result) -> None:
    """Give each piece that has no colour one that no piece it meets has, if there is one."""
    colours = [ours.material(name) for name in ours.OKABE_ITO]
    met: dict[int, set[int]] = {number: set() for number in objects}
    for joint in result.joints:
        a, b = joint.interface.piece_a, joint.interface.piece_b
        met[a].add(b)
        met[b].add(a)
    for number, obj in objects.items():
        if any(obj.data.materials):
            continue
        near = {m for n in met[number] for m in objects[n].data.materials}
        first = (number - 1) % len(colours)
        order = colours[first:] + colours[:first]
        colour = next((c for c in order if c not in near), order[0])
        obj.data.materials.clear()
        obj.data.materials.append(colour)
        obj.color = colour.diffuse_color
