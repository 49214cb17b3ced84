"""Lines: closed curves in the scene as points, mm at true size, and where they come from."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

import bpy
import numpy as np

from seamwright.errors import BadInput
from seamwright.figure import true_size, welded
from seamwright.frame import Frame
from seamwright.line import lines_from_edges
from seamwright.mesh import BoolArray, FloatArray, Mesh
from seamwright.seam import Point, place
from seamwright.section import section

from . import scene as ours
from .conversion import marked_mesh_of, mesh_of
from .place import point_of, size_of, stands, tell, told_of, true_mm

Loops = list[tuple[Point, ...]]


# --- curves in the scene ----------------------------------------------------------------


def points_of(obj: bpy.types.Object, mm: float, what: str) -> tuple[Point, ...]:
    """The points of an object's one closed curve in order, mm at true size.

    Of a curve of straight parts they are its own points; a smooth one is followed as
    Blender draws it.

    Parameters
    ----------
    what : what the curve is, in words to begin a sentence with, such as "Seam 'cuff'".

    Raises
    ------
    BadInput
        If the object has not one closed curve.
    """
    if obj.mode == "EDIT":
        obj.update_from_editmode()
    splines = obj.data.splines
    if len(splines) != 1:
        count = ours.counted(len(splines), "curve")
        raise BadInput(f"{what} has {count} in object '{obj.name}'; leave one closed curve in it.")
    if not splines[0].use_cyclic_u:
        raise BadInput(
            f"{what} is not closed: the curve of '{obj.name}' is open; close it with Toggle "
            "Cyclic in Edit Mode."
        )
    local = local_points(obj)
    told = told_of(obj)
    if "points" in told and stands(obj, told, mm) and told["shape"] == shape_of(local):
        return tuple(point_of(p) for p in told["points"])
    found = np.round(placed(local, obj) * mm, 3) + 0.0
    return tuple(point_of(p) for p in found)


def tell_points(obj: bpy.types.Object, points: Sequence[Point], mm: float, name: str) -> None:
    """Keep a curve's exact points, and its name, for as long as none of it is moved."""
    tell(obj, mm, name=name, points=points, shape=shape_of(local_points(obj)))


def local_points(obj: bpy.types.Object) -> FloatArray:
    """(N, 3) points of an object's first curve, in its own axes."""
    spline = obj.data.splines[0]
    if spline.type == "POLY":
        values = np.empty(4 * len(spline.points), dtype=np.float32)
        spline.points.foreach_get("co", values)
        return values.reshape(-1, 4)[:, :3].astype(np.float64)
    # Drawn without its thickness, which would make a tube of it.
    bare = obj.copy()
    bare.data = obj.data.copy()
    try:
        bare.data.bevel_depth = bare.data.extrude = 0.0
        bare.data.bevel_object = None
        values = np.empty(3 * len(bare.to_mesh().vertices), dtype=np.float32)
        bare.to_mesh().vertices.foreach_get("co", values)
    finally:
        bare.to_mesh_clear()
        bpy.data.batch_remove([bare.data, bare])
    return values.reshape(-1, 3).astype(np.float64)


def placed(local: FloatArray, obj: bpy.types.Object) -> FloatArray:
    """(N, 3) points in the scene."""
    matrix = np.array(ours.matrix_of(obj), dtype=np.float64)
    return np.asarray(local @ matrix[:3, :3].T + matrix[:3, 3])


def shape_of(local: FloatArray) -> str:
    """What tells points (N, 3) from any others."""
    return hashlib.sha256(local.tobytes()).hexdigest()


# --- where a line comes from --------------------------------------------------------------


def lines_of(
    context: bpy.types.Context, figure: bpy.types.Object, source: str, axis: int, count: int
) -> tuple[Loops, float]:
    """Lines that the user chose, each by its points, and mm at true size in a Blender unit.

    Parameters
    ----------
    source : "SELECTED" or "MARKED", edges of the figure; "CURSOR", a ring round the 3D
        cursor, square to an axis, of `count` points; or "OBJECT", the other selected objects.

    Raises
    ------
    BadInput
        If there is none, or one is open or branches.
    """
    if source == "OBJECT":
        mm = true_mm(context.scene, size_of(figure), mesh_of(figure, context)[0])
        return _drawn(context, figure, mm), mm
    if source == "CURSOR":
        mesh, unit = mesh_of(figure, context)
        mm = true_mm(context.scene, size_of(figure), mesh)
        sized = _true(mesh, unit, figure)
        return [_ring(sized, np.array(context.scene.cursor.location) * mm, axis, count)], mm
    mesh, unit, segments = _edges(context, figure, source == "SELECTED")
    mm = true_mm(context.scene, size_of(figure), mesh)
    position, number = welded(np.concatenate([mesh.vertices, segments.reshape(-1, 3)]))
    faces = number[: len(mesh.vertices)][mesh.faces]
    edges = number[len(mesh.vertices) :].reshape(-1, 2)
    sized = _true(Mesh(position, faces, mesh.tag), unit, figure)
    return [_points(line.points) for line in lines_from_edges(sized, edges)], mm


def _true(mesh: Mesh, unit: str, figure: bpy.types.Object) -> Mesh:
    choice = size_of(figure)
    return true_size(mesh, unit=unit, scale=choice.scale, target_height=choice.target_height)


def _points(points: FloatArray) -> tuple[Point, ...]:
    """To a millionth of a mm, far below what float32 holds of them."""
    return tuple(point_of(p) for p in np.round(points, 6) + 0.0)


def _edges(
    context: bpy.types.Context, figure: bpy.types.Object, selected: bool
) -> tuple[Mesh, str, FloatArray]:
    """The figure as it is evaluated, its unit, and the ends (L, 2, 3) of the chosen edges."""
    if figure.type != "MESH":
        raise BadInput(f"'{figure.name}' is no mesh, so it has no edges to choose.")
    if selected:
        return _selected_edges(context, figure)
    if figure.mode == "EDIT":
        figure.update_from_editmode()
    if not _flags(figure.data, "use_seam").any():
        raise BadInput(
            f"'{figure.name}' has no edges marked as seams; mark a closed loop in Edit Mode."
        )
    mesh, unit, marked = marked_mesh_of(figure, context, (), ("seams",))
    return mesh, unit, marked.lines


def _selected_edges(
    context: bpy.types.Context, figure: bpy.types.Object
) -> tuple[Mesh, str, FloatArray]:
    """As `_edges`, of the edges that are selected in Edit Mode.

    They are marked as seams on a copy, since modifiers carry marked seams and no selection.
    """
    if figure.mode != "EDIT":
        edited = context.edit_object
        what = f"'{edited.name}' is" if edited else "nothing is"
        raise BadInput(
            f"Edges are selected in Edit Mode of the figure '{figure.name}', but {what} being "
            "edited; edit the figure and select a closed loop of edges."
        )
    figure.update_from_editmode()
    chosen = _flags(figure.data, "select")
    if not chosen.any():
        raise BadInput(f"No edge of '{figure.name}' is selected; select a closed loop of edges.")
    copy, data = figure.copy(), figure.data.copy()
    try:
        copy.data = data
        data.edges.foreach_set("use_seam", chosen)
        mesh, unit, marked = marked_mesh_of(copy, context, (), ("seams",))
    finally:
        bpy.data.batch_remove([copy, data])
    return mesh, unit, marked.lines


def _flags(data: bpy.types.Mesh, name: str) -> BoolArray:
    """(E,) one of the flags of a mesh's edges."""
    found = np.zeros(len(data.edges), dtype=np.bool_)
    data.edges.foreach_get(name, found)
    return found


def _ring(mesh: Mesh, at: FloatArray, axis: int, count: int) -> tuple[Point, ...]:
    """Points evenly round the outline nearest a place, where a plane meets the figure."""
    frame = Frame.on_plane(at, np.eye(3)[axis])
    whole = section(mesh, frame)
    if not whole.regions:
        raise BadInput(
            f"The plane through the 3D cursor at {place(at)} meets no closed outline of the "
            "figure; put the cursor into the limb."
        )
    outline = whole.regions[whole.nearest(at)].outline
    corners = np.concatenate([outline, outline[:1]])
    along = np.concatenate([[0.0], np.linalg.norm(np.diff(corners, axis=0), axis=1).cumsum()])
    stations = along[-1] * np.arange(count) / count
    flat = np.stack([np.interp(stations, along, corners[:, k]) for k in range(2)], axis=1)
    return _points(frame.to_world(flat))


def _drawn(context: bpy.types.Context, figure: bpy.types.Object, mm: float) -> Loops:
    """The loops of edges that the other selected objects draw, as they are evaluated."""
    objects = [
        obj
        for obj in context.view_layer.objects.selected
        if obj != figure and obj.type in ("CURVE", "MESH") and ours.can_be_figure(obj)
    ]
    if not objects:
        raise BadInput(
            "No curve is selected; select a closed curve, or a mesh of edges alone, that runs "
            "along the figure's skin."
        )
    loops: Loops = []
    context.view_layer.update()
    graph = context.evaluated_depsgraph_get()
    for obj in objects:
        drawn = obj.evaluated_get(graph)
        matrix = np.array(drawn.matrix_world, dtype=np.float64)
        surface = drawn.to_mesh()
        try:
            if len(surface.polygons):
                raise BadInput(
                    f"'{obj.name}' has faces; a line is drawn by a curve without thickness or by "
                    "a mesh of edges alone."
                )
            points = np.array([v.co for v in surface.vertices], dtype=np.float64).reshape(-1, 3)
            world = (points @ matrix[:3, :3].T + matrix[:3, 3]) * mm
            walks = _walks([tuple(e.vertices) for e in surface.edges], obj.name, world)
        finally:
            drawn.to_mesh_clear()
        loops += [_points(world[walk]) for walk in walks]
    return loops


def _walks(edges: Iterable[tuple[int, int]], name: str, points: FloatArray) -> list[list[int]]:
    """Each closed loop of edges by its vertices, run the way they were drawn."""
    beside: dict[int, list[int]] = {}
    for a, b in edges:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    if not beside:
        raise BadInput(f"'{name}' has no edges; draw a closed line along the figure's skin.")
    for vertex, others in beside.items():
        if len(others) != 2:
            what = "branches" if len(others) > 2 else "is open"
            raise BadInput(
                f"The line of '{name}' {what} at {place(points[vertex])}; draw closed lines only."
            )
    walks = []
    while beside:
        start = min(beside)
        walk, ahead = [start], min(beside.pop(start))
        while ahead != start:
            walk.append(ahead)
            ahead = next((v for v in beside.pop(ahead) if v in beside), start)
        walks.append(walk)
    return walks
