"""Pieces in the scene: what stays the same object, what is put right, where they lie."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")
from mathutils import Vector  # noqa: E402

from seamwright.shapes import box, sphere  # noqa: E402

UNDO = "EXEC_DEFAULT", True


@pytest.fixture
def figure(scene, add):
    """A post of 60 x 60 x 400 mm in three pieces."""
    obj = add(box(60, 60, 400))
    bpy.ops.seamwright.use_selected()
    for z in (130, 260):
        seam_at(z)
    return obj


def seam_at(z: float):
    bpy.context.scene.cursor.location = (0, 0, z)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    return bpy.context.view_layer.objects.active


def make() -> list:
    assert bpy.ops.seamwright.make_pieces() == {"FINISHED"}
    return pieces()


def pieces() -> list:
    from blender_addon.scene import pieces_of  # noqa: PLC0415

    return pieces_of(bpy.context.scene.seamwright.figure, bpy.context.scene)


def seams() -> list:
    from blender_addon.scene import seams_of  # noqa: PLC0415

    return seams_of(bpy.context.scene.seamwright.figure, bpy.context.scene)


def heights(obj) -> tuple[float, float]:
    """The lowest and the highest point of an object in the scene, mm."""
    bpy.context.view_layer.update()
    z = [(obj.matrix_world @ v.co).z for v in obj.data.vertices]
    return round(min(z), 3), round(max(z), 3)


def solid(data) -> bytes:
    """What a mesh is as a solid: its vertices, its faces, and the seams that these are of."""
    parts = (
        (data.vertices, "co", 3, np.float32),
        (data.loops, "vertex_index", 1, np.int32),
        (data.polygons, "loop_start", 1, np.int32),
        (data.attributes["seam"].data, "value", 1, np.int32),
    )
    out = b""
    for elements, key, width, kind in parts:
        values = np.empty(len(elements) * width, dtype=kind)
        elements.foreach_get(key, values)
        out += values.tobytes()
    return out


def shown() -> list:
    """All that a piece in the scene is, from the ground up."""
    bpy.context.view_layer.update()
    return [
        (
            obj.name, obj.seamwright.number, solid(obj.data),
            [tuple(row) for row in obj.matrix_world], [m.name for m in obj.data.materials],
        )
        for obj in pieces()
    ]  # fmt: skip


# --- only what changed ------------------------------------------------------------------------


def test_only_pieces_that_changed_are_made_anew(figure):
    first = make()
    gold = bpy.data.materials.new("gold")
    for obj in first:
        obj.data.materials.clear()
        obj.data.materials.append(gold)
        obj.data.uv_layers.new(name="mine")
        obj["note"] = obj.seamwright.number
    first[0].hide_set(True)
    first[1].select_set(True)
    first[2].select_set(True)
    meshes, solids = [obj.data for obj in first], [solid(obj.data) for obj in first]
    seams()[1].location.z += 10
    again = make()
    assert again == first and [obj["note"] for obj in again] == [1, 2, 3]
    assert again[0].data == meshes[0] and again[0].data.uv_layers.keys() == ["mine"]
    # The seam's own two pieces have new meshes, in the materials that they had.
    assert [len(obj.data.uv_layers) for obj in again] == [1, 0, 0]
    assert [list(obj.data.materials) for obj in again] == [[gold]] * 3
    assert [solid(obj.data) == was for obj, was in zip(again, solids, strict=True)] == [
        True, False, False,
    ]  # fmt: skip
    assert [obj.hide_get() for obj in again] == [True, False, False]
    assert [obj.select_get() for obj in again[1:]] == [True, True]
    assert len(bpy.data.meshes) == 1 + len(seams()) + 3


def test_numbers_and_names_follow_the_pieces_and_a_name_given_stays(figure):
    low, middle, high = make()
    high.name = "Head"
    low.seamwright.printed = middle.seamwright.printed = True
    meshes = [low.data, middle.data, high.data]
    # A seam near the top of the lowest piece: what is left of it is it, and all else moves up.
    seam_at(100)
    now = make()
    assert [obj.name for obj in now] == [
        "Keeper piece-01", "Keeper piece-02", "Keeper piece-03", "Head",
    ]  # fmt: skip
    assert [now[0], now[2], now[3]] == [low, middle, high] and now[1] not in (low, middle, high)
    assert [obj.data.name for obj in now] == [f"Keeper piece-0{n}" for n in (1, 2, 3, 4)]
    assert [now[2].data, now[3].data] == meshes[1:]
    # A tick stays with its solid, whatever its number, and not with what was taken smaller.
    assert [obj.seamwright.printed for obj in now] == [False, False, True, False]
    bpy.ops.seamwright.plan_builds()
    assert [bool(obj.seamwright.build) for obj in pieces()] == [True, True, False, True]
    # And back: the smaller part goes, the larger is the whole again.
    bpy.data.objects.remove(seams()[2])
    assert make() == [low, middle, high]
    assert [obj.name for obj in pieces()] == ["Keeper piece-01", "Keeper piece-02", "Head"]


def test_builds_stay_planned_if_no_piece_changed(figure):
    from blender_addon.decisions import builds_mark  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    make()
    bpy.ops.seamwright.plan_builds()
    planned = settings.builds_found
    make()
    assert planned and settings.builds_found == planned and len(settings.builds)
    assert settings.builds_mark == builds_mark(figure, bpy.context.scene)
    seams()[1].location.z += 10
    make()
    assert not settings.builds_found and not len(settings.builds)
    assert [obj.seamwright.build for obj in pieces()] == [0, 0, 0]


def test_pieces_that_meet_are_of_different_colours(figure):
    def apart():
        now = pieces()
        colours = [obj.data.materials[0].name for obj in now]
        return len(now), all(a != b for a, b in pairwise(colours))

    make()
    for count, z in enumerate((65, 195, 325, 100, 30, 230, 290, 360, 160), start=4):
        seam_at(z)
        make()
        assert apart() == (count, True)


def test_seam_faces_and_pegs_keep_their_edges(figure):
    for obj in make():
        data = obj.data
        normals = np.empty(3 * len(data.loops), dtype=np.float32)
        data.corner_normals.foreach_get("vector", normals)
        own = np.repeat([polygon.normal for polygon in data.polygons], 3, axis=0)
        off = np.linalg.norm(normals.reshape(-1, 3) - own, axis=1).reshape(-1, 3).max(axis=1)
        of_seam = np.array([value.value > 0 for value in data.attributes["seam"].data])
        assert off[of_seam].max() < 1e-3 and of_seam.any()
        assert off[~of_seam].max() > 0.1


@pytest.mark.parametrize("far", [(0, 0, 0), (5000, 0, 0)])
def test_pieces_go_with_a_figure_that_is_moved(figure, far):
    first = make()
    first[1].seamwright.printed = True
    figure.location = Vector(far) + Vector((7, 3, 0))
    for seam in seams():
        seam.location += figure.location
    bpy.context.view_layer.update()
    assert make() == first
    assert [round(v) for v in first[1].matrix_world.translation[:2]] == [
        round(c + 30) for c in figure.location[:2]
    ]
    assert [obj.seamwright.printed for obj in first] == [False, True, False]


# --- put right ----------------------------------------------------------------------------------


def spoil_deleted(obj):
    bpy.data.objects.remove(obj)


def spoil_moved(obj):
    obj.location, obj.scale, obj.rotation_mode = (9, 9, 9), (2, -3, 1), "QUATERNION"
    obj.rotation_quaternion = (0.5, 0.5, 0.5, 0.5)
    obj.delta_location, obj.delta_scale = (1, 2, 3), (2, 2, 2)
    obj.delta_rotation_euler = (1, 0, 0)


def spoil_edited(obj):
    obj.data.vertices[0].co.x += 0.001


def spoil_emptied(obj):
    obj.data.clear_geometry()


def spoil_turned(obj):
    obj.data.flip_normals()


def spoil_untagged(obj):
    obj.data.attributes.remove(obj.data.attributes["seam"])


def spoil_joined(obj):
    others = [other for other in pieces() if other != obj]
    with bpy.context.temp_override(active_object=obj, selected_editable_objects=[obj, *others]):
        bpy.ops.object.join()
    assert len(pieces()) == 1


def spoil_converted(obj):
    obj.data.clear_geometry()
    obj.data.from_pydata([(0, 0, 0), (0, 0, 9)], [(0, 1)], [])
    bpy.context.view_layer.objects.active = obj
    for other in bpy.context.view_layer.objects.selected:
        other.select_set(False)
    obj.select_set(True)
    bpy.ops.object.convert(target="CURVE")
    assert obj.type == "CURVE" and obj in pieces()


def spoil_doubled(obj):
    twin = obj.copy()
    twin.data = obj.data.copy()
    obj.users_collection[0].objects.link(twin)
    assert len(pieces()) == 4


def spoil_unlinked(obj):
    bpy.context.scene.collection.objects.link(obj)
    bpy.data.collections["Pieces of Keeper"].objects.unlink(obj)


def spoil_given_the_mesh_of_another(obj):
    obj.data = next(other for other in pieces() if other != obj).data


def spoil_numbered(obj):
    obj.seamwright.number = 7


def spoil_edit_mode(obj):
    bpy.context.view_layer.objects.active = obj
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.transform.translate(value=(5, 0, 0))


def spoil_sculpted(obj):
    bpy.context.view_layer.objects.active = obj
    obj.data.vertices[0].co.x += 1
    bpy.ops.object.mode_set(mode="SCULPT")


SPOILT = {
    name.removeprefix("spoil_"): act
    for name, act in dict(globals()).items()
    if name.startswith("spoil_")
}


def there() -> dict[str, int]:
    """How many of each are in use: what a test removes leaves its mesh without a user."""
    return {
        kind: sum(bool(one.users) for one in getattr(bpy.data, kind))
        for kind in ("objects", "meshes", "curves")
    } | {"collections": len(bpy.data.collections)}


@pytest.mark.parametrize("what", SPOILT)
@pytest.mark.parametrize("which", [0, 1])
def test_whatever_was_done_to_a_piece_is_put_right(figure, what, which):
    make()
    wanted, before = shown(), there()
    SPOILT[what](pieces()[which])
    now = make()
    for was, found in zip(wanted, shown(), strict=True):
        assert found[:4] == was[:4] and found[4]
    assert there() == before
    assert all("Pieces of Keeper" in [c.name for c in obj.users_collection] for obj in now)


def test_what_a_piece_hangs_on_stays_and_the_piece_is_in_its_place(figure):
    make()
    wanted = [row[3] for row in shown()]
    handle = bpy.data.objects.new("Handle", None)
    bpy.context.scene.collection.objects.link(handle)
    handle.location, handle.rotation_euler = (100, 20, 3), (0.3, 0, 1)
    for obj in pieces():
        obj.parent = handle
    make()
    assert [obj.parent for obj in pieces()] == [handle] * 3
    assert np.allclose([row[3] for row in shown()], wanted, atol=1e-4)


def test_planning_and_writing_put_right_what_is_missing(figure, tmp_path):
    make()
    twin = pieces()[2].copy()
    pieces()[2].users_collection[0].objects.link(twin)
    bpy.data.objects.remove(pieces()[0])
    bpy.ops.seamwright.plan_builds()
    assert [obj.seamwright.number for obj in pieces()] == [1, 2, 3]
    bpy.data.objects.remove(pieces()[1])
    bpy.ops.seamwright.write_files(directory=str(tmp_path))
    assert [obj.seamwright.number for obj in pieces()] == [1, 2, 3]


def test_undo_and_redo_find_all_again(figure):
    make()
    bpy.ops.ed.undo_push(message="made")
    one = shown()
    seams()[1].location.z += 20
    bpy.ops.ed.undo_push(message="moved")
    bpy.ops.seamwright.make_pieces(*UNDO)
    two = shown()
    assert two != one and two[0] == one[0]
    bpy.ops.ed.undo()
    assert shown() == one
    bpy.ops.seamwright.make_pieces()
    assert shown() == two
    bpy.ops.ed.undo_push(message="made again")
    bpy.ops.ed.undo()
    bpy.ops.ed.undo()
    assert shown() == one
    make()
    assert shown() == one
    bpy.ops.seamwright.add_seam(*UNDO, at="MIDDLE", axis="X")
    bpy.ops.seamwright.make_pieces(*UNDO)
    assert len(pieces()) == 6
    bpy.ops.ed.undo()
    bpy.ops.ed.undo()
    make()
    assert shown() == one


# --- size ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("length", "size"), [(0.001, 2.5), (0.01, 0.125), (1.0, 0.004)])
def test_pieces_lie_where_the_figure_its_joints_and_its_places_do(figure, length, size):
    from blender_addon import overlay  # noqa: PLC0415

    scene = bpy.context.scene
    scene.unit_settings.scale_length = length
    figure.seamwright.size, figure.seamwright.scale = "SCALE", size
    scene.seamwright.profile = "filament-300"
    if length == 0.001:
        scene.seamwright.build_volume = (500, 500, 500)
    times = 1000 * length * size
    now = make()
    assert heights(now[0])[0] == pytest.approx(0, abs=1e-3)
    assert heights(now[2])[1] == pytest.approx(400, abs=1e-3)
    for obj in now:
        z = [v.co.z for v in obj.data.vertices]
        # Meshes are at true size, in the scene's unit.
        tall = heights(obj)[1] - heights(obj)[0]
        assert max(z) - min(z) == pytest.approx(tall * size, rel=1e-5)
        assert tuple(obj.scale) == pytest.approx((1 / size,) * 3, rel=1e-6)
    assert f"at true size they are {size:g} times as large" in scene.seamwright.pieces_found
    joint = scene.seamwright.joints[0]
    assert tuple(joint.middle)[2] == pytest.approx(130, abs=1e-3)
    (place,) = overlay.places_in(f"at (0.0, 0.0, {130 * times:.1f}) mm", figure, scene)
    assert place.z == pytest.approx(130, abs=0.5)
    # Apart by the figure's own measure too, and back.
    rest = [obj.location.z for obj in now]
    group = now[0].users_collection[0].seamwright
    group.explode = 1.0
    assert now[2].location.z - now[0].location.z == pytest.approx(2 * (rest[2] - rest[0]))
    group.explode = 0.0
    assert [obj.location.z for obj in now] == pytest.approx(rest)
    bpy.ops.seamwright.make_pieces()
    assert pieces() == now


def test_places_of_a_turned_figure_with_a_target_height_are_where_they_say(scene, add):
    from blender_addon import overlay  # noqa: PLC0415

    figure = add(sphere(100))
    figure.rotation_euler = (0.6, 0.6, 0)
    bpy.ops.seamwright.use_selected()
    # Its box is higher than the ball in it.
    figure.seamwright.size, figure.seamwright.target_height = "HEIGHT", 240.0
    scene.cursor.location = (0, 0, 30)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    make()
    (place,) = overlay.places_in("at (0.0, 0.0, 120.0) mm", figure, scene)
    top = max(heights(obj)[1] for obj in pieces())
    assert place.z == pytest.approx(top, abs=0.2)


def test_at_its_own_size_nothing_is_said_of_size(figure):
    now = make()
    assert all(tuple(obj.scale) == (1, 1, 1) for obj in now)
    assert "true size" not in bpy.context.scene.seamwright.pieces_found


def test_pieces_stay_in_place_when_the_figures_size_changes(figure):
    first = make()
    before = [heights(obj) for obj in first]
    figure.seamwright.size, figure.seamwright.target_height = "HEIGHT", 440.0
    assert make() == first
    for was, obj in zip(before, first, strict=True):
        assert heights(obj) == pytest.approx(was, abs=15)
    assert heights(first[0])[0] == 0 and heights(first[2])[1] == pytest.approx(400, abs=1e-3)


# --- out of date -------------------------------------------------------------------------------


def test_pieces_are_up_to_date_again_when_the_decisions_are_what_they_were(figure):
    from blender_addon import handlers  # noqa: PLC0415
    from blender_addon.decisions import mark_of  # noqa: PLC0415

    settings = bpy.context.scene.seamwright

    def is_new():
        bpy.context.view_layer.update()
        # The active seam is followed, as while it is dragged.
        handlers.follow(bpy.context)
        return settings.pieces_mark == mark_of(figure, bpy.context.scene)

    def change(group, key, value):
        was = getattr(group, key)
        was = was if isinstance(was, (str, float)) else tuple(was)
        setattr(group, key, value)
        assert not is_new(), key
        setattr(group, key, was)
        assert is_new(), key

    make()
    figure.hide_set(False)
    seam = seams()[0]
    bpy.context.view_layer.objects.active = seam
    assert is_new()
    change(seam, "location", (0, 0, 140))
    change(seam, "rotation_euler", (0.1, 0, 0))
    change(seam.seamwright, "joint", "plain")
    change(seam.seamwright, "reach", "nearest")
    change(figure.seamwright, "size", "SCALE")
    change(figure, "location", (1, 0, 0))
    change(settings, "wall", 4.0)
    assert bpy.ops.seamwright.add_seam(at="MIDDLE") == {"FINISHED"} and not is_new()
    bpy.data.objects.remove(seams()[2])
    assert is_new()


# --- memory --------------------------------------------------------------------------------------


def test_ten_makings_leave_nothing_behind(figure, counts):
    make()
    before = counts()
    for _ in range(5):
        for step in (10, -10):
            seams()[0].location.z += step
            make()
    assert counts() == before


def test_what_is_kept_is_let_go_of(figure, registered, tmp_path):
    from blender_addon.pieces import _kept  # noqa: PLC0415

    make()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "a.blend"))
    assert _kept
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "a.blend"))
    assert not _kept
    first = pieces()
    meshes = [obj.data for obj in first]
    # What was made before the file was closed is found again in it.
    assert make() == first and [obj.data for obj in first] == meshes
    registered.unregister()
    try:
        assert not _kept
    finally:
        registered.register()


def test_warnings_are_told_once(figure):
    right = [v.index for v in figure.data.vertices if v.co.x > 1]
    figure.vertex_groups.new(name="face").add(right, 1.0, "REPLACE")
    item = figure.seamwright.keep_clear.add()
    item.kind, item.source = "vertex_group", "face"
    make()
    said = bpy.data.texts["Seamwright report"].as_string().splitlines()
    crossing = [line for line in said if "crosses the keep-clear area" in line]
    assert len(crossing) == len(set(crossing)) == 2
    assert math.isclose(len(bpy.context.scene.seamwright.joints), 2)
