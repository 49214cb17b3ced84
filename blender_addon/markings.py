"""What is marked on an evaluated object: vertex groups, sculpt mask, face sets, seams, creases.

Everything is read after the modifiers, because only there do faces and edges belong to the
figure; Blender carries these through most modifiers, and where one drops them it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import bpy
import numpy as np

from seamwright.errors import BadInput
from seamwright.markings import KeepClear, LineKind, Markings, faces_above, require_some
from seamwright.mesh import BoolArray, FloatArray, IntArray, Mesh

MASK, FACE_SET, CREASE = ".sculpt_mask", ".sculpt_face_set", "crease_edge"
"""Names of Blender's own attributes, the same from 4.2 to 5.2."""

_KINDS = {"FLOAT": np.float32, "INT": np.int32, "INT8": np.int32, "BOOLEAN": np.bool_}
"""Types of attributes that are one number each."""


def read(
    obj: bpy.types.Object,
    evaluated: bpy.types.Object,
    surface: bpy.types.Mesh,
    keep_clear: Sequence[KeepClear],
    natural_lines: Sequence[LineKind],
    figure: Mesh,
) -> Markings:
    """The markings asked for, on the figure that is made of an evaluated object's mesh.

    Parameters
    ----------
    obj, evaluated : the object as it is in the file, and as Blender evaluates it.
    surface : the evaluated mesh.
    keep_clear, natural_lines : what the job asks for; balls are no part of an object.
    figure : its vertices are the mesh's, its faces `surface.loop_triangles`, in this order.

    Raises
    ------
    BadInput
        If something asked for is not there or marks nothing; the sentence says what is
        there, or that the modifiers drop it.
    """
    polygon = np.empty(len(surface.loop_triangles), dtype=np.int32)
    surface.loop_triangles.foreach_get("polygon_index", polygon)
    flags = np.zeros(len(figure.faces), dtype=bool)
    for choice in keep_clear:
        if choice.kind == "ball":
            continue
        if choice.kind == "face_set":
            found = _face_sets(obj, surface)[polygon] == choice.number
            if not found.any():
                there = ", ".join(str(n) for n in np.unique(_face_sets(obj, surface)))
                raise BadInput(
                    f"'{obj.name}' has no face set {choice.number}; its face sets are {there}."
                )
        elif choice.kind == "vertex_group":
            weights = _weights(obj, evaluated, surface, choice.name)
            found = faces_above(figure, weights, choice.above)
        else:
            found = _above(obj, surface, choice, figure, polygon)
        flags |= require_some(found, choice, f"'{obj.name}'")
    edges = _ends(surface)[_line_edges(obj, surface, natural_lines)]
    return Markings.of(figure, flags, figure.vertices[edges])


def _weights(
    obj: bpy.types.Object, evaluated: bpy.types.Object, surface: bpy.types.Mesh, name: str
) -> FloatArray:
    """(V,) weights of a vertex group; 0 for vertices that are not in it."""
    group = evaluated.vertex_groups.get(name)
    if group is None:
        there = ", ".join(g.name for g in evaluated.vertex_groups) or "none"
        if obj.vertex_groups.get(name) is not None:
            raise BadInput(
                f"Vertex group '{name}' of '{obj.name}' is not there after its modifiers; apply "
                "them and mark the area anew."
            )
        raise BadInput(f"'{obj.name}' has no vertex group '{name}'; its vertex groups are {there}.")
    index = group.index
    # Blender gives weights only vertex by vertex.
    rows = [
        (vertex.index, member.weight)
        for vertex in surface.vertices
        for member in vertex.groups
        if member.group == index
    ]
    weights = np.zeros(len(surface.vertices))
    if rows:
        at, weight = zip(*rows, strict=True)
        weights[list(at)] = weight
    return weights


def _above(
    obj: bpy.types.Object,
    surface: bpy.types.Mesh,
    choice: KeepClear,
    figure: Mesh,
    polygon: IntArray,
) -> BoolArray:
    """(F,) faces where the sculpt mask or an attribute of points or faces is above the limit."""
    name = MASK if choice.kind == "mask" else choice.name
    attribute = surface.attributes.get(name)
    if attribute is None and choice.kind == "mask":
        raise BadInput(_missing(obj, MASK, "sculpt mask"))
    if attribute is None:
        there = [a.name for a in surface.attributes if _is_usable(a) and a.name[0] != "."]
        if obj.type == "MESH" and obj.data.attributes.get(name) is not None:
            raise BadInput(_missing(obj, name, f"attribute '{name}'"))
        raise BadInput(
            f"'{obj.name}' has no attribute '{name}'; it has {', '.join(there) or 'none'}."
        )
    if not _is_usable(attribute):
        raise BadInput(
            f"Attribute '{name}' of '{obj.name}' is not one number a point or face; convert it."
        )
    values = _values(attribute)
    if attribute.domain == "POINT":
        return faces_above(figure, values, choice.above)
    return np.asarray(values[polygon] > choice.above)


def _is_usable(attribute: bpy.types.Attribute) -> bool:
    return attribute.domain in ("POINT", "FACE") and attribute.data_type in _KINDS


def _face_sets(obj: bpy.types.Object, surface: bpy.types.Mesh) -> IntArray:
    """(P,) number of each polygon's face set."""
    attribute = surface.attributes.get(FACE_SET)
    if attribute is None:
        raise BadInput(_missing(obj, FACE_SET, "face sets"))
    return _values(attribute)


def _missing(obj: bpy.types.Object, attribute: str, what: str) -> str:
    """The sentence on what is not on the evaluated mesh: dropped, or never there."""
    if obj.type == "MESH" and obj.data.attributes.get(attribute) is not None:
        verb = "are" if what.endswith("s") else "is"
        return (
            f"The {what} of '{obj.name}' {verb} not there after its modifiers; apply them and mark "
            "the area anew."
        )
    return f"'{obj.name}' has no {what}; mark the area, or take it out of the job."


def _line_edges(
    obj: bpy.types.Object, surface: bpy.types.Mesh, natural_lines: Sequence[LineKind]
) -> BoolArray:
    """(E,) edges that are natural lines."""
    chosen = np.zeros(len(surface.edges), dtype=bool)
    for kind in natural_lines:
        if kind == "seams":
            found = np.zeros(len(chosen), dtype=bool)
            surface.edges.foreach_get("use_seam", found)
            verb = "marked seams"
        elif kind == "creases":
            attribute = surface.attributes.get(CREASE)
            found = np.zeros(len(chosen)) if attribute is None else _values(attribute)
            found = found > 0
            verb = "creased edges"
        else:
            found = _borders(surface, _face_sets(obj, surface))
            verb = "borders between face sets"
        if not found.any():
            raise BadInput(
                f"'{obj.name}' has no {verb} after its modifiers; mark some, or take \"{kind}\" "
                "out of natural_lines."
            )
        chosen |= found
    return chosen


def _borders(surface: bpy.types.Mesh, face_set: IntArray) -> BoolArray:
    """(E,) edges between polygons of different face sets."""
    edge = np.empty(len(surface.loops), dtype=np.int32)
    surface.loops.foreach_get("edge_index", edge)
    sizes = np.empty(len(surface.polygons), dtype=np.int32)
    surface.polygons.foreach_get("loop_total", sizes)
    mine = np.repeat(face_set, sizes)
    low = np.full(len(surface.edges), np.iinfo(np.int32).max)
    high = np.full(len(surface.edges), np.iinfo(np.int32).min)
    np.minimum.at(low, edge, mine)
    np.maximum.at(high, edge, mine)
    return np.asarray(low < high)


def _ends(surface: bpy.types.Mesh) -> IntArray:
    """(E, 2) vertices of every edge."""
    ends = np.empty((len(surface.edges), 2), dtype=np.int32)
    surface.edges.foreach_get("vertices", ends.ravel())
    return ends


def _values(attribute: bpy.types.Attribute) -> Any:
    """(N,) values of an attribute of one number each."""
    values: Any = np.empty(len(attribute.data), dtype=_KINDS[attribute.data_type])
    attribute.data.foreach_get("value", values)
    return values
