"""Panel and job are the same decisions: there and back without a digit lost."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")
from mathutils import Euler  # noqa: E402

from seamwright.choice import AUTO, PLAIN  # noqa: E402
from seamwright.errors import BadInput  # noqa: E402
from seamwright.figure import true_size  # noqa: E402
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml  # noqa: E402
from seamwright.mesh import joined  # noqa: E402
from seamwright.printer import BUILT_IN, PrinterProfile, printer  # noqa: E402
from seamwright.seam import Reach, Seam  # noqa: E402
from seamwright.shapes import box, sphere  # noqa: E402


def panel_job() -> Job:
    from blender_addon.conversion import mesh_of  # noqa: PLC0415
    from blender_addon.job import job_of  # noqa: PLC0415

    figure = bpy.context.scene.seamwright.figure
    return job_of(bpy.context, figure, mesh_of(figure, bpy.context)[0])


def take(job: Job) -> str:
    from blender_addon.job import apply_job  # noqa: PLC0415

    return apply_job(bpy.context, job)


@pytest.fixture
def figure(scene, add):
    obj = add(sphere(200))
    bpy.ops.seamwright.use_selected()
    return obj


def seam_objects() -> list:
    from blender_addon.scene import seams_of  # noqa: PLC0415

    return seams_of(bpy.context.scene.seamwright.figure, bpy.context.scene)


def decide(figure, number: random.Random) -> None:
    """Anything that a user can do in the panel and to the seams."""
    group, settings = figure.seamwright, bpy.context.scene.seamwright
    group.size = number.choice(["SOURCE", "SCALE", "HEIGHT"])
    group.scale = number.uniform(0.1, 20)
    group.target_height = number.uniform(100, 3000)
    group.mend = number.random() < 0.5
    group.job_name = number.choice(["", "The Keeper"])
    group.output = number.choice(["", "out/keeper"])
    settings.profile = number.choice(sorted(BUILT_IN))
    settings.printer_name = number.choice(["", "my printer"])
    settings.wall = number.uniform(0.5, 10)
    settings.clearance = number.choice([0.2, 0.15, number.random()])
    settings.build_volume = [number.uniform(200, 400) for _ in range(3)]
    for _ in range(number.randrange(4)):
        bpy.ops.seamwright.add_seam(at="MIDDLE", axis=number.choice("XYZ"))
        seam = bpy.context.view_layer.objects.active
        seam.location = [number.uniform(-2000, 2000) for _ in range(3)]
        seam.rotation_euler = [number.uniform(-4, 4) for _ in range(3)]
        seam.scale = [number.uniform(-3, 3) or 1 for _ in range(3)]
        seam.seamwright.reach = number.choice(["all", "nearest", "regions"])
        seam.seamwright.regions = number.choice(["1", "2, 1", "3 4"])
        seam.seamwright.joint = number.choice(["auto", "plain"])
        for other in seam_objects()[:-1]:
            if number.random() < 0.4:
                bpy.ops.seamwright.stop_at(name=other.name)


@pytest.mark.parametrize("seed", range(25))
def test_panel_to_toml_to_panel_is_the_same_job(figure, tmp_path, seed):
    decide(figure, random.Random(seed))
    job = panel_job()
    assert job_from_toml(job_to_toml(job)) == job
    bpy.ops.seamwright.save_job(filepath=str(tmp_path / "keeper"))
    path = tmp_path / "keeper.toml"
    text = path.read_bytes()

    bpy.context.scene.seamwright.profile = "resin-218"
    for other in ("SCALE", "SOURCE"):
        figure.seamwright.size = other
        figure.seamwright.job_name = "another"
        bpy.ops.seamwright.load_job(filepath=str(path))
        assert panel_job() == job
    bpy.ops.seamwright.save_job(filepath=str(path))
    assert path.read_bytes() == text


def test_undo_takes_back_a_loaded_job(figure, tmp_path):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.save_job(filepath=str(tmp_path / "one.toml"))
    decide(figure, random.Random(1))
    bpy.ops.ed.undo_push(message="decided")
    before = panel_job()
    bpy.ops.seamwright.load_job("EXEC_DEFAULT", True, filepath=str(tmp_path / "one.toml"))
    assert panel_job() != before and len(panel_job().seams) == 1
    bpy.ops.ed.undo()
    assert panel_job() == before


def test_a_loaded_job_outlives_saving_the_blend(figure, tmp_path):
    decide(figure, random.Random(3))
    job = panel_job()
    take(job)
    path = str(tmp_path / "keeper.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    assert panel_job() == job


TWO_AND_FIVE = Reach("regions", regions=(2, 5))
NEAR = Reach("nearest", points=((70.0, 8.0, 10.0),))
NEAR_TWO = Reach("nearest", points=((35.1, 0.0, -300.0), (-35.1, 7.0, -290.0)))

ODD = Job(
    "The Keeper",
    FigureChoice(object="Keeper", scale=3.5, mend=False),
    printer("resin-218", clearance=0.123456, build_volume=(201.5, 120.0, 199.0)),
    (
        Seam(1, "hip", (0.1, 1 / 3, 123.456789012345), (0.3, -0.4, math.sqrt(0.75))),
        Seam(2, "wrist", (7.0, 8.0, 9.0), (0.0, 0.0, 2.0), NEAR),
        Seam(3, "cuff", (-1e-7, 0.0, 5e3), (0.0, -1.0, 0.0), TWO_AND_FIVE, PLAIN),
        Seam(4, "boots", (0.0, 0.0, -300.0), (0.0, 0.0, 1.0), NEAR_TWO, AUTO, ("cuff", "hip")),
    ),
    output="keeper-out",
)


def test_a_job_written_by_hand_keeps_every_digit(figure):
    said = take(ODD)
    assert said == "4 seams taken from job 'The Keeper' for object 'Keeper'."
    assert panel_job() == ODD
    for seam, obj in zip(ODD.seams, seam_objects(), strict=True):
        assert obj.name == seam.name
        normal = np.array(seam.normal) / np.linalg.norm(seam.normal)
        column = np.array(obj.matrix_basis, dtype=float)[:3, 2]
        assert np.allclose(column / np.linalg.norm(column), normal, atol=1e-6)
        # The object stands in the seam's plane, which is at 3.5 times the scene's size.
        offset = np.array(obj.location) * 3.5 - seam.point
        assert abs(offset @ normal) < 1e-3


def test_a_moved_seam_is_where_it_was_moved_to(figure):
    take(ODD)
    hip = bpy.data.objects["hip"]
    hip.location, hip.rotation_euler = (0, 0, 100), (0, 0, 0)
    hip.rotation_mode = "XYZ"
    seam = panel_job().seams[0]
    assert seam.point == (0.0, 0.0, 350.0) and seam.normal == (0.0, 0.0, 1.0)
    assert panel_job().seams[1:] == ODD.seams[1:]


def test_points_of_reach_go_with_their_seam(figure):
    take(ODD)
    boots = bpy.data.objects["boots"]
    boots.location.z += 10
    assert panel_job().seams[3].reach.points == ((35.1, 0.0, -265.0), (-35.1, 7.0, -255.0))
    boots.location.z -= 10
    middle = boots.location.copy()
    boots.rotation_euler.rotate_axis("Z", math.pi)
    turned = panel_job().seams[3].reach.points
    assert np.allclose(turned[0], (35.1, 0.0, -300.0), atol=2e-3)
    assert np.allclose(turned[1], (2 * 35.1 + 35.1, -7.0, -290.0), atol=2e-3)
    boots.rotation_euler.rotate_axis("Z", -math.pi)
    boots.location = middle
    figure.seamwright.scale = 7.0
    assert panel_job().seams[3].reach.points == ((70.2, 0.0, -600.0), (-70.2, 14.0, -580.0))


def test_a_seam_stops_at_another_by_whatever_name(figure):
    take(ODD)
    bpy.data.objects["cuff"].name = "sleeve"
    assert panel_job().seams[3].stops_at == ("sleeve", "hip")
    bpy.context.view_layer.objects.active = bpy.data.objects["boots"]
    bpy.ops.seamwright.stop_at(name="wrist")
    bpy.ops.seamwright.stop_at(name="sleeve")
    assert panel_job().seams[3].stops_at == ("hip", "wrist")
    bpy.data.objects.remove(bpy.data.objects["hip"])
    assert panel_job().seams[2].stops_at == ("wrist",)
    for name in ("boots", "hat"):
        with pytest.raises(RuntimeError, match=f"no other seam '{name}'"):
            bpy.ops.seamwright.stop_at(name=name)


def test_a_seam_follows_a_new_scale_factor(figure):
    take(ODD)
    figure.seamwright.scale = 7.0
    for seam, was in zip(panel_job().seams, ODD.seams, strict=True):
        normal = np.array(was.normal) / np.linalg.norm(was.normal)
        assert abs((np.array(seam.point) - 2 * np.array(was.point)) @ normal) < 2e-3


def test_a_seams_name_may_be_taken_by_another_object(figure, add):
    add(box(1, 1, 1), "hip")
    take(ODD)
    assert {"hip", "hip.001"} <= set(bpy.data.objects.keys())
    assert panel_job() == ODD
    bpy.data.objects["hip.001"].name = "waist"
    assert [s.name for s in panel_job().seams] == ["waist", "wrist", "cuff", "boots"]


def test_a_seam_may_hang_on_a_bone_or_an_object(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seam = bpy.context.view_layer.objects.active
    hanger = bpy.data.objects.new("Hanger", None)
    bpy.context.scene.collection.objects.link(hanger)
    hanger.location = (0, 0, 55)
    hanger.rotation_euler = Euler((math.pi / 2, 0, 0))
    seam.location = (0, 0, 0)
    seam.parent = hanger
    bpy.context.view_layer.update()
    made = panel_job().seams[0]
    assert made.point == (0.0, 0.0, 55.0) and made.normal == (0.0, -1.0, 0.0)


@pytest.mark.parametrize("length", [0.001, 1.0, 0.0254, 2.5])
def test_seams_are_at_true_size_in_mm_whatever_the_scenes_unit(scene, add, length):
    from blender_addon.conversion import mesh_of  # noqa: PLC0415

    scene.unit_settings.scale_length = length
    figure = add(sphere(2))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="CURSOR")
    seam = bpy.context.view_layer.objects.active
    seam.location = (0, 0, 1)
    figure.seamwright.size, figure.seamwright.target_height = "HEIGHT", 1800.0
    source, unit = mesh_of(figure, bpy.context)
    sized = true_size(source, unit=unit, target_height=1800.0)
    # A quarter down from the top of four: at true size as well, wherever the origin is.
    top, height = sized.bounds[1, 2], sized.size[2]
    assert math.isclose(panel_job().seams[0].point[2], top - height / 4, abs_tol=1e-4)
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 12.0
    assert math.isclose(panel_job().seams[0].point[2], 12 * 1000 * length, rel_tol=1e-7)


def test_a_figure_without_height_is_told_so(scene, add):
    flat = box(10, 10, 1)
    obj = add(flat)
    obj.scale = (1, 1, 0)
    bpy.ops.seamwright.use_selected()
    obj.seamwright.size = "HEIGHT"
    with pytest.raises(BadInput, match="no height along its z axis"):
        panel_job()


def test_choosing_a_profile_sets_its_values(figure):
    settings = bpy.context.scene.seamwright
    for name, profile in BUILT_IN.items():
        settings.printer_name = "mine"
        settings.wall = 9.0
        settings.profile = name
        assert panel_job().printer == profile
    settings.margin = 200.0
    with pytest.raises(BadInput, match="leaves nothing of the build volume"):
        panel_job()


def test_a_profile_of_ones_own_comes_back(figure):
    own = PrinterProfile(name="mine", build_volume=(100.0, 90.0, 80.0), density=1.27, draft=0.5)
    take(replace(ODD, printer=own))
    assert panel_job().printer == own


def test_more_digits_than_the_panel_holds_are_not_dropped_in_silence(figure):
    said = take(replace(ODD, figure=replace(ODD.figure, scale=math.pi)))
    assert "more than seven digits were rounded" in said


@pytest.mark.parametrize(
    ("figure_choice", "words"),
    [
        (FigureChoice(object="Keper"), "Object 'Keper' is not in the open file; its mesh objects"),
        (FigureChoice(object="Lamp"), "Object 'Lamp' has no surface"),
        (FigureChoice(object="Keeper", unit="cm"), "take unit out"),
        (FigureChoice(object="Keeper", up="y"), "z is up"),
    ],
)
def test_a_job_that_cannot_be_taken_changes_nothing(figure, counts, figure_choice, words):
    lamp = bpy.data.objects.new("Lamp", bpy.data.lights.new("Lamp", "POINT"))
    bpy.context.scene.collection.objects.link(lamp)
    take(ODD)
    before = counts()
    with pytest.raises(BadInput, match=words):
        take(replace(ODD, figure=figure_choice, seams=()))
    ring = replace(ODD, seams=(replace(ODD.seams[0], stops_at=("hip",)),))
    with pytest.raises(BadInput, match="in a ring"):
        take(ring)
    assert counts() == before and panel_job() == ODD


def test_a_job_for_a_file_is_taken_for_the_chosen_object(figure):
    said = take(replace(ODD, figure=FigureChoice(file="keeper.stl", unit="mm")))
    assert "for object 'Keeper'" in said and "rounded" not in said
    assert panel_job().seams == ODD.seams
    assert panel_job().figure == FigureChoice(object="Keeper")


def test_what_is_no_job_file_is_refused(figure, tmp_path):
    for name, text, words in (
        ("a.txt", "", "is not a .toml file"),
        ("b.toml", "seamwright = ", "not valid TOML"),
        ("c.toml", None, "does not exist"),
    ):
        if text is not None:
            (tmp_path / name).write_text(text)
        with pytest.raises(RuntimeError, match=words):
            bpy.ops.seamwright.load_job(filepath=str(tmp_path / name))
    with pytest.raises(RuntimeError, match="No file is given"):
        bpy.ops.seamwright.save_job()
    with pytest.raises(RuntimeError, match="cannot be written"):
        bpy.ops.seamwright.save_job(filepath=str(tmp_path / "none" / "a.toml"))


def test_a_loaded_seam_is_shown_as_large_as_what_it_takes(scene, add):
    body, arm = box(100, 60, 400, (-50, -30, 0)), box(20, 20, 200, (80, -10, 100))
    figure = add(joined([body, arm]))
    bpy.ops.seamwright.use_selected()
    level = (0.0, 0.0, 1.0)
    near = Reach("nearest", points=((90.0, 0.0, 200.0),))
    job = Job("Keeper", FigureChoice(object="Keeper"), PrinterProfile(), (
        Seam(1, "arm", (90.0, 0.0, 200.0), level, near, AUTO),
        Seam(2, "all", (0.0, 0.0, 200.0), level, Reach(), AUTO),
        Seam(3, "beside", (0.0, 0.0, 900.0), level, Reach(), AUTO),
    ))  # fmt: skip
    take(job)
    arm, whole, beside = seam_objects()
    half = np.hypot(10, 10)
    assert np.allclose(arm.dimensions[:2], 2 * 1.3 * half, rtol=1e-3)
    assert np.allclose(whole.dimensions[:2], 2 * 1.3 * np.hypot(100, 10), rtol=1e-3)
    # One that meets nothing is as large as the figure.
    assert np.allclose(beside.dimensions[:2], 1.2 * 400, rtol=1e-3)
    assert all(tuple(seam.scale) == (1.0, 1.0, 1.0) for seam in (arm, whole, beside))
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 4.0
    take(panel_job())
    assert np.allclose(seam_objects()[0].dimensions[:2], 2 * 1.3 * half, rtol=1e-3)
