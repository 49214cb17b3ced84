"""Rods in the panel: where they run, what they are in a job, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright.errors import BadInput  # noqa: E402
from seamwright.job import Job  # noqa: E402
from seamwright.shapes import box, moved, sphere  # noqa: E402

UNDO = "EXEC_DEFAULT", True


def panel_job() -> Job:
    from blender_addon.conversion import mesh_of  # noqa: PLC0415
    from blender_addon.job import job_of  # noqa: PLC0415

    figure = bpy.context.scene.seamwright.figure
    return job_of(bpy.context, figure, mesh_of(figure, bpy.context)[0])


def settings():
    return bpy.context.scene.seamwright


def active():
    return bpy.context.view_layer.objects.active


def refused(operator, **options) -> str:
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    said = str(raised.value).strip()
    assert said.startswith("Error: ") and "Traceback" not in said
    return said.removeprefix("Error: ")


@pytest.fixture
def figure(scene, add):
    obj = add(moved(box(100, 100, 300), (-50, -50, -150)))
    bpy.ops.seamwright.use_selected()
    return obj


def test_a_rod_along_a_seams_arrow_runs_through_its_widest_region(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_rod(along="SEAM", length=80, diameter=6)
    rod = active()
    assert rod.seamwright.is_rod and rod.name == "Rod 1"
    assert np.isclose(rod.data.bevel_depth, 3.0)
    (found,) = panel_job().rods
    assert np.allclose((found.start, found.end), ((0, 0, -40), (0, 0, 40)), atol=1e-3)
    assert found.diameter == 6.0 and found.clearance is None
    bpy.ops.seamwright.make_pieces()
    from blender_addon.pieces import _kept  # noqa: PLC0415

    assert len(_kept[0].result.bores) == 2
    rod.seamwright.diameter, rod.seamwright.own_clearance = 8.2, True
    rod.seamwright.clearance = 0.15
    assert np.isclose(rod.data.bevel_depth, 4.1)
    rod.location.x += 10
    (moved_rod,) = panel_job().rods
    assert moved_rod.diameter == 8.2 and moved_rod.clearance == 0.15
    assert np.isclose(moved_rod.start[0], found.start[0] + 10)


def test_a_rod_from_the_cursor_to_what_is_selected(figure):
    scene = bpy.context.scene
    target = bpy.data.objects.new("Target", None)
    scene.collection.objects.link(target)
    target.location = (10, 0, 60)
    bpy.context.view_layer.objects.active = target
    scene.cursor.location = (10, 0, -20)
    bpy.ops.seamwright.add_rod(along="CURSOR", diameter=5)
    (rod,) = panel_job().rods
    assert rod.start == (10.0, 0.0, -20.0) and rod.end == (10.0, 0.0, 60.0)
    bpy.context.view_layer.objects.active = figure
    assert "figure itself is selected" in refused(bpy.ops.seamwright.add_rod, along="CURSOR")
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.seamwright.add_rod(along="CURSOR", diameter=5)
    middle = np.mean([v.co for v in figure.data.vertices], axis=0)
    assert np.allclose(panel_job().rods[1].end, middle, atol=1e-3)
    assert [r.name for r in panel_job().rods] == ["Rod 1", "Rod 2"]
    bpy.context.view_layer.objects.active = target
    scene.cursor.location = target.location
    assert "has no length" in refused(bpy.ops.seamwright.add_rod, along="CURSOR")
    bpy.context.view_layer.objects.active = None
    assert "Nothing is selected" in refused(bpy.ops.seamwright.add_rod, along="CURSOR")
    assert "no seam of a figure" in refused(bpy.ops.seamwright.add_rod, along="SEAM")


def test_what_was_found_stays_when_a_rod_is_added(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces(hide_figure=False)
    bpy.context.view_layer.objects.active = bpy.data.objects["Seam"]
    bpy.ops.seamwright.add_rod(along="SEAM")
    assert len(settings().joints) == 1 and settings().assembly
    bpy.ops.seamwright.size_joints()
    assert "all checks hold" in settings().pieces_found and not settings().assembly


def test_undo_takes_back_a_rod(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.ed.undo_push(message="seam")
    bpy.ops.seamwright.add_rod(*UNDO, along="SEAM")
    assert len(panel_job().rods) == 1
    bpy.ops.ed.undo()
    assert panel_job().rods == ()
    bpy.ops.ed.redo()
    assert len(panel_job().rods) == 1


def test_a_rod_is_no_figure_and_has_two_ends(figure):
    from blender_addon.scene import can_be_figure  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_rod(along="SEAM")
    rod = active()
    assert not can_be_figure(rod)
    rod.data.splines[0].points.add(1)
    with pytest.raises(BadInput, match="is not one curve of two points"):
        panel_job()
    rod.data.splines.clear()
    with pytest.raises(BadInput, match="is not one curve of two points"):
        panel_job()


def test_a_rod_too_near_the_skin_is_refused_with_the_place(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_rod(along="SEAM", diameter=6)
    rod = active()
    rod.location.x += 45.0
    from blender_addon.overlay import places_to_draw  # noqa: PLC0415

    assert not places_to_draw(bpy.context)
    said = refused(bpy.ops.seamwright.size_joints)
    assert "mm of wall" in said
    (place,) = places_to_draw(bpy.context)
    assert np.isclose(abs(place.x), 50.0, atol=0.1)


def test_a_rod_is_as_thick_as_the_figures_scale_says(scene, add):
    figure = add(sphere(100))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_rod(along="SEAM", diameter=6)
    rod = active()
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 2.0
    assert np.isclose(rod.data.bevel_depth, 1.5)


def test_objects_are_selected_by_name(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_rod(along="SEAM")
    bpy.context.view_layer.objects.active = figure
    bpy.ops.seamwright.select_ours(name="Rod 1")
    assert active().name == "Rod 1"
    for name in ("Keeper", "nothing"):
        assert "There is no rod or joint" in refused(bpy.ops.seamwright.select_ours, name=name)
