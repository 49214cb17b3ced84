"""What tells the panel's decisions about a figure from any others, quick enough to be asked at
every redraw. Imports no geometry."""

from __future__ import annotations

import hashlib
import marshal
from array import array
from collections.abc import Callable, Sequence
from operator import attrgetter

import bpy

from . import modifiers
from . import scene as ours
from .joint_properties import SAID, SHOWN
from .printer_properties import PRINTER_NUMBERS

_of_seam = attrgetter(
    "number", "reach", "radius", "regions", "crease", "pad_at", "pad_way", "pad_radius", "told",
)  # fmt: skip
_of_joint = attrgetter(
    *dict.fromkeys(
        (
            *("joint", "marks", "own_clearance", "own_turn", "joint_told", *SAID.values()),
            *(key for keys in SHOWN.values() for key in keys),
        )
    )
)
_of_figure = attrgetter("size", "scale", "target_height", "mend")
_of_printer = attrgetter("material", "shape", "printer_told", *PRINTER_NUMBERS)

_meshes: dict[int, str] = {}
"""What tells an object's own points from any others, by its `session_uid`: kept while nothing
edits it."""

_edits: dict[int, int] = {}
"""How often an object was sculpted, painted or edited, by its `session_uid`."""


def changed(graph: bpy.types.Depsgraph) -> None:
    """Note what was edited.

    When any setting of an object is touched in a panel, ours among them, Blender tells of new
    geometry. So this alone only makes its points looked at anew, and it counts as an edit where
    they do not tell: while a brush or Edit Mode is at work, and for curves, texts and the like.
    """
    for update in graph.updates:
        thing = update.id
        if isinstance(thing, bpy.types.GeometryNodeTree):
            modifiers.nodes_changed()
        elif isinstance(thing, bpy.types.Object) and update.is_updated_geometry:
            # What Blender evaluates is a copy, whose own number is 0.
            which = thing.original.session_uid
            _meshes.pop(which, None)
            if thing.mode != "OBJECT" or thing.type != "MESH":
                _edits[which] = _edits.get(which, 0) + 1


def forget() -> None:
    """Let go of all that is kept."""
    _meshes.clear()
    _edits.clear()


def figure_mark(figure: bpy.types.Object, scene: bpy.types.Scene) -> str:
    """What tells a figure at true size from any other."""
    known = _Mark()
    known.add(scene.unit_settings.scale_length, *_of_figure(figure.seamwright))
    known.add(_place(figure), _points_mark(figure))
    if figure.type != "MESH":
        known.add(figure.name)
    if figure.modifiers or figure.type != "MESH":
        known.add(_edits.get(figure.session_uid, 0))
        known.add(modifiers.said_of(figure, _of_other))
    return known.found


def line_mark(seam: bpy.types.Object) -> str:
    """What tells a line seam's points from any others, as they are being edited."""
    if seam.mode == "EDIT":
        seam.update_from_editmode()
    known = _Mark()
    known.add(seam.seamwright.crease, _place(seam), *_points(seam))
    return known.found


def mark_of(
    figure: bpy.types.Object, scene: bpy.types.Scene, moving: bpy.types.Object | None = None
) -> str:
    """What tells all that the joints of a figure depend on from any other.

    moving : a seam whose own place does not count.
    """
    seams = ours.seams_of(figure, scene)
    known = _Mark()
    known.add(_seams_mark(figure, scene, seams, moving))
    settings = scene.seamwright
    known.add(*_of_printer(settings), *settings.build_volume)
    for other in figure.seamwright.other_printers:
        known.add(other.values, other.count)
    for obj in (*seams, *ours.joints_of(figure, scene)):
        own = obj.seamwright
        known.add(obj.name, *_of_joint(own))
        # Where a seam is has been said.
        if own.is_joint:
            known.add(_place(obj), own.seam.name if own.seam is not None else "")
        if ours.is_there(own.direction, scene):
            known.add(_place(own.direction))
    for rod in ours.rods_of(figure, scene):
        own = rod.seamwright
        known.add(rod.name, own.diameter, own.own_clearance, own.clearance)
        known.add(_place(rod), *_points(rod))
    return known.found


def builds_mark(figure: bpy.types.Object, scene: bpy.types.Scene, mark: str = "") -> str:
    """What tells all that the builds of a figure depend on from any other; `mark`, if known, is
    what `mark_of` gives."""
    own = figure.seamwright
    known = _Mark()
    known.add(
        mark or mark_of(figure, scene), own.gap, own.printer_count, own.tipping, own.builds_told
    )
    for group in own.groups:
        known.add(group.name, group.pieces)
    known.add(*(piece.seamwright.printed for piece in ours.pieces_of(figure, scene)))
    known.add(*(seam.seamwright.matched for seam in ours.seams_of(figure, scene)))
    return known.found


def seams_mark(
    figure: bpy.types.Object, scene: bpy.types.Scene, moving: bpy.types.Object | None = None
) -> str:
    """What tells where a figure's seams part it from any other; `moving` as in `mark_of`."""
    return _seams_mark(figure, scene, ours.seams_of(figure, scene), moving)


def _seams_mark(
    figure: bpy.types.Object,
    scene: bpy.types.Scene,
    seams: Sequence[bpy.types.Object],
    moving: bpy.types.Object | None,
) -> str:
    known = _Mark()
    known.add(figure_mark(figure, scene))
    for seam in seams:
        own = seam.seamwright
        known.add(seam.name, *_of_seam(own))
        if seam != moving:
            known.add(_place(seam), *_points(seam))
        known.add(*(stop.seam.name for stop in own.stops_at if stop.seam is not None))
        for other in (own.pad, own.outline):
            if ours.is_there(other, scene):
                known.add(_place(other), *_points(other))
    return known.found


class _Mark:
    """What was said so far, told from anything else that may be said."""

    def __init__(self) -> None:
        self._said: list[tuple[object, ...]] = []

    def add(self, *values: object) -> None:
        self._said.append(values)

    @property
    def found(self) -> str:
        # As text, numbers would take four times as long. Version 2 is the last in which equal
        # values always give equal bytes.
        return hashlib.sha256(marshal.dumps(self._said, 2)).hexdigest()


def _place(obj: bpy.types.Object) -> tuple[tuple[float, ...], ...]:
    matrix = ours.matrix_of(obj)
    # Slices are four times as fast as taking the rows apart.
    return matrix[0][:], matrix[1][:], matrix[2][:]


def _points(obj: bpy.types.Object) -> list[float]:
    if obj.type != "CURVE":
        return []
    found: list[float] = []
    for spline in obj.data.splines:
        points = spline.bezier_points if spline.type == "BEZIER" else spline.points
        values = array("f", bytes(4 * len(points) * (3 if spline.type == "BEZIER" else 4)))
        points.foreach_get("co", values)
        found += values
    return found


def _of_other(obj: bpy.types.Object) -> list[object]:
    """What tells an object that a figure's modifiers look at from any other."""
    return [obj.name, _place(obj), _points_mark(obj), *_points(obj), *modifiers.bent_by(obj)]


def _points_mark(obj: bpy.types.Object) -> str:
    """What tells a mesh's own vertices from any others, with its shape keys; of what is edited, as
    it last was."""
    if obj.type != "MESH":
        return ""
    which, data = obj.session_uid, obj.data
    if which not in _meshes:
        known = hashlib.sha256(_coordinates(data.vertices.foreach_get, len(data.vertices)))
        known.update(repr((len(data.edges), len(data.polygons))).encode())
        for key in data.shape_keys.key_blocks if data.shape_keys else ():
            known.update(_coordinates(key.data.foreach_get, len(key.data)))
        _meshes[which] = known.hexdigest()
    if not data.shape_keys:
        return _meshes[which]
    # Animation and drivers change how much of a key counts without a word.
    shown = (obj.show_only_shape_key, obj.active_shape_key_index if obj.show_only_shape_key else 0)
    keys = [(key.name, key.value, key.mute, key.vertex_group) for key in data.shape_keys.key_blocks]
    return repr((_meshes[which], shown, keys))


def _coordinates(get: Callable[[str, array[float]], None], count: int) -> bytes:
    values = array("f", bytes(12 * count))
    get("co", values)
    return values.tobytes()
