"""Line seams in the panel: where their lines come from, their pads, and there and back."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")
import bmesh  # noqa: E402
from mathutils import Euler, Matrix, Vector  # noqa: E402

from seamwright.choice import PLAIN  # noqa: E402
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml  # noqa: E402
from seamwright.line import line_seam  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.printer import printer  # noqa: E402
from seamwright.seam import PadChoice, Seam, SeamLine  # noqa: E402
from seamwright.shapes import box, sphere  # noqa: E402
from seamwright.span import spans  # noqa: E402

UNDO = "EXEC_DEFAULT", True
ROWS = 200 * np.sin(np.radians(np.arange(-90, 91, 7.5)))
"""Heights of the figure's rows of vertices."""


def refused(operator, **options) -> str:
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    said = str(raised.value).strip()
    assert said.startswith("Error: ") and "Traceback" not in said
    return said.removeprefix("Error: ")


def tall() -> Mesh:
    """An upright ball of 240 x 240 x 400 mm, whose rows of vertices are level."""
    ball = sphere(200, 48)
    return Mesh(ball.vertices * [0.6, 0.6, 1.0], ball.faces, ball.tag)


def add_line(source: str, **options):
    return bpy.ops.seamwright.add_line_seam(source=source, **options)


def mesh_of(obj) -> Mesh:
    from blender_addon.conversion import mesh_of  # noqa: PLC0415

    return mesh_of(obj, bpy.context)[0]


def panel_job() -> Job:
    from blender_addon.job import job_of  # noqa: PLC0415

    figure = bpy.context.scene.seamwright.figure
    return job_of(bpy.context, figure, mesh_of(figure))


def seams() -> list:
    from blender_addon.scene import seams_of  # noqa: PLC0415

    return seams_of(bpy.context.scene.seamwright.figure, bpy.context.scene)


def points_of(seam: Seam) -> np.ndarray:
    return np.array(seam.line.points)


def activate(obj) -> None:
    for other in bpy.context.view_layer.objects.selected:
        other.select_set(False)
    obj.select_set(True)
    bpy.context.view_layer.objects.active = obj


def select_edges(obj, wanted) -> None:
    """In Edit Mode, select the edges both of whose ends are wanted."""
    activate(obj)
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    mesh = bmesh.from_edit_mesh(obj.data)
    for edge in mesh.edges:
        edge.select_set(all(wanted(v.co) for v in edge.verts))
    bmesh.update_edit_mesh(obj.data)


def mark_seams(obj, wanted) -> None:
    select_edges(obj, wanted)
    bpy.ops.mesh.mark_seam()
    bpy.ops.object.mode_set(mode="OBJECT")


def at(height: float):
    return lambda co: abs(co.z - height) < 1e-2


def put(obj):
    bpy.context.scene.collection.objects.link(obj)
    bpy.context.view_layer.update()
    return obj


def curve(points, kind: str = "POLY", *, cyclic: bool = True, name: str = "Drawn"):
    data = bpy.data.curves.new(name, "CURVE")
    data.dimensions = "3D"
    spline = data.splines.new(kind)
    spline.points.add(len(points) - 1)
    spline.points.foreach_set("co", [x for p in points for x in (*p, 1.0)])
    spline.use_cyclic_u = cyclic
    return put(bpy.data.objects.new(name, data))


def ring(radius: float, height: float, count: int = 12) -> list[tuple[float, float, float]]:
    turns = 2 * np.pi * np.arange(count) / count
    return [(radius * math.cos(t), radius * math.sin(t), height) for t in turns]


@pytest.fixture
def figure(scene, add):
    obj = add(tall())
    bpy.ops.seamwright.use_selected()
    return obj


# --- where lines come from ---------------------------------------------------------------


def test_a_ring_at_the_cursor_lies_on_the_skin_and_parts_the_figure(figure):
    scene = bpy.context.scene
    scene.cursor.location = (0, 0, 20)
    assert add_line("CURSOR") == {"FINISHED"}
    (obj,) = seams()
    assert obj.type == "CURVE" and obj.data.splines[0].use_cyclic_u
    assert bpy.context.view_layer.objects.active == obj
    assert obj.users_collection[0].name == "Seams of Keeper" and obj.hide_render
    (seam,) = panel_job().seams
    points = points_of(seam)
    assert len(points) == 12 and np.allclose(points[:, 2], 20.0)
    assert np.allclose(np.linalg.norm(points / [120, 120, 200], axis=1), 1.0, atol=0.01)
    assert seam.normal[2] > 0.99 and seam.line.crease == 0.2
    bpy.ops.seamwright.make_pieces()
    assert "2 pieces, 1 joint" in scene.seamwright.pieces_found
    tags = {v.value for v in bpy.data.objects["Keeper piece-01"].data.attributes["seam"].data}
    assert tags == {0, 1}


def test_a_ring_takes_the_limb_at_the_cursor_square_to_the_axis(figure):
    bpy.context.scene.cursor.location = (30, 0, 0)
    add_line("CURSOR", axis="X", points=20)
    points = points_of(panel_job().seams[0])
    assert len(points) == 20 and np.allclose(points[:, 0], 30.0)
    gaps = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    assert gaps.max() < 1.1 * gaps.min()


def test_selected_loops_become_a_seam_each_along_just_those_edges(figure):
    low, high = ROWS[9], ROWS[15]
    select_edges(figure, lambda co: at(low)(co) or at(high)(co))
    assert add_line("SELECTED") == {"FINISHED"}
    assert figure.mode == "OBJECT"
    assert [o.name for o in seams()] == ["Seam", "Seam.001"]
    vertices = np.array([v.co for v in figure.data.vertices])
    drawn = spans(mesh_of(figure), panel_job().seams)
    for seam in panel_job().seams:
        points = points_of(seam)
        row = vertices[np.abs(vertices[:, 2] - points[0, 2]) < 1e-2]
        assert len(points) == len(row) == 48
        for line in (points, drawn[seam.name].line.points):
            away = np.linalg.norm(line[:, None] - row[None], axis=2).min(axis=1)
            assert len(line) == len(row) and away.max() < 1e-4
        assert seam.line.crease == 1.0 and seam.normal[2] > 0.99
    heights = sorted(points_of(s)[0, 2] for s in panel_job().seams)
    assert np.allclose(heights, [low, high], atol=1e-3)


def test_undo_of_selected_edges_goes_back_to_edit_mode_without_the_seam(figure):
    bpy.ops.ed.undo_push(message="start")
    select_edges(figure, at(ROWS[12]))
    bpy.ops.ed.undo_push(message="selected")
    bpy.ops.seamwright.add_line_seam(*UNDO, source="SELECTED")
    assert len(seams()) == 1
    bpy.ops.ed.undo()
    assert seams() == [] and bpy.data.objects["Keeper"].mode == "EDIT"
    bpy.ops.ed.redo()
    assert len(seams()) == 1 and bpy.data.objects["Keeper"].mode == "OBJECT"


def test_marked_seams_are_taken_after_modifiers_and_transform(scene, add):
    cube = add(box(100, 80, 60))
    cube.scale, cube.rotation_euler, cube.location = (2, 2, 2), Euler((0, 0, 0.3)), (5, 6, 7)
    bpy.ops.seamwright.use_selected()
    top = max(v.co.z for v in cube.data.vertices)
    mark_seams(cube, at(top))
    # Not the diagonal of the top, which is marked as well.
    select_edges(cube, at(top))
    mesh = bmesh.from_edit_mesh(cube.data)
    for edge in mesh.edges:
        edge.seam = edge.seam and edge.calc_length() < 110
    bmesh.update_edit_mesh(cube.data)
    bpy.ops.object.mode_set(mode="OBJECT")
    modifier = cube.modifiers.new("Subdivision", "SUBSURF")
    modifier.subdivision_type, modifier.levels = "SIMPLE", 1
    cube.seamwright.size, cube.seamwright.scale = "SCALE", 3.0
    add_line("MARKED")
    points = points_of(panel_job().seams[0])
    assert len(points) == 8
    corners = [cube.matrix_world @ v.co for v in cube.data.vertices if abs(v.co.z - top) < 1e-3]
    for corner in corners:
        away = np.linalg.norm(points - 3.0 * np.array(corner), axis=1)
        assert away.min() < 1e-3


def test_seams_just_marked_in_edit_mode_are_seen(figure):
    select_edges(figure, at(ROWS[12]))
    bpy.ops.mesh.mark_seam()
    bpy.ops.mesh.select_all(action="DESELECT")
    add_line("MARKED")
    assert len(points_of(panel_job().seams[0])) == 48 and figure.mode == "OBJECT"


def test_edges_of_an_unapplied_scale_and_a_mirror_are_where_they_show(scene, add):
    ball = tall()
    half = Mesh.of(ball.vertices, ball.faces[(ball.vertices[ball.faces][:, :, 0] > -1e-6).all(1)])
    obj = add(half.compacted())
    obj.scale = (0.5, 0.5, 0.5)
    modifier = obj.modifiers.new("Mirror", "MIRROR")
    modifier.merge_threshold = 1e-3
    bpy.ops.seamwright.use_selected()
    select_edges(obj, at(0.0))
    add_line("SELECTED")
    points = points_of(panel_job().seams[0])
    assert np.allclose(np.linalg.norm(points[:, :2], axis=1), 60.0, atol=1e-3)
    assert points[:, 0].min() < -59 and points[:, 0].max() > 59


def test_curves_and_meshes_of_edges_give_lines_in_the_way_they_run(figure):
    drawn = curve(ring(120, 0)[::-1])
    drawn.location.z = 1.0
    bpy.ops.mesh.primitive_circle_add(vertices=16, radius=100, location=(0, 0, 100))
    circle = bpy.context.view_layer.objects.active
    activate(drawn)
    circle.select_set(True)
    bpy.context.view_layer.update()
    add_line("OBJECT")
    first, second = sorted(panel_job().seams, key=lambda s: s.point[2])
    assert np.allclose(
        points_of(first), [(x, y, 1.0) for x, y, _z in ring(120, 0)[::-1]], atol=1e-4
    )
    assert first.normal[2] < -0.99 and first.line.crease == 0.2
    assert len(points_of(second)) == 16 and np.allclose(points_of(second)[:, 2], 100.0)
    assert drawn.name in bpy.data.objects and not drawn.seamwright.is_seam


def test_a_line_can_be_added_while_sculpting(figure):
    bpy.ops.object.mode_set(mode="SCULPT")
    add_line("CURSOR")
    assert figure.mode == "SCULPT" and bpy.context.view_layer.objects.active == figure
    assert len(seams()) == 1


def test_a_line_in_a_scene_of_metres_at_target_height(scene, add):
    scene.unit_settings.scale_length = 1.0
    obj = add(tall().scaled(0.001))
    bpy.ops.seamwright.use_selected()
    obj.seamwright.size, obj.seamwright.target_height = "HEIGHT", 800.0
    select_edges(obj, lambda co: abs(co.z) < 1e-6)
    add_line("SELECTED")
    points = points_of(panel_job().seams[0])
    assert np.allclose(np.linalg.norm(points[:, :2], axis=1), 240.0, atol=1e-3)
    obj.seamwright.target_height = 400.0
    assert np.allclose(points_of(panel_job().seams[0]), points / 2, atol=2e-3)


# --- what cannot be done -----------------------------------------------------------------


def test_edges_that_are_no_closed_lines_are_refused(figure, add, counts):
    before = counts()
    assert "nothing is being edited" in refused(add_line, source="SELECTED")
    assert "no edges marked as seams" in refused(add_line, source="MARKED")

    select_edges(figure, lambda co: False)
    assert "No edge of 'Keeper' is selected" in refused(add_line, source="SELECTED")
    bpy.ops.object.mode_set(mode="OBJECT")
    select_edges(figure, lambda co: at(ROWS[12])(co) and co.x > 0)
    assert "is not closed: it has a loose end at" in refused(add_line, source="SELECTED")
    bpy.ops.object.mode_set(mode="OBJECT")
    select_edges(figure, lambda co: co.z > 0)
    assert "branches at" in refused(add_line, source="SELECTED")
    assert figure.mode == "EDIT"
    bpy.ops.object.mode_set(mode="OBJECT")
    assert counts() == before

    other = add(box(10, 10, 10), "Other")
    activate(other)
    bpy.ops.object.mode_set(mode="EDIT")
    said = refused(add_line, source="SELECTED")
    assert "of the figure 'Keeper', but 'Other' is being edited" in said


def test_a_line_along_an_open_border_is_refused(scene, add):
    ball = tall()
    obj = add(
        Mesh.of(ball.vertices, ball.faces[(ball.vertices[ball.faces][:, :, 2] < 1e-6).all(1)])
    )
    bpy.ops.seamwright.use_selected()
    select_edges(obj, at(0.0))
    assert "touches an open border" in refused(add_line, source="SELECTED")


def test_objects_that_draw_no_closed_line_are_refused(figure, add, counts):
    assert "No curve is selected" in refused(add_line, source="OBJECT")
    cube = add(box(10, 10, 10), "Cube")
    assert "'Cube' has faces" in refused(add_line, source="OBJECT")
    cube.select_set(False)
    activate(curve(ring(120, 0), cyclic=False))
    before = counts()
    assert "The line of 'Drawn' is open at" in refused(add_line, source="OBJECT")
    bpy.context.scene.cursor.location = (0, 0, 900)
    said = refused(add_line, source="CURSOR")
    assert "(0.0, 0.0, 900.0) mm meets no closed outline" in said
    assert counts() == before


def test_a_line_seam_that_no_longer_holds_is_refused(figure, counts):
    add_line("CURSOR")
    (obj,) = seams()
    before = counts()
    obj.data.splines[0].use_cyclic_u = False
    assert "Seam 'Seam' is not closed" in refused(bpy.ops.seamwright.make_pieces)
    obj.data.splines[0].use_cyclic_u = True
    obj.data.splines.new("POLY")
    assert "has 2 curves in object 'Seam'" in refused(bpy.ops.seamwright.make_pieces)
    obj.data.splines.remove(obj.data.splines[1])
    assert counts() == before
    # The mesh changed under the seam.
    figure.data.transform(Matrix.Scale(0.5, 4))
    said = refused(bpy.ops.seamwright.make_pieces)
    assert "Seam 'Seam'" in said and "mm from the surface" in said
    assert bpy.context.scene.seamwright.pieces_found == said


# --- the points ----------------------------------------------------------------------------


def test_moved_points_are_where_they_were_moved_to(figure):
    add_line("CURSOR", points=4)
    (obj,) = seams()
    told = panel_job().seams[0].line.points
    spline = obj.data.splines[0]
    was = spline.points[2].co.copy()
    spline.points[2].co = was + Vector((0, 0, 12.5, 0))
    moved = panel_job().seams[0].line.points
    assert np.allclose(moved[2], np.add(told[2], (0, 0, 12.5)), atol=1e-3)
    assert np.allclose(moved[3], told[3], atol=1e-3)
    spline.points[2].co = was
    assert panel_job().seams[0].line.points == told
    obj.location.z += 10
    assert np.allclose(panel_job().seams[0].line.points, np.add(told, (0, 0, 10)), atol=1e-3)


def test_points_are_moved_in_edit_mode_and_seen_there(figure):
    add_line("CURSOR", points=6)
    (obj,) = seams()
    told = panel_job().seams[0].line.points
    assert bpy.ops.seamwright.move_points() == {"FINISHED"}
    tools = bpy.context.scene.tool_settings
    assert obj.mode == "EDIT" and tools.use_snap and tools.snap_elements == {"FACE"}
    bpy.ops.curve.select_all(action="SELECT")
    bpy.ops.transform.translate(value=(0, 0, 3), snap=False)
    assert np.allclose(panel_job().seams[0].line.points, np.add(told, (0, 0, 3)), atol=1e-3)
    bpy.ops.curve.select_all(action="DESELECT")
    obj.data.splines[0].points[0].select = True
    bpy.ops.curve.delete(type="VERT")
    assert len(panel_job().seams[0].line.points) == 5
    assert "from Object Mode on" in refused(bpy.ops.seamwright.move_points)
    bpy.ops.object.mode_set(mode="OBJECT")
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert "is flat" in refused(bpy.ops.seamwright.move_points)


def test_a_smooth_curve_is_followed_as_it_is_drawn(figure):
    add_line("CURSOR", points=6)
    (obj,) = seams()
    activate(obj)
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.curve.select_all(action="SELECT")
    bpy.ops.curve.spline_type_set(type="BEZIER")
    bpy.ops.curve.handle_type_set(type="AUTOMATIC")
    bpy.ops.object.mode_set(mode="OBJECT")
    points = points_of(panel_job().seams[0])
    assert len(points) == 6 * obj.data.resolution_u
    assert np.allclose(np.linalg.norm(points[:, :2], axis=1), 120.0, atol=2.0)


# --- there and back ------------------------------------------------------------------------

ROUND = tuple((120 * math.cos(t), 120 * math.sin(t), 1 / 3) for t in (0.1, 1.3, 2.9, 4.2, 5.5))
LEVEL = tuple((60.1 * math.sin(t), 60.1 * math.cos(t), 170.0) for t in (0.0, 2.0, 4.0))


def with_pad(pad: PadChoice, crease: float = 0.2) -> SeamLine:
    return SeamLine(ROUND, crease, pad)


LINES = Job(
    "The Keeper",
    FigureChoice(object="Keeper", scale=3.5),
    printer("resin-218"),
    (
        line_seam(1, "cuff", with_pad(PadChoice())),
        line_seam(2, "hem", with_pad(PadChoice((1 / 3, 2.0, 3.0), (0.1, 0.2, 2.0), 7.5), 0.35)),
        Seam(3, "hip", (0.1, 1 / 3, 123.456789012345), (0.3, -0.4, math.sqrt(0.75))),
        line_seam(4, "collar", SeamLine(LEVEL, 1.0, PadChoice(at=(1.0, 1 / 7, 9.0))), PLAIN),
        line_seam(5, "belt", with_pad(PadChoice(direction=(0.0, 0.6, 0.8)))),
        Seam(6, "wrist", (7.0, 8.0, 9.0), (0.0, 0.0, 2.0), stops_at=("cuff", "hip")),
    ),
)


def take(job: Job) -> str:
    from blender_addon.job import apply_job  # noqa: PLC0415

    return apply_job(bpy.context, job)


def test_a_job_with_lines_keeps_every_digit(figure, counts, tmp_path):
    assert take(LINES) == "6 seams taken from job 'The Keeper' for object 'Keeper'."
    assert panel_job() == LINES
    text = job_to_toml(LINES)
    assert job_from_toml(text) == LINES
    before = counts()
    (tmp_path / "keeper.toml").write_text(text)
    bpy.ops.seamwright.load_job(filepath=str(tmp_path / "keeper.toml"))
    assert counts() == before and panel_job() == LINES
    bpy.ops.seamwright.save_job(filepath=str(tmp_path / "again.toml"))
    assert (tmp_path / "again.toml").read_text(encoding="utf-8") == text
    path = str(tmp_path / "keeper.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    assert panel_job() == LINES


def test_a_loaded_job_without_seams_leaves_no_pad_behind(figure, counts):
    before = counts()
    take(LINES)
    take(replace(LINES, seams=()))
    after = counts()
    assert after["objects"] == before["objects"] and after["curves"] == before["curves"]
    assert after["meshes"] == before["meshes"]


def test_a_hidden_line_seam_is_the_same(figure):
    take(LINES)
    for obj in seams():
        obj.hide_viewport = True
    bpy.context.view_layer.update()
    assert panel_job() == LINES


def test_a_flat_seam_stops_at_a_line_seam_but_not_the_other_way(figure):
    take(LINES)
    bpy.context.view_layer.objects.active = bpy.data.objects["hip"]
    bpy.ops.seamwright.stop_at(name="cuff")
    assert panel_job().seams[2].stops_at == ("cuff",)
    bpy.context.view_layer.objects.active = bpy.data.objects["cuff"]
    assert "ends at its line" in refused(bpy.ops.seamwright.stop_at, name="hip")


def test_names_of_new_lines_are_those_of_their_objects(figure):
    for _ in range(2):
        add_line("CURSOR")
    bpy.data.objects.remove(seams()[0])
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert [s.name for s in panel_job().seams] == [o.name for o in seams()] == ["Seam.001", "Seam"]


# --- pads ----------------------------------------------------------------------------------


def test_a_pad_is_automatic_until_it_is_placed(figure):
    bpy.context.scene.cursor.location = (0, 0, 20)
    add_line("CURSOR")
    (obj,) = seams()
    group = obj.seamwright
    assert panel_job().seams[0].line.pad == PadChoice()
    bpy.ops.seamwright.add_pad()
    pad = panel_job().seams[0].line.pad
    assert np.allclose(pad.at, (0, 0, 20), atol=0.1)
    assert pad.direction is None and pad.radius is None
    group.pad_way, group.pad_radius = True, 12.5
    pad = panel_job().seams[0].line.pad
    assert np.allclose(pad.direction, (0, 0, 1), atol=1e-4) and pad.radius == 12.5
    group.pad.location, group.pad.rotation_euler = (10, 5, 21), Euler((math.pi / 2, 0, 0))
    group.pad.rotation_mode = "XYZ"
    pad = panel_job().seams[0].line.pad
    assert pad.at == (10.0, 5.0, 21.0) and np.allclose(pad.direction, (0, -1, 0), atol=1e-6)
    # With its pad active, the seam is the active one still.
    activate(group.pad)
    assert "has its pad" in refused(bpy.ops.seamwright.add_pad)
    group.pad.rotation_euler = (0, 0, 0)
    bpy.ops.seamwright.make_pieces()
    assert "2 pieces" in bpy.context.scene.seamwright.pieces_found
    bpy.data.objects.remove(group.pad)
    assert panel_job().seams[0].line.pad == PadChoice(radius=12.5)
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert "is flat" in refused(bpy.ops.seamwright.add_pad)


def test_a_deleted_pad_is_forgotten_even_while_the_file_keeps_it(figure):
    add_line("CURSOR")
    (obj,) = seams()
    bpy.ops.seamwright.add_pad()
    activate(obj.seamwright.pad)
    bpy.ops.object.delete()
    assert panel_job().seams[0].line.pad == PadChoice()
    activate(obj)
    bpy.ops.seamwright.add_pad()
    assert panel_job().seams[0].line.pad.at is not None
