"""Joints in the panel: what is decided comes back from a job, what is sized is listed and shown."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright import choice as library  # noqa: E402
from seamwright.choice import JointAt, JointChoice  # noqa: E402
from seamwright.errors import BadInput  # noqa: E402
from seamwright.job import Job, job_from_toml, job_to_toml  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.shapes import box, moved  # noqa: E402

UNDO = "EXEC_DEFAULT", True


def panel_job() -> Job:
    from blender_addon.conversion import mesh_of  # noqa: PLC0415
    from blender_addon.job import job_of  # noqa: PLC0415

    figure = bpy.context.scene.seamwright.figure
    return job_of(bpy.context, figure, mesh_of(figure, bpy.context)[0])


def take(job: Job) -> str:
    from blender_addon.job import apply_job  # noqa: PLC0415

    return apply_job(bpy.context, job)


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


@pytest.fixture
def legs(scene, add):
    """A body on two legs, which a level seam parts at both."""
    body = moved(box(200, 100, 100), (-100, -50, 200))
    left, right = (moved(box(70, 70, 220), (x - 35, -35, 0)) for x in (-60, 60))
    parts = [body, left, right]
    starts = np.cumsum([0, *(len(p.vertices) for p in parts)])[:-1]
    faces = np.concatenate([p.faces + s for p, s in zip(parts, starts, strict=True)])
    obj = add(Mesh.of(np.concatenate([p.vertices for p in parts]), faces))
    bpy.ops.seamwright.use_selected()
    settings().profile = "filament-300"
    bpy.context.scene.cursor.location = (0, 0, 60)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    return obj


# --- what is decided ------------------------------------------------------------------------


def test_the_lists_are_the_librarys():
    from blender_addon import joint_properties as ours  # noqa: PLC0415

    assert {kind[0] for kind in ours.KINDS} == set(library.KINDS)
    assert {shape[0] for shape in ours.FOOTPRINTS} == {"auto", *library.FOOTPRINTS}
    assert tuple(library.MAGNETS) == ours.MAGNETS
    assert library.MOST_PEGS == ours.MOST_PEGS
    assert set(ours.SHOWN) == set(library.KINDS)


def test_a_blend_keeps_the_kinds_it_had():
    from blender_addon.joint_properties import FOOTPRINTS, KINDS  # noqa: PLC0415

    assert {kind: number for kind, _name, _said, number in KINDS} == {
        "auto": 0, "plain": 1, "pegs": 2, "loose pegs": 3, "magnets": 4,
    }  # fmt: skip
    assert len({row[3] for row in FOOTPRINTS}) == len(FOOTPRINTS)


CHOICES = (
    JointChoice(),
    JointChoice("plain", clearance=0.1 + 0.2, marks=False),
    JointChoice("pegs", footprint="D", count=2, width=12.000000001, depth=1 / 3, pegs_on="B"),
    JointChoice("auto", clearance=0.0, turn=0.0),
    JointChoice("auto", turn=22.123456789012, direction=(0.1, 0.2, 3.0)),
    JointChoice("loose pegs", pegs_on="A", at=((1 / 3, 2.0, 150.0), (-20.0, 2.0, 150.0))),
    JointChoice("magnets", count=2, magnet="12x3", clearance=0.123456789),
    JointChoice("magnets", at=((10.0, 0.0, 150.0),), turn=-45.0),
    JointChoice("pegs", direction=(0.0, 0.0, -1.0), clearance=3.0),
)


@pytest.mark.parametrize("choice", CHOICES)
def test_a_choice_keeps_every_digit(figure, choice):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    job = panel_job()
    said = take(replace(job, seams=(replace(job.seams[0], joint=choice),)))
    assert "rounded" not in said
    assert panel_job().seams[0].joint == choice
    # What is changed is as it was typed, and the rest stays.
    group = bpy.data.objects["Seam"].seamwright
    group.marks = not choice.marks
    assert panel_job().seams[0].joint == replace(choice, marks=not choice.marks)


def decided(group, number: random.Random) -> None:
    """Anything that a user can decide of a joint in the panel."""
    from blender_addon.joint_properties import FOOTPRINTS, KINDS, MAGNETS  # noqa: PLC0415

    group.joint = number.choice(KINDS)[0]
    group.footprint = number.choice(FOOTPRINTS)[0]
    group.count = number.randrange(7)
    group.width = number.choice([0.0, number.uniform(2, 30)])
    group.depth = number.choice([0.0, number.uniform(2, 30)])
    group.own_clearance = number.random() < 0.5
    group.clearance = number.choice([0.0, 0.15, number.random()])
    group.pegs_on = number.choice(["auto", "A", "B"])
    group.own_turn = number.random() < 0.5
    group.turn = number.uniform(-180, 180)
    group.magnet = number.choice(["auto", *MAGNETS])
    group.marks = number.random() < 0.5
    if group.is_joint:
        group.own_joint = number.random() < 0.5
        group.own_marks = number.random() < 0.5


@pytest.mark.parametrize("seed", range(20))
def test_panel_to_toml_to_panel_is_the_same_job(figure, tmp_path, seed):
    number = random.Random(seed)
    for height in (-50, 40):
        bpy.context.scene.cursor.location = (0, 0, height)
        bpy.ops.seamwright.add_seam(at="CURSOR")
        decided(active().seamwright, number)
        if number.random() < 0.5:
            bpy.ops.seamwright.add_direction()
            active().seamwright.direction.rotation_euler = [number.random() for _ in range(3)]
    for _ in range(number.randrange(3)):
        bpy.context.scene.cursor.location = [number.uniform(-30, 30) for _ in range(3)]
        bpy.ops.seamwright.add_rod(diameter=number.uniform(2, 9), length=number.uniform(20, 90))
        rod = active()
        rod.seamwright.own_clearance = number.random() < 0.5
        bpy.context.view_layer.objects.active = bpy.data.objects["Seam"]
    seam = panel_job().seams[0]
    one = JointAt(seam.name, number.choice([None, (1 / 3, 0.0, -50.0)]), JointChoice("magnets"))
    take(replace(panel_job(), joints=(one,)))
    decided(bpy.context.scene.objects["Seam joint"].seamwright, number)
    job = panel_job()
    assert job.joints[0].near == one.near
    assert job_from_toml(job_to_toml(job)) == job
    path = str(tmp_path / "keeper.toml")
    bpy.ops.seamwright.save_job(filepath=path)
    bpy.ops.seamwright.load_job(filepath=path)
    assert panel_job() == job


def test_what_is_not_for_a_kind_is_not_asked_for(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    group = active().seamwright
    group.footprint, group.width, group.pegs_on = "D", 12.0, "A"
    group.magnet, group.count = "10x2", 2
    assert panel_job().seams[0].joint == JointChoice(
        footprint="D", width=12.0, pegs_on="A", count=2
    )
    group.joint = "magnets"
    assert panel_job().seams[0].joint == JointChoice("magnets", magnet="10x2", count=2)
    group.joint = "plain"
    assert panel_job().seams[0].joint == JointChoice("plain")


def test_places_from_a_job_go_with_their_seam_and_can_be_forgotten(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    at = ((10.0, 0.0, 0.0), (-20.0, 5.0, 0.0))
    job = panel_job()
    take(replace(job, seams=(replace(job.seams[0], joint=JointChoice("pegs", at=at)),)))
    seam = bpy.data.objects["Seam"]
    seam.location.z += 7
    assert np.allclose(panel_job().seams[0].joint.at, np.add(at, (0, 0, 7)))
    bpy.context.view_layer.objects.active = seam
    seam.seamwright.count = 3
    with pytest.raises(BadInput, match=r"Joint of 'Seam': at has 2 places but count is 3"):
        panel_job()
    bpy.ops.seamwright.forget_places()
    assert panel_job().seams[0].joint == JointChoice("pegs", count=3)


def test_places_count_for_the_kind_they_were_given_for(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    at = ((10.0, 0.0, 0.0),)
    job = panel_job()
    take(replace(job, seams=(replace(job.seams[0], joint=JointChoice("pegs", at=at)),)))
    group = bpy.data.objects["Seam"].seamwright
    group.joint = "magnets"
    assert panel_job().seams[0].joint == JointChoice("magnets")
    group.joint = "pegs"
    assert panel_job().seams[0].joint == JointChoice("pegs", at=at)


def test_a_direction_is_an_arrow_that_can_be_turned_and_deleted(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seam = active()
    bpy.ops.seamwright.add_direction()
    arrow = seam.seamwright.direction
    assert arrow.empty_display_type == "SINGLE_ARROW"
    assert panel_job().seams[0].joint.direction == (0.0, 0.0, 1.0)
    assert "has its direction" in refused(bpy.ops.seamwright.add_direction)
    arrow.rotation_euler = (0.5, 0, 0)
    way = panel_job().seams[0].joint.direction
    assert np.allclose(way, (0, -np.sin(0.5), np.cos(0.5)), atol=1e-6)
    # The arrow being active, the panel shows its seam's joint.
    from blender_addon.scene import active_jointed, active_seam  # noqa: PLC0415

    bpy.context.view_layer.objects.active = arrow
    assert active_jointed(bpy.context) == active_seam(bpy.context) == seam
    bpy.data.objects.remove(arrow)
    assert panel_job().seams[0].joint.direction is None


def test_a_loaded_job_leaves_nothing_of_the_former_one(legs, counts):
    empty = panel_job()
    take(replace(empty, seams=(), joints=(), rods=()))
    before = counts()
    take(empty)
    bpy.context.view_layer.objects.active = bpy.data.objects["Seam"]
    bpy.ops.seamwright.add_direction()
    bpy.ops.seamwright.add_rod(along="SEAM", diameter=6)
    bpy.ops.seamwright.size_joints()
    bpy.ops.seamwright.override_joint(letter="B")
    bpy.ops.seamwright.add_direction()
    take(replace(empty, seams=(), joints=(), rods=()))
    # The materials are made once a file.
    now = counts()
    assert {**now, "materials": 0} == {**before, "materials": 0}


def test_a_printers_values_that_the_panel_does_not_show_survive(figure):
    from seamwright.printer import PrinterProfile, printer  # noqa: PLC0415

    job = panel_job()
    for profile in (
        PrinterProfile(name="mine", excluded=((0.0, 0.0, 20.0, 10.0),), speed=42.5, relief=0.125),
        printer("resin-218", price=33.1, layer_time=7.77, brim=1.5),
        PrinterProfile(name="round", shape="round", lift=2.0),
    ):
        take(replace(job, printer=profile))
        assert panel_job().printer == profile
    settings().profile = "filament-180"
    assert panel_job().printer == printer("filament-180")


def test_what_a_job_says_of_builds_survives_and_goes_with_renamed_seams(legs):
    from seamwright.build_choice import BuildChoice, Group  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    job = panel_job()
    assert job.builds == BuildChoice()
    builds = BuildChoice(
        gap=3.14159265358979, count=2, match=("Seam.001", "Seam"), groups=(Group("base", (1, 2)),)
    )
    take(replace(job, builds=builds))
    assert panel_job().builds == builds
    assert job_from_toml(job_to_toml(panel_job())) == panel_job()
    bpy.data.objects["Seam"].name = "knees"
    assert panel_job().builds == replace(builds, match=("Seam.001", "knees"))
    bpy.data.objects.remove(bpy.data.objects["Seam.001"])
    assert panel_job().builds == replace(builds, match=("knees",))
    take(job)
    assert panel_job().builds == BuildChoice()


# --- what is sized --------------------------------------------------------------------------


def test_joints_are_sized_and_listed_without_pieces(legs, contents):
    from blender_addon.scene import pieces_of  # noqa: PLC0415

    before = contents(legs.data)
    assert bpy.ops.seamwright.size_joints() == {"FINISHED"}
    assert contents(legs.data) == before and not pieces_of(legs, bpy.context.scene)
    joints = settings().joints
    assert [joint.name for joint in joints] == ["A", "B"]
    assert {joint.seam for joint in joints} == {"Seam"}
    assert all(joint.kind.startswith(("1 peg ", "2 pegs ")) for joint in joints)
    assert {joint.state for joint in joints} == {"holds"}
    said = joints[0].said
    for words in ("Between pieces", "least wall", "of ISO 286-1", "Joint A carries"):
        assert words in said
    assert "step" not in said and not settings().assembly
    assert "2 joints: 2 of 2 joints hold" in settings().joints_found
    assert np.allclose(sorted(joint.middle[0] for joint in joints), (-60, 60), atol=1e-3)
    assert all(np.isclose(joint.middle[2], 60, atol=1e-3) for joint in joints)


def test_made_pieces_list_their_joints_with_steps_and_strength(legs):
    bpy.ops.seamwright.make_pieces()
    joints = settings().joints
    assert [joint.name for joint in joints] == ["A", "B"]
    assert all("Closed by step" in joint.said for joint in joints)
    assert settings().assembly.count("\n") == 1 and "Slide piece" in settings().assembly
    assert "joints hold the figure's own weight" in settings().strength
    assert not settings().fights


def test_what_is_weak_says_what_would_hold(legs):
    settings().safety = 5000.0
    bpy.ops.seamwright.size_joints()
    assert {joint.state for joint in settings().joints} == {"weak"}
    assert all(joint.remedies for joint in settings().joints)
    for seam in [obj for obj in bpy.data.objects if obj.seamwright.is_seam]:
        seam.seamwright.joint = "plain"
    settings().safety = 1.0
    bpy.ops.seamwright.size_joints()
    assert {joint.state for joint in settings().joints} == {"plain"}
    assert {joint.kind for joint in settings().joints} == {"flat, glued"}


def test_a_click_selects_the_seam(legs):
    bpy.ops.seamwright.size_joints()
    bpy.context.view_layer.objects.active = legs
    settings().joint_index = 1
    assert active().name == "Seam" and active().select_get() and not legs.select_get()


def test_the_list_is_out_of_date_when_anything_it_depends_on_is_changed(legs):
    from blender_addon import redraw  # noqa: PLC0415
    from blender_addon.decisions import mark_of  # noqa: PLC0415
    from blender_addon.overlay import joints_to_draw  # noqa: PLC0415

    def fresh() -> bool:
        bpy.context.view_layer.update()
        redraw.begin()
        same = settings().joints_mark == mark_of(legs, bpy.context.scene)
        drawn = joints_to_draw(bpy.context)
        # What a width comes to can be told without sizing.
        is_told = seam.seamwright.width == 9.0
        assert (drawn is not None) == (same or is_told)
        assert not is_told or {joint.pegs[0].width for joint in drawn.joints} == {9.0}
        return same

    seam = bpy.data.objects["Seam"]
    bpy.ops.seamwright.size_joints()
    assert fresh()
    legs.hide_set(True)
    bpy.context.view_layer.objects.active = None
    seam.select_set(False)
    assert fresh()
    for group, key, value in (
        (seam, "location", (0, 0, 61)),
        (seam.seamwright, "width", 9.0),
        (settings(), "clearance", 0.25),
        (legs.seamwright, "size", "SCALE"),
        (seam.seamwright, "reach", "regions"),
    ):
        was = getattr(group, key)
        was = tuple(was) if key == "location" else was
        setattr(group, key, value)
        assert not fresh(), key
        setattr(group, key, was)
        assert fresh(), key
    legs.hide_set(False)
    legs.data.vertices[0].co.z += 1
    legs.data.update()
    assert not fresh()


def test_what_cannot_be_sized_is_said_in_the_panel(figure):
    assert "has no seam" in refused(bpy.ops.seamwright.size_joints)
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    active().seamwright.joint, active().seamwright.width = "pegs", 95.0
    said = refused(bpy.ops.seamwright.size_joints)
    assert "would fit" in said
    assert settings().joints_found == said and not settings().joints


def test_a_forced_width_says_where_no_wall_is_left_and_what_would_fit(figure):
    from blender_addon.overlay import places_to_draw  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.size_joints()
    assert not places_to_draw(bpy.context)
    active().seamwright.width = 95.0
    said = refused(bpy.ops.seamwright.size_joints)
    first, second = settings().joints_found.splitlines()
    assert said == first and "cannot have pegs of 95 mm" in said and "would fit" in said
    assert second.startswith("Joint A would leave no wall at (")
    # The joint's own place, and on the rim of the figure's section where its wall would be.
    middle, thin = places_to_draw(bpy.context)
    assert np.allclose(middle, (0, 0, 0), atol=1e-3)
    assert abs(thin.z) < 1e-3 and max(abs(thin.x), abs(thin.y)) > 50


# --- automatic or given -----------------------------------------------------------------------


def test_a_tick_tells_what_is_given_and_starts_with_what_was_chosen(legs):
    group = bpy.data.objects["Seam"].seamwright
    assert not (group.own_count or group.own_width or group.own_depth)
    group.own_width = group.own_count = group.own_depth = True
    assert (group.count, group.width, group.depth) == (1, 8.0, 8.0)
    group.own_width = group.own_count = group.own_depth = False
    assert panel_job().seams[0].joint == JointChoice()
    bpy.context.view_layer.objects.active = bpy.data.objects["Seam"]
    bpy.ops.seamwright.size_joints()
    kinds = {joint.kind for joint in settings().joints}
    for key in ("own_count", "own_width", "own_depth"):
        setattr(group, key, True)
        setattr(group, key, True)
    assert group.width > 8 and kinds == {f"{library_count(group.count)} {group.width:.1f}"}
    bpy.ops.seamwright.size_joints()
    assert {joint.kind for joint in settings().joints} == kinds
    # A value typed is given, and 0 leaves it open again, as in files from before.
    group.width = 0.0
    assert not group.own_width and panel_job().seams[0].joint.width is None


def library_count(count: int) -> str:
    return "1 peg" if count == 1 else f"{count} pegs"


def test_the_panel_tells_what_was_chosen_where_nothing_is_given(legs):
    from blender_addon.joint_panels import automatic  # noqa: PLC0415

    seam = bpy.data.objects["Seam"]
    assert automatic(seam, "width") == "Automatic"
    bpy.ops.seamwright.size_joints()
    wide = float(settings().joints[0].kind.split()[-1])
    assert automatic(seam, "width") == f"Automatic: {wide:.1f}"
    assert automatic(seam, "count") == f"Automatic: {settings().joints[0].kind[0]}"
    bpy.ops.seamwright.override_joint(letter="A")
    assert automatic(active(), "width") == f"As Seam: {wide:.1f}"
    # Of other seams it is not known.
    seam.location.z += 5
    assert automatic(seam, "width") == "Automatic"


def test_one_joint_can_be_automatic_and_marked_where_its_seam_is_not(legs):
    seam = bpy.data.objects["Seam"].seamwright
    bpy.ops.seamwright.size_joints()
    bpy.ops.seamwright.override_joint(letter="B")
    seam.joint, seam.marks = "plain", False
    group = active().seamwright
    assert not group.own_joint and not group.own_marks
    assert panel_job().joints[0].choice == JointChoice()
    bpy.ops.seamwright.size_joints()
    assert {joint.kind for joint in settings().joints} == {"flat, glued"}
    before = settings().joints_mark
    group.own_joint = group.own_marks = True
    assert panel_job().joints[0].choice == JointChoice(firm=("kind", "marks"))
    bpy.ops.seamwright.size_joints()
    assert settings().joints_mark != before
    kinds = {joint.name: joint.kind for joint in settings().joints}
    assert "peg" in kinds["B"] and kinds["A"] == "flat, glued"
    # It comes back from its job, and unticked it is as its seam again.
    take(panel_job())
    group = bpy.data.objects["Seam joint"].seamwright
    assert group.own_joint and group.own_marks
    group.own_joint = group.own_marks = False
    assert panel_job().joints[0].choice == JointChoice()
    # Who picks a kind means it.
    group.joint = "magnets"
    group.joint = "auto"
    assert group.own_joint and panel_job().joints[0].choice.firm == ("kind",)


def test_a_kind_in_a_file_from_before_the_tick_is_its_own(legs):
    bpy.ops.seamwright.size_joints()
    bpy.ops.seamwright.override_joint(letter="B")
    group = active().seamwright
    group.joint, group.marks = "magnets", False
    group.kind_said = group.marks_said = False
    assert group.own_joint and group.own_marks
    assert panel_job().joints[0].choice == JointChoice("magnets", marks=False)


# --- one joint for itself -------------------------------------------------------------------


def test_a_joint_decided_for_itself(legs):
    bpy.ops.seamwright.size_joints()
    middles = {joint.name: tuple(joint.middle) for joint in settings().joints}
    bpy.ops.seamwright.override_joint(letter="B")
    empty = active()
    assert empty.seamwright.is_joint and np.allclose(empty.location, middles["B"], atol=1e-3)
    assert panel_job().joints == (JointAt("Seam", tuple(np.round(middles["B"], 3)), JointChoice()),)
    assert "is decided by 'Joint B of Seam' already" in refused(
        bpy.ops.seamwright.override_joint, letter="B"
    )
    empty.seamwright.joint = "magnets"
    bpy.ops.seamwright.size_joints()
    kinds = {joint.name: joint.kind for joint in settings().joints}
    assert "peg" in kinds["A"] and "magnet" in kinds["B"]
    # It is deleted like any object.
    bpy.data.objects.remove(empty)
    assert panel_job().joints == ()
    bpy.ops.seamwright.override_joint(letter="A")
    bpy.data.objects["Seam"].location.z += 1
    assert "size them again" in refused(bpy.ops.seamwright.override_joint, letter="B")


def test_undo_takes_back_a_joint_decided_for_itself(legs):
    bpy.ops.seamwright.size_joints()
    bpy.ops.ed.undo_push(message="sized")
    before = panel_job()
    bpy.ops.seamwright.override_joint(*UNDO, letter="A")
    assert len(panel_job().joints) == 1
    bpy.ops.ed.undo()
    assert panel_job() == before
    bpy.ops.ed.redo()
    assert len(panel_job().joints) == 1


def test_a_joint_goes_with_its_seam_if_that_is_deleted(legs):
    bpy.ops.seamwright.size_joints()
    bpy.ops.seamwright.override_joint(letter="A")
    bpy.data.objects.remove(bpy.data.objects["Seam"])
    assert panel_job().joints == ()


def test_joints_of_a_scaled_figure_are_where_they_are(legs):
    legs.seamwright.size, legs.seamwright.scale = "SCALE", 0.5
    bpy.ops.seamwright.size_joints()
    assert np.allclose(sorted(j.middle[0] for j in settings().joints), (-60, 60), atol=1e-3)
    bpy.ops.seamwright.override_joint(letter="A")
    assert np.allclose(np.array(active().location) / 2, panel_job().joints[0].near, atol=1e-3)
