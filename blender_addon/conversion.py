"""Objects to the library's meshes and pieces back to objects. Imports the library: load it late."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import bpy
import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput
from seamwright.figure import UNITS
from seamwright.job import Job
from seamwright.markings import KeepClear, LineKind, Markings
from seamwright.mesh import SKIN, FloatArray, IntArray, Mesh
from seamwright.pieces import Piece

from . import markings, modifiers
from . import scene as ours


def typed(value: float) -> float:
    """The number a user typed into one of Blender's float32 properties.

    It is the shortest decimal that has the same float32, so 0.2 comes back as 0.2 and
    not as 0.20000000298.
    """
    return float(str(np.float32(value)))


def unit_of(scene: bpy.types.Scene) -> tuple[str, float]:
    """The scene's length unit by name, and what to multiply Blender units by to get it.

    The factor is 1 for units that have a name, so that no digit is lost; else the unit is m.
    """
    metres = typed(scene.unit_settings.scale_length)
    for name, mm in UNITS.items():
        if math.isclose(metres * 1000.0, mm, rel_tol=1e-9):
            return name, 1.0
    return "m", metres


def scene_mm(scene: bpy.types.Scene) -> float:
    """Millimetres in one Blender unit of the scene."""
    unit, factor = unit_of(scene)
    return UNITS[unit] * factor


def named_object(name: str, scene: bpy.types.Scene) -> bpy.types.Object:
    """The object of that name in the scene, or else anywhere in the file.

    Raises
    ------
    BadInput
        If there is none, or it can be no figure; the sentence lists the mesh objects.
    """
    found = scene.objects.get(name) or bpy.data.objects.get(name)
    if found is not None and found.type in ours.SURFACES:
        return found
    meshes = sorted(o.name for o in scene.objects if o.type == "MESH" and not _is_ours(o))
    there = f"its mesh objects are {', '.join(meshes)}" if meshes else "it has no mesh object"
    place = bpy.path.basename(bpy.data.filepath) or "the open file"
    what = "is not in" if found is None else "has no surface in"
    raise BadInput(f"Object '{name}' {what} {place}; {there}.")


def require_scene_choice(job: Job) -> None:
    """Refuse what a job says of a file but a scene says itself: unit and vertical axis.

    Raises
    ------
    BadInput
        If the job is for an object and gives a unit, or turns the figure.
    """
    if job.figure.object is not None and job.figure.unit is not None:
        raise BadInput(
            f"Job '{job.name}' gives a unit for object '{job.figure.object}', but a Blender scene "
            "has its own; take unit out of [figure]."
        )
    if job.figure.up != "z":
        raise BadInput(
            f"Job '{job.name}' has up = \"{job.figure.up}\", but in Blender z is up; turn the "
            "object upright and take up out of [figure]."
        )


def _is_ours(obj: bpy.types.Object) -> bool:
    group = getattr(obj, "seamwright", None)
    return group is not None and (group.is_seam or group.is_piece)


def mesh_of(obj: bpy.types.Object, context: bpy.types.Context) -> tuple[Mesh, str]:
    """An object as it is evaluated, with its modifiers and its transform, and the unit.

    The object may be hidden, linked or being edited; it is only read. What was sculpted on a
    Multiresolution modifier is there in full, at whichever level the viewport shows it.

    Returns
    -------
    mesh : in the scene's axes and unit.
    unit : a key of `seamwright.figure.UNITS`.

    Raises
    ------
    BadInput
        If the object has no surface or no faces, is not all its own, or has a coordinate that is
        no number.
    """
    mesh, unit, _none = marked_mesh_of(obj, context, (), ())
    return mesh, unit


def marked_mesh_of(
    obj: bpy.types.Object,
    context: bpy.types.Context,
    keep_clear: Sequence[KeepClear],
    natural_lines: Sequence[LineKind],
) -> tuple[Mesh, str, Markings]:
    """As `mesh_of`, with what is marked on the object: what `seamwright.run.prepare` takes.

    Parameters
    ----------
    keep_clear, natural_lines : of the job's `FigureChoice`. Balls are passed over, because
        `prepare` adds them at true size.

    Raises
    ------
    BadInput
        As `mesh_of`, or if what is asked for is not there after its modifiers; see
        `markings.read`.
    """
    if obj.type not in ours.SURFACES:
        raise BadInput(f"'{obj.name}' has no surface; choose a mesh object.")
    unit, factor = unit_of(context.scene)
    with _evaluated(obj, context) as (evaluated, graph):
        _require_no_instances(obj, evaluated, graph)
        matrix = np.array(evaluated.matrix_world, dtype=np.float64)
        surface = evaluated.to_mesh()
        try:
            # There may be no mesh at all, such as of a text without letters.
            if surface is None or len(surface.polygons) == 0:
                raise BadInput(
                    f"'{obj.name}' has no faces; choose an object with a closed surface."
                )
            vertices, faces = _arrays(surface)
            _require_numbers(obj, vertices)
            # A mirrored object's faces would look inward.
            if np.linalg.det(matrix[:3, :3]) < 0:
                faces = faces[:, ::-1]
            mesh = Mesh.of(_placed(vertices, matrix) * factor, faces)
            marked = markings.read(obj, evaluated, surface, keep_clear, natural_lines, mesh)
        finally:
            evaluated.to_mesh_clear()
    return mesh, unit, marked


def _arrays(surface: bpy.types.Mesh) -> tuple[FloatArray, IntArray]:
    """(V, 3) float64 local coordinates and (F, 3) int32 triangles."""
    surface.calc_loop_triangles()
    vertices = np.empty((len(surface.vertices), 3), dtype=np.float32)
    surface.vertices.foreach_get("co", vertices.ravel())
    faces = np.empty((len(surface.loop_triangles), 3), dtype=np.int32)
    surface.loop_triangles.foreach_get("vertices", faces.ravel())
    return vertices.astype(np.float64), faces


_UNUSED = 2**31 - 1
"""What Blender fills an instance's `persistent_id` with, beyond the levels it lies in."""


_FARTHEST = 1e18
"""Blender units beyond which nothing can be: of coordinates so large, squares overflow float32."""


def _require_numbers(obj: bpy.types.Object, vertices: FloatArray) -> None:
    wrong = ~(np.abs(vertices) < _FARTHEST).all(axis=1)
    if wrong.any():
        raise BadInput(
            f"Vertex {int(np.argmax(wrong))} of '{obj.name}' lies nowhere or at infinity, as "
            f"{int(wrong.sum())} of its {len(wrong)} vertices do; undo what made that, or delete "
            "them."
        )


def _require_no_instances(
    obj: bpy.types.Object, evaluated: bpy.types.Object, graph: bpy.types.Depsgraph
) -> None:
    """Raise if Blender shows instances at an object: its mesh would be without them."""
    makers = ("NODES", "PARTICLE_SYSTEM")
    if not evaluated.is_instancer and all(m.type not in makers for m in obj.modifiers):
        return
    for instance in graph.object_instances:
        if not instance.is_instance or instance.parent != evaluated:
            continue
        # Of curves and texts, Blender gives their own surface among the instances.
        is_own = instance.object.original == evaluated.original
        if not (is_own and instance.persistent_id[1] == _UNUSED):
            raise BadInput(
                f"'{obj.name}' shows instances, which are no part of its mesh; make them real with "
                "a Realize Instances node or with Object, Apply, Make Instances Real, or take "
                "them away."
            )


def _placed(vertices: FloatArray, matrix: FloatArray) -> FloatArray:
    """(V, 3) vertices through a (4, 4) matrix.

    Term by term, not as a matrix product, whose rounding depends on a row's place in the
    array and on the machine's linear algebra: the same figure must give the same bytes.
    """
    x, y, z = vertices.T
    return np.stack([row[0] * x + row[1] * y + row[2] * z + row[3] for row in matrix[:3]], axis=1)


@contextmanager
def _evaluated(
    obj: bpy.types.Object, context: bpy.types.Context
) -> Iterator[tuple[bpy.types.Object, bpy.types.Depsgraph]]:
    """The object as Blender evaluates it, whether or not the view layer shows it, and in which
    graph.

    Blender evaluates no modifiers of what is hidden, not all of them of what is being edited or
    sculpted, and Multiresolution only at the viewport's level: then a copy is evaluated aside,
    in a scene of its own.
    """
    context.view_layer.update()
    shown = obj.mode == "OBJECT" and obj.visible_get(view_layer=context.view_layer)
    if shown and not modifiers.hidden_detail(obj):
        graph = context.evaluated_depsgraph_get()
        yield obj.evaluated_get(graph), graph
        return
    if obj.mode != "OBJECT":
        bpy.ops.ed.flush_edits()
    aside = bpy.data.scenes.new("Seamwright aside")
    copy = obj.copy()
    data = obj.data.copy()
    try:
        aside.frame_current = context.scene.frame_current
        aside.frame_subframe = context.scene.frame_subframe
        copy.data = data
        copy.hide_viewport = False
        for modifier in modifiers.hidden_detail(copy):
            modifier.show_viewport, modifier.levels = True, modifier.total_levels
        aside.collection.objects.link(copy)
        layer = aside.view_layers[0]
        layer.update()
        yield copy.evaluated_get(layer.depsgraph), layer.depsgraph
    finally:
        bpy.data.batch_remove([aside, copy, data])


def piece_mesh(piece: Piece, mm: float) -> tuple[bpy.types.Mesh, tuple[float, float, float]]:
    """A piece as a Blender mesh about the middle of its box, and where that middle lies.

    The faces' tags become the attribute "seam".

    Parameters
    ----------
    piece : Piece
        In mm, at true size.
    mm : float
        Millimetres in one Blender unit.

    Returns
    -------
    mesh, middle : in Blender units.
    """
    local, middle = _about_middle(piece, mm)
    faces = piece.mesh.faces
    mesh = bpy.data.meshes.new(piece.name)
    mesh.vertices.add(len(local))
    mesh.vertices.foreach_set("co", local.ravel())
    mesh.loops.add(faces.size)
    mesh.loops.foreach_set("vertex_index", np.ascontiguousarray(faces, dtype=np.int32).ravel())
    mesh.polygons.add(len(faces))
    mesh.polygons.foreach_set("loop_start", np.arange(0, faces.size, 3, dtype=np.int32))
    mesh.update(calc_edges=True)
    seam = mesh.attributes.new("seam", "INT", "FACE")
    seam.data.foreach_set("value", np.ascontiguousarray(piece.mesh.tag, dtype=np.int32))
    # Skin is shaded as one surface; seam faces, pegs and sockets keep their edges.
    flat = mesh.attributes.new("sharp_face", "BOOLEAN", "FACE")
    flat.data.foreach_set("value", piece.mesh.tag != SKIN)
    return mesh, middle


def is_piece_mesh(mesh: bpy.types.Mesh, piece: Piece, mm: float) -> bool:
    """Whether a Blender mesh still holds what `piece_mesh` makes of a piece, to the last bit."""
    solid = piece.mesh
    counts = (len(solid.vertices), len(solid.faces), solid.faces.size)
    if (len(mesh.vertices), len(mesh.polygons), len(mesh.loops)) != counts:
        return False
    seam = mesh.attributes.get("seam")
    if seam is None or (seam.domain, seam.data_type) != ("FACE", "INT"):
        return False
    wanted = (
        (mesh.vertices, "co", np.float32, _about_middle(piece, mm)[0]),
        (mesh.loops, "vertex_index", np.int32, solid.faces),
        (mesh.polygons, "loop_start", np.int32, np.arange(0, solid.faces.size, 3)),
        (seam.data, "value", np.int32, solid.tag),
    )
    for elements, key, kind, values in wanted:
        found = np.empty(values.size, dtype=kind)
        elements.foreach_get(key, found)
        if not np.array_equal(found, values.ravel()):
            return False
    return True


def _about_middle(
    piece: Piece, mm: float
) -> tuple[npt.NDArray[np.float32], tuple[float, float, float]]:
    """(V, 3) a piece's vertices from the middle of its box, and that middle, Blender units.

    From the middle, because float32 would lose digits far from the origin.
    """
    middle = (piece.mesh.bounds.mean(axis=0) / mm).astype(np.float32)
    local = (piece.mesh.vertices / mm - middle.astype(np.float64)).astype(np.float32)
    x, y, z = (float(c) for c in middle)
    return local, (x, y, z)
