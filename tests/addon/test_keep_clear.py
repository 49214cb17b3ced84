"""The keep-clear list and the natural lines in the panel, and that making heeds them."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright.errors import BadInput  # noqa: E402
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml  # noqa: E402
from seamwright.markings import KeepClear  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.printer import printer  # noqa: E402
from seamwright.seam import Seam  # noqa: E402
from seamwright.shapes import sphere  # noqa: E402


def refused(operator, **options) -> str:
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    said = str(raised.value).strip()
    assert said.startswith("Error: ") and "Traceback" not in said
    return said.removeprefix("Error: ")


def panel_job() -> Job:
    from blender_addon.conversion import mesh_of  # noqa: PLC0415
    from blender_addon.job import job_of  # noqa: PLC0415

    figure = bpy.context.scene.seamwright.figure
    return job_of(bpy.context, figure, mesh_of(figure, bpy.context)[0])


def take(job: Job) -> str:
    from blender_addon.job import apply_job  # noqa: PLC0415

    return apply_job(bpy.context, job)


def make() -> str:
    bpy.ops.seamwright.make_pieces(hide_figure=False)
    return bpy.context.scene.seamwright.pieces_found


def put(obj, name: str, kind: str, domain: str, values) -> None:
    attribute = obj.data.attributes.get(name) or obj.data.attributes.new(name, kind, domain)
    attribute.data.foreach_set("value", values)
    # Blender 4.2 does not itself notice that values were set; a brush's stroke tells it.
    obj.data.update()


def heights(obj) -> np.ndarray:
    return np.array([v.co.z for v in obj.data.vertices])


@pytest.fixture
def figure(scene, add):
    """An upright ball of 240 x 240 x 400 mm with every kind of mark round its middle."""
    ball = sphere(200, 48)
    obj = add(Mesh(ball.vertices * [0.6, 0.6, 1.0], ball.faces, ball.tag))
    near = np.abs(heights(obj)) < 60
    obj.vertex_groups.new(name="face").add(np.flatnonzero(near).tolist(), 1.0, "REPLACE")
    put(obj, ".sculpt_mask", "FLOAT", "POINT", near.astype(np.float32))
    put(obj, "keep", "FLOAT", "POINT", 3.0 * near.astype(np.float32))
    middle = np.array([abs(p.center.z) for p in obj.data.polygons]) < 50
    put(obj, ".sculpt_face_set", "INT", "FACE", np.where(middle, 7, 2).astype(np.int32))
    obj.data.edges.foreach_set("use_seam", np.ones(len(obj.data.edges), dtype=bool))
    bpy.ops.seamwright.use_selected()
    return obj


KEPT = (
    KeepClear("vertex_group", name="face", above=0.25),
    KeepClear("ball", centre=(1 / 3, -20.0, 123.4567890123), radius=17.123456789),
    KeepClear("mask"),
    KeepClear("face_set", number=7),
    KeepClear("property", name="keep", above=2.5),
    KeepClear("ball", centre=(0.0, 0.0, 0.0), radius=40.0),
)

MARKED = Job(
    "The Keeper",
    FigureChoice(object="Keeper", scale=3.5, keep_clear=KEPT, natural_lines=("seams", "face sets")),
    printer("filament-300"),
    (Seam(1, "waist", (0.0, 0.0, 1.0), (0.0, 0.0, 1.0)),),
)


# --- there and back ------------------------------------------------------------------------


def test_a_job_that_marks_keeps_every_digit(figure, counts, tmp_path):
    assert take(MARKED) == "1 seam taken from job 'The Keeper' for object 'Keeper'."
    assert panel_job() == MARKED
    text = job_to_toml(MARKED)
    assert job_from_toml(text) == MARKED
    before = counts()
    (tmp_path / "keeper.toml").write_text(text)
    bpy.ops.seamwright.load_job(filepath=str(tmp_path / "keeper.toml"))
    assert counts() == before
    bpy.ops.seamwright.save_job(filepath=str(tmp_path / "again.toml"))
    assert (tmp_path / "again.toml").read_text(encoding="utf-8") == text
    path = str(tmp_path / "keeper.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    assert panel_job() == MARKED


def test_a_job_without_marks_takes_them_out_of_the_panel(figure, counts):
    before = counts()
    take(MARKED)
    take(replace(MARKED, figure=FigureChoice(object="Keeper"), seams=()))
    assert panel_job().figure == FigureChoice(object="Keeper")
    assert counts()["objects"] == before["objects"]


def test_natural_lines_have_no_order_and_digits_that_are_lost_are_told(figure):
    lines = ("face sets", "creases")
    said = take(replace(MARKED, figure=replace(MARKED.figure, natural_lines=lines)))
    assert "rounded" not in said
    assert panel_job().figure.natural_lines == ("creases", "face sets")
    fine = (KeepClear("mask", above=1 / 3),)
    said = take(replace(MARKED, figure=replace(MARKED.figure, keep_clear=fine)))
    assert "more than seven digits were rounded" in said


# --- the list ------------------------------------------------------------------------------


def test_the_list_is_filled_with_what_is_there(figure):
    scene = bpy.context.scene
    add = bpy.ops.seamwright.add_keep_clear
    add(kind="vertex_group")
    add(kind="mask")
    add(kind="property")
    scene.cursor.location = (10, 20, 30)
    add(kind="ball")
    items = figure.seamwright.keep_clear
    items[2].source = "keep"
    items[3].radius = 25.0
    assert panel_job().figure.keep_clear == (
        KeepClear("vertex_group", name="face"),
        KeepClear("mask"),
        KeepClear("property", name="keep"),
        KeepClear("ball", centre=(10.0, 20.0, 30.0), radius=25.0),
    )
    ball = items[3].ball
    assert ball.empty_display_type == "SPHERE"
    assert ball.empty_display_size == pytest.approx(25.0)
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 2.0
    assert ball.empty_display_size == pytest.approx(12.5)
    assert panel_job().figure.keep_clear[3] == KeepClear(
        "ball", centre=(20.0, 40.0, 60.0), radius=25.0
    )
    figure.seamwright.size, figure.seamwright.target_height = "HEIGHT", 400.0
    assert ball.empty_display_size == pytest.approx(25.0)
    ball.location.z = 31
    assert panel_job().figure.keep_clear[3].centre == pytest.approx((10, 20, 31))
    scene.cursor.location = (1, 2, 3)
    bpy.ops.seamwright.ball_to_cursor(index=3)
    assert panel_job().figure.keep_clear[3].centre == pytest.approx((1, 2, 3))
    bpy.ops.seamwright.remove_keep_clear(index=3)
    assert len(items) == 3 and "Keep clear" not in bpy.data.objects
    bpy.ops.seamwright.remove_keep_clear(index=0)
    assert [item.kind for item in items] == ["mask", "property"]
    assert "has no line 2" in refused(bpy.ops.seamwright.remove_keep_clear, index=2)


def test_a_face_set_is_that_of_the_active_or_first_selected_face(figure):
    low, high = (
        next(p.index for p in figure.data.polygons if abs(p.center.z) < 50),
        next(p.index for p in figure.data.polygons if p.center.z > 100),
    )
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    add = bpy.ops.seamwright.add_keep_clear
    assert "No face of 'Keeper' is selected" in refused(add, kind="face_set")
    import bmesh  # noqa: PLC0415

    mesh = bmesh.from_edit_mesh(figure.data)
    mesh.faces.ensure_lookup_table()
    mesh.faces[low].select_set(True)
    bmesh.update_edit_mesh(figure.data)
    add(kind="face_set")
    assert panel_job().figure.keep_clear == (KeepClear("face_set", number=7),)
    mesh = bmesh.from_edit_mesh(figure.data)
    mesh.faces.ensure_lookup_table()
    mesh.faces[high].select_set(True)
    mesh.faces.active = mesh.faces[high]
    bmesh.update_edit_mesh(figure.data)
    bpy.ops.seamwright.take_face_set(index=0)
    assert panel_job().figure.keep_clear == (KeepClear("face_set", number=2),)
    bpy.ops.object.mode_set(mode="OBJECT")
    figure.data.attributes.remove(figure.data.attributes[".sculpt_face_set"])
    assert "has no face sets" in refused(bpy.ops.seamwright.take_face_set, index=0)


@pytest.mark.parametrize(
    ("kind", "values", "words"),
    [
        ("vertex_group", {}, "names no vertex group"),
        ("property", {"source": " "}, "names no attribute"),
        ("mask", {"above": 1.5}, "asks for values above 1.5; painted values go from 0 to 1"),
        ("vertex_group", {"source": "hat"}, "no vertex group 'hat'"),
        ("face_set", {"number": 5}, "no face set 5; its face sets are 2, 7"),
        ("ball", {}, "has lost its Empty"),
    ],
)
def test_what_cannot_be_kept_clear_is_one_sentence(figure, counts, kind, values, words):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    item = figure.seamwright.keep_clear.add()
    item.kind = kind
    for key, value in values.items():
        setattr(item, key, value)
    before = counts()
    for operator in ("make_pieces", "inspect", "seam_quality", "nudge"):
        assert words in refused(getattr(bpy.ops.seamwright, operator)), operator
    assert counts() == before


def test_a_deleted_ball_is_not_passed_over(figure):
    bpy.ops.seamwright.add_keep_clear(kind="ball")
    bpy.data.objects["Keep clear"].select_set(True)
    bpy.context.view_layer.objects.active = bpy.data.objects["Keep clear"]
    figure.select_set(False)
    bpy.ops.object.delete()
    with pytest.raises(BadInput, match="lost its Empty"):
        panel_job()
    assert "lost its Empty" in refused(bpy.ops.seamwright.ball_to_cursor, index=0)
    bpy.ops.seamwright.remove_keep_clear(index=0)
    assert panel_job().figure.keep_clear == ()


def test_natural_lines_that_are_not_there_are_told(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    figure.seamwright.natural_creases = True
    assert "has no creased edges" in refused(bpy.ops.seamwright.make_pieces)


# --- making heeds them ---------------------------------------------------------------------


def test_a_seam_across_a_marked_area_is_warned_of_and_repainting_is_noticed(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert "Warning" not in make()
    bpy.ops.seamwright.add_keep_clear(kind="mask")
    said = make()
    assert "Warning: Seam 'Seam' crosses the keep-clear area" in said
    assert "Warning: Seam 'Seam'" in bpy.data.texts["Seamwright report"].as_string()
    # Nothing but the painted values changes: an earlier result must not answer.
    high = (heights(figure) > 100).astype(np.float32)
    put(figure, ".sculpt_mask", "FLOAT", "POINT", high)
    assert "Warning" not in make()
    put(figure, ".sculpt_mask", "FLOAT", "POINT", (np.abs(heights(figure)) < 60) * 1.0)
    assert "crosses the keep-clear area" in make()


def test_equal_marks_are_not_made_again(figure, monkeypatch):
    from blender_addon import pieces  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_keep_clear(kind="vertex_group")
    first = make()

    def fail(*_):
        raise AssertionError("made again")

    monkeypatch.setattr(pieces, "make", fail)
    monkeypatch.setattr(pieces, "prepare", fail)
    assert make() == first


def test_a_written_report_has_the_warnings_too(figure, tmp_path):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_keep_clear(kind="ball")
    bpy.context.scene.cursor.location = (120, 0, 0)
    bpy.ops.seamwright.ball_to_cursor(index=0)
    bpy.ops.seamwright.write_files(directory=str(tmp_path))
    report = (tmp_path / "Keeper-pieces" / "report.json").read_text(encoding="utf-8")
    assert "crosses the keep-clear area" in report
    assert "Files written to" in bpy.context.scene.seamwright.pieces_found


def test_inspecting_and_quality_speak_of_what_is_marked(figure):
    settings = bpy.context.scene.seamwright
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    figure.seamwright.keep_clear.add().kind = "mask"
    figure.seamwright.natural_face_sets = True
    bpy.ops.seamwright.inspect()
    assert "keep-clear area: " in settings.found and "natural lines: " in settings.found
    bpy.ops.seamwright.seam_quality()
    assert "cross the keep-clear area; move the seam" in settings.seam_found


def test_marks_are_heeded_through_mending_modifiers_and_size(figure):
    modifier = figure.modifiers.new("Subdivision", "SUBSURF")
    modifier.subdivision_type, modifier.levels = "SIMPLE", 1
    figure.seamwright.size, figure.seamwright.target_height = "HEIGHT", 300.0
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_keep_clear(kind="vertex_group")
    # Round the middle of a ball 180 mm across that is 565 mm.
    said = make()
    length = re.search(r"crosses the keep-clear area.*?([\d.]+) mm", said)
    assert length is not None, said
    assert float(length[1]) == pytest.approx(np.pi * 180, rel=0.01)
