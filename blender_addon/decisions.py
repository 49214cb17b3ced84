"""What tells the panel's decisions about a figure from any others, quick enough to be asked at
every redraw. Imports no geometry."""

from __future__ import annotations

import hashlib
from array import array

import bpy

from . import scene as ours
from .joint_properties import SHOWN
from .printer_properties import PRINTER_NUMBERS

_OF_SEAM = (
    "number", "reach", "radius", "regions", "crease", "pad_at", "pad_way", "pad_radius", "told",
)  # fmt: skip
_OF_JOINT = tuple(
    dict.fromkeys(
        (
            *("joint", "marks", "own_clearance", "own_turn", "joint_told"),
            *(key for keys in SHOWN.values() for key in keys),
        )
    )
)
_OF_FIGURE = ("size", "scale", "target_height", "mend")

_meshes: dict[str, str] = {}
"""What tells a figure's mesh from any other, by the figure's name: kept while nothing edits it."""

_edits: dict[str, int] = {}
"""How often each object was evaluated anew, by its name: what modifiers make is not looked at."""


def changed(graph: bpy.types.Depsgraph) -> None:
    """Note which objects were evaluated anew."""
    for update in graph.updates:
        if update.is_updated_geometry and isinstance(update.id, bpy.types.Object):
            name = update.id.name
            _meshes.pop(name, None)
            _edits[name] = _edits.get(name, 0) + 1


def forget() -> None:
    """Let go of all that is kept."""
    _meshes.clear()
    _edits.clear()


def figure_mark(figure: bpy.types.Object, scene: bpy.types.Scene) -> str:
    """What tells a figure at true size from any other."""
    group = figure.seamwright
    length = scene.unit_settings.scale_length
    said = [getattr(group, key) for key in _OF_FIGURE]
    edits = _edits.get(figure.name, 0) if figure.modifiers or figure.type != "MESH" else 0
    return repr((figure.name, _mesh_mark(figure), edits, length, said, _place(figure)))


def line_mark(seam: bpy.types.Object) -> str:
    """What tells a line seam's points from any others, as they are being edited."""
    if seam.mode == "EDIT":
        seam.update_from_editmode()
    points = repr((_place(seam), _points(seam), seam.seamwright.crease))
    return hashlib.sha256(points.encode()).hexdigest()


def mark_of(
    figure: bpy.types.Object, scene: bpy.types.Scene, moving: bpy.types.Object | None = None
) -> str:
    """What tells all that the joints of a figure depend on from any other.

    moving : a seam whose own place does not count.
    """
    known = hashlib.sha256(seams_mark(figure, scene, moving).encode())

    def add(*values: object) -> None:
        known.update(repr(values).encode())

    settings = scene.seamwright
    add(settings.material, settings.shape, settings.printer_told, *settings.build_volume)
    add(*(getattr(settings, key) for key in PRINTER_NUMBERS))
    for obj in (*ours.seams_of(figure, scene), *ours.joints_of(figure, scene)):
        own = obj.seamwright
        add(obj.name, *(getattr(own, key) for key in _OF_JOINT))
        add(*([] if obj == moving else _place(obj)))
        add(own.seam.name if own.seam is not None else "")
        if ours.is_there(own.direction, scene):
            add(*_place(own.direction))
    for rod in ours.rods_of(figure, scene):
        own = rod.seamwright
        add(rod.name, own.diameter, own.own_clearance, own.clearance)
        add(*_place(rod), *_points(rod))
    return known.hexdigest()


def builds_mark(figure: bpy.types.Object, scene: bpy.types.Scene) -> str:
    """What tells all that the builds of a figure depend on from any other."""
    own = figure.seamwright
    said = [own.gap, own.printer_count, own.tipping, own.builds_told]
    groups = [(group.name, group.pieces) for group in own.groups]
    printed = [p.seamwright.printed for p in ours.pieces_of(figure, scene)]
    matched = [seam.seamwright.matched for seam in ours.seams_of(figure, scene)]
    return repr((mark_of(figure, scene), said, groups, printed, matched))


def seams_mark(
    figure: bpy.types.Object, scene: bpy.types.Scene, moving: bpy.types.Object | None = None
) -> str:
    """What tells where a figure's seams part it from any other; `moving` as in `mark_of`."""
    known = hashlib.sha256(figure_mark(figure, scene).encode())

    def add(*values: object) -> None:
        known.update(repr(values).encode())

    for seam in ours.seams_of(figure, scene):
        own = seam.seamwright
        add(seam.name, *(getattr(own, k) for k in _OF_SEAM))
        if seam != moving:
            add(*_place(seam), *_points(seam))
        add(*(stop.seam.name for stop in own.stops_at if stop.seam is not None))
        for other in (own.pad, own.outline):
            if ours.is_there(other, scene):
                add(*_place(other), *_points(other))
    return known.hexdigest()


def _place(obj: bpy.types.Object) -> list[float]:
    return [x for row in ours.matrix_of(obj) for x in row]


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


def _mesh_mark(figure: bpy.types.Object) -> str:
    """What tells a figure's own vertices from any others; of what is edited, as it last was."""
    if figure.type != "MESH":
        return ""
    if figure.name not in _meshes:
        values = array("f", bytes(12 * len(figure.data.vertices)))
        figure.data.vertices.foreach_get("co", values)
        _meshes[figure.name] = hashlib.sha256(values.tobytes()).hexdigest()
    return _meshes[figure.name]
