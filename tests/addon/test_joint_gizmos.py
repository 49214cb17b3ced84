"""Handles on joints: where they are, what dragging one decides, and that all of it is undone."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from mathutils import Matrix, Vector  # noqa: E402

from seamwright.choice import JointChoice  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.shapes import box, moved  # noqa: E402

UNDO = "EXEC_DEFAULT", True


def settings():
    return bpy.context.scene.seamwright


def active():
    return bpy.context.view_layer.objects.active


def seam():
    return bpy.data.objects["Seam"]


def handles():
    from blender_addon import joint_handles, redraw  # noqa: PLC0415

    redraw.begin()
    return {(h.what, h.letter, h.number): h for h in joint_handles.handles_of(bpy.context)}


def drawn():
    from blender_addon import redraw  # noqa: PLC0415
    from blender_addon.overlay import joints_to_draw  # noqa: PLC0415

    redraw.begin()
    return joints_to_draw(bpy.context)


def choice() -> JointChoice:
    from blender_addon.choices import choice_of  # noqa: PLC0415

    return choice_of(active(), bpy.context.scene, 1.0)


def drag(what, value=0.0, place=(0.0, 0.0), letter="A", number=0):
    return bpy.ops.seamwright.drag_joint(
        *UNDO, what=what, letter=letter, number=number, value=value, place=place
    )


def refused(**options) -> str:
    with pytest.raises(RuntimeError) as raised:
        bpy.ops.seamwright.drag_joint(**options)
    said = str(raised.value).strip()
    assert said.startswith("Error: ") and "Traceback" not in said
    return said.removeprefix("Error: ")


@pytest.fixture
def bar(scene, add):
    """A bar of 160 by 60 mm with one level seam, which has two pegs."""
    obj = add(moved(box(160, 60, 200), (-80, -30, -100)))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.size_joints()
    bpy.ops.ed.undo_push(message="sized")
    return obj


@pytest.fixture
def legs(scene, add):
    """Two legs on one body, which a level seam parts at both."""
    parts = [moved(box(200, 100, 100), (-100, -50, 200))]
    parts += [moved(box(70, 70, 220), (x - 35, -35, 0)) for x in (-60, 60)]
    starts = np.cumsum([0, *(len(p.vertices) for p in parts)])[:-1]
    faces = np.concatenate([p.faces + s for p, s in zip(parts, starts, strict=True)])
    obj = add(Mesh.of(np.concatenate([p.vertices for p in parts]), faces))
    bpy.ops.seamwright.use_selected()
    settings().profile = "filament-300"
    bpy.context.scene.cursor.location = (0, 0, 60)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    bpy.ops.seamwright.size_joints()
    return obj


# --- where they are -------------------------------------------------------------------------


def test_each_handle_stands_where_its_peg_is(bar):
    found = handles()
    (joint,) = drawn().joints
    assert len(joint.pegs) == 2
    assert set(found) == {
        ("width", "A", 0), ("depth", "A", 0), ("turn", "A", 0), ("place", "A", 0),
        ("place", "A", 1),
    }  # fmt: skip
    first = joint.pegs[0]
    middle = found["place", "A", 0].matrix.translation
    corners = joint.frame.to_world(first.outline)
    assert np.abs(corners - np.array(middle)).max() <= 0.71 * first.width
    wide, deep = found["width", "A", 0], found["depth", "A", 0]
    assert math.isclose((wide.matrix.translation - middle).length, first.width / 2, rel_tol=1e-5)
    assert abs(wide.matrix.col[2].to_3d().dot(Vector((0, 0, 1)))) < 1e-6
    assert np.allclose(deep.matrix.col[2].to_3d(), joint.into, atol=1e-6)
    assert math.isclose(deep.matrix.translation.z, joint.into[2] * first.depth, rel_tol=1e-5)
    assert (wide.value, deep.value) == (first.width, first.depth)
    for handle in found.values():
        assert math.isclose(handle.matrix.to_3x3().determinant(), 1.0, rel_tol=1e-5)


def test_handles_show_where_joints_are_shown(bar):
    assert handles()
    settings().show_joints = False
    assert not handles()
    settings().show_joints = True
    bpy.context.view_layer.objects.active = bar
    assert not handles()
    bpy.context.view_layer.objects.active = seam()
    seam().location.z += 3
    bpy.context.view_layer.update()
    assert not handles()
    assert "size the joints again" in refused(what="width", letter="A", value=9.0)


def test_what_cannot_be_dragged_has_no_handle(bar):
    every = {"width", "depth", "turn", "place"}
    for kind, wanted in (("plain", set()), ("magnets", {"place"}), ("loose pegs", every)):
        seam().seamwright.joint = kind
        bpy.ops.seamwright.size_joints()
        assert {what for what, _letter, _number in handles()} == wanted
    seam().seamwright.joint, seam().seamwright.footprint = "pegs", "section"
    bpy.ops.seamwright.size_joints()
    assert {what for what, _letter, _number in handles()} == {"depth"}


def test_handles_of_a_scaled_figure_stand_on_it(bar):
    before = {key: handle.matrix.translation.copy() for key, handle in handles().items()}
    bar.seamwright.size, bar.seamwright.scale = "SCALE", 0.5
    bpy.ops.seamwright.size_joints()
    found = handles()
    places = [h.matrix.translation for key, h in found.items() if key[0] == "place"]
    assert places and all(abs(p.x) < 80 and abs(p.y) < 30 for p in places)
    one = found["width", "A", 0]
    span = (one.matrix.translation - found["place", "A", 0].matrix.translation).length
    assert math.isclose(span * 0.5, one.value / 2, rel_tol=1e-4) and before


def test_a_seam_with_several_joints_moves_them_all_and_one_joint_itself(legs):
    keys = {key[:2] for key in handles()}
    assert keys == {(what, letter) for what in ("width", "depth", "turn") for letter in "AB"}
    drag("width", 12.0)
    assert {joint.pegs[0].width for joint in drawn().joints} == {12.0}
    bpy.ops.seamwright.override_joint(letter="B")
    assert {letter for _what, letter, _number in handles()} == {"B"}
    drag("depth", 7.0, letter="B")
    deep = {joint.letter: joint.pegs[0].depth for joint in drawn().joints}
    assert deep["B"] == 7.0 != deep["A"] and active().seamwright.depth == 7.0
    assert "has no joint A" in refused(what="width", letter="A", value=9.0)
    bpy.context.view_layer.objects.active = seam()
    assert {key[:2] for key in handles()} == {
        (what, "A") for what in ("width", "depth", "turn", "place")
    }


# --- what dragging decides ------------------------------------------------------------------


def test_dragged_sizes_are_decided_sized_and_undone(bar):
    group = seam().seamwright
    before = settings().joints[0].kind
    assert drag("width", 11.0) == {"FINISHED"}
    assert group.own_width and math.isclose(group.width, 11.0)
    assert settings().joints[0].kind.endswith(" 11.0") and "hold" in settings().joints_found
    drag("depth", 9.5)
    drag("turn", 190.0)
    now = choice()
    assert (now.width, now.depth, now.turn) == (11.0, 9.5, -170.0)
    (joint,) = drawn().joints
    assert joint.pegs[0].depth == 9.5
    for _ in range(3):
        bpy.ops.ed.undo()
    assert choice() == JointChoice() and settings().joints[0].kind == before
    # What was drawn then is drawn again.
    assert f"{drawn().joints[0].pegs[0].width:.1f}" == before.split()[-1]
    bpy.ops.ed.redo()
    assert choice().width == 11.0 and drawn().joints[0].pegs[0].width == 11.0


def test_a_peg_goes_where_it_is_dragged_and_with_its_seam(bar):
    drag("depth", 8.0)
    was = np.array([h.matrix.translation for k, h in handles().items() if k[0] == "place"])
    drag("place", place=(35.5, 4.25))
    now = choice()
    assert now.at[0] == (35.5, 4.25, 0.0) and np.allclose(now.at[1], was[1], atol=1e-3)
    assert np.allclose(handles()["place", "A", 0].matrix.translation, (35.5, 4.25, 0), atol=1e-4)
    seam().location.z += 10
    bpy.context.view_layer.update()
    assert choice().at[0] == (35.5, 4.25, 10.0)
    bpy.ops.seamwright.forget_places()
    assert choice() == JointChoice(depth=8.0)


def test_a_place_counts_for_the_kind_it_was_dragged_with(bar):
    drag("place", place=(35.0, 0.0))
    group = seam().seamwright
    assert len(choice().at) == 2
    group.joint = "loose pegs"
    assert not choice().at
    bpy.ops.seamwright.size_joints()
    drag("place", place=(30.0, 0.0))
    assert choice().kind == "loose pegs" and choice().at[0][:2] == (30.0, 0.0)


def test_nothing_is_dragged_farther_than_it_can_go(bar, capfd):
    def said() -> str:
        return capfd.readouterr().out

    drag("width", 500.0)
    wide = choice().width
    assert 20 < wide < 60 and "is the widest that leaves 3 mm of wall" in said()
    assert settings().joints[0].state == "holds"
    drag("width", 0.1)
    assert choice().width == 2.41 and "is the thinnest peg that prints sound" in said()
    assert settings().joints[0].kind.endswith("2.4")
    drag("width", 10.0)
    drag("depth", -4.0)
    assert choice().depth == 1.0 and "is the shallowest peg" in said()
    drag("depth", 1e4)
    assert 20 < choice().depth < 100 and "as deep as a draft of 1° lets it go" in said()
    drag("depth", 8.0)
    said()
    drag("place", place=(500.0, 9.0))
    x, y, _z = choice().at[0]
    assert 60 < x < 80 and math.isclose(y, 9.0, abs_tol=0.01)
    assert "no nearer to the rim, where 3 mm of wall are wanted" in said()
    assert "hold" in settings().joints_found


def test_what_has_no_room_is_said_and_can_be_dragged_back(bar, capfd):
    from blender_addon.decisions import mark_of  # noqa: PLC0415
    from blender_addon.overlay import places_to_draw  # noqa: PLC0415

    drag("width", 14.0)
    drag("depth", 8.0)
    drag("place", place=(10.0, 0.0), number=0)
    drag("place", place=(0.0, 0.0), number=1)
    out = capfd.readouterr().out
    assert "Warning: Place of peg 2: 0.00, 0.00 mm. Joint A (seam 'Seam'" in out
    first, second = settings().joints_found.splitlines()
    assert "would fit" in first and second.startswith("Joint A would leave no wall at (")
    # The list stays, out of date; the pegs are drawn where they were put; the place is marked.
    assert settings().joints and settings().joints_mark != mark_of(bar, bpy.context.scene)
    assert len(places_to_draw(bpy.context)) == 2 and drawn().weak == {"A"}
    assert np.allclose(handles()["place", "A", 1].matrix.translation, (0, 0, 0), atol=1e-4)
    drag("place", place=(-40.0, 0.0), number=1)
    assert settings().joints_mark == mark_of(bar, bpy.context.scene)
    assert "hold" in settings().joints_found


def test_where_sizing_is_slow_the_list_is_out_of_date(bar, monkeypatch):
    from blender_addon import joints  # noqa: PLC0415
    from blender_addon.decisions import mark_of  # noqa: PLC0415

    monkeypatch.setattr(joints, "QUICK", 0.0)
    drag("width", 11.0)
    assert settings().joints_mark != mark_of(bar, bpy.context.scene)
    preview = drawn()
    assert preview.joints[0].pegs[0].width == 11.0 and not preview.weak
    assert settings().joints[0].kind != "2 pegs 11.0"
    bpy.ops.seamwright.size_joints()
    assert drawn().joints[0].pegs[0].width == 11.0


def test_a_typed_width_is_drawn_and_one_that_breaks_through_as_weak(bar):
    group = seam().seamwright
    group.width = 12.0
    assert drawn().joints[0].pegs[0].width == 12.0 and not drawn().weak
    group.width = 55.0
    assert drawn().weak == {"A"}
    # What takes sizing to be told is not drawn.
    group.footprint = "cross"
    assert not drawn().joints
    group.footprint, group.width = "auto", 0.0
    assert drawn().joints[0].pegs[0].width != 12.0
    settings().clearance = 0.25
    assert drawn() is None


def test_no_such_handle_is_refused_in_a_sentence(bar):
    assert "has no joint C to be dragged" in refused(what="width", letter="C", value=9.0)
    assert "has no peg 5; it has 2" in refused(what="place", letter="A", number=5)
    seam().seamwright.joint = "magnets"
    bpy.ops.seamwright.size_joints()
    assert "drag places" in refused(what="width", letter="A", value=9.0)
    bpy.context.view_layer.objects.active = bar
    assert "no seam and no joint" in refused(what="width", letter="A", value=9.0)


# --- by the mouse ---------------------------------------------------------------------------


class View:
    """Stands in for a region: looks down on the seam, or along it; a pixel is a mm."""

    def __init__(self, monkeypatch, ray):
        from blender_addon import joint_gizmos  # noqa: PLC0415

        across = {(0, 0, -1): ((1, 0, 0), (0, 1, 0)), (0, 1, 0): ((1, 0, 0), (0, 0, 1))}[ray]
        x, y = (Vector(v) for v in across)
        ray = Vector(ray)
        monkeypatch.setattr(
            joint_gizmos, "view3d_utils",
            SimpleNamespace(
                region_2d_to_origin_3d=lambda _r, _v, at: at.x * x + at.y * y - 1000 * ray,
                region_2d_to_vector_3d=lambda _r, _v, _at: ray,
            ),
        )  # fmt: skip


class Hand:
    """The operator as Blender runs it, with its mouse."""

    def __init__(self, what, at, number=0):
        from blender_addon.joint_gizmos import SEAMWRIGHT_OT_drag_joint as Drag  # noqa: PLC0415

        self.header = []
        area = SimpleNamespace(header_text_set=self.header.append)
        manager = SimpleNamespace(modal_handler_add=lambda _op: None, windows=[])
        self.context = SimpleNamespace(
            scene=bpy.context.scene, view_layer=bpy.context.view_layer, mode="OBJECT", area=area,
            region=None, region_data=object(), window_manager=manager,
            evaluated_depsgraph_get=bpy.context.evaluated_depsgraph_get,
        )  # fmt: skip
        self.said = []
        self.op = SimpleNamespace(
            what=what, letter="A", number=number, value=0.0, place=(0.0, 0.0),
            report=lambda kind, words: self.said.append((kind, words)),
        )  # fmt: skip
        for name in (
            "invoke", "modal", "cancel", "let_go", "tidy", "follow", "drag_to", "straight",
            "grasped", "told", "decide", "check_number", "tell",
        ):  # fmt: skip
            setattr(self.op, name, getattr(Drag, name).__get__(self.op))
        assert self.op.invoke(self.context, self.event(at)) == {"RUNNING_MODAL"}

    def event(self, at, kind="MOUSEMOVE", value="NOTHING", ctrl=False, shift=False):
        return SimpleNamespace(
            type=kind, value=value, mouse_region_x=at[0], mouse_region_y=at[1], ctrl=ctrl,
            shift=shift,
        )  # fmt: skip

    def to(self, at, **keys):
        assert self.op.modal(self.context, self.event(at, **keys)) == {"RUNNING_MODAL"}
        return self.header[-1]

    def end(self, kind="LEFTMOUSE", value="RELEASE"):
        return self.op.modal(self.context, self.event((0, 0), kind, value))


def at(key):
    place = handles()[key].matrix.translation
    return place.x, place.y


@pytest.fixture
def small(bar):
    """Pegs of 10 mm, 8 mm deep."""
    drag("width", 10.0)
    drag("depth", 8.0)
    return bar


def test_the_mouse_drags_a_width_in_steps(small, monkeypatch):
    View(monkeypatch, (0, 0, -1))
    x, y = at(("width", "A", 0))
    way = handles()["width", "A", 0].matrix.col[2].to_3d()
    hand = Hand("width", (x, y))
    # Both sides move by as much.
    assert hand.to((x + way.x, y + way.y)).startswith("Width: 12.00 mm.")
    assert drawn().joints[0].pegs[0].width == 12.0
    assert hand.to((x + 1.12 * way.x, y + 1.12 * way.y), ctrl=True).startswith("Width: 12.00 mm.")
    x1, y1 = x + 1.12 * way.x, y + 1.12 * way.y
    assert hand.to((x1 + way.x, y1 + way.y), shift=True).startswith("Width: 12.45 mm.")
    assert hand.end() == {"FINISHED"} and hand.header[-1] is None
    assert choice().width == 12.45 and settings().joints[0].kind.endswith(("12.4", "12.5"))
    assert hand.said == [({"INFO"}, "Width: 12.45 mm.")]


@pytest.mark.parametrize("kind", ["ESC", "RIGHTMOUSE"])
def test_esc_puts_all_back(small, monkeypatch, kind):
    View(monkeypatch, (0, 0, -1))
    before, seen = choice(), drawn().made
    for what, number in (("width", 0), ("turn", 0), ("place", 1)):
        hand = Hand(what, at((what, "A", number)), number)
        x, y = at((what, "A", number))
        hand.to((x + 3, y + 2))
        hand.to((x + 5, y - 1))
        assert choice() != before
        assert hand.end(kind, "PRESS") == {"CANCELLED"} and hand.header[-1] is None
        assert choice() == before and seam().seamwright.joint_told == ""
        assert not seam().seamwright.own_turn
        # Nothing is out of date, and what is drawn is what was sized.
        assert drawn().made == seen


def test_a_click_alone_decides_nothing(small, monkeypatch):
    View(monkeypatch, (0, 0, -1))
    before = choice()
    assert Hand("width", at(("width", "A", 0))).end() == {"CANCELLED"}
    assert choice() == before


def test_the_mouse_drags_a_place_on_its_face_from_any_side(small, monkeypatch):
    x, y = at(("place", "A", 1))
    View(monkeypatch, (0, 0, -1))
    hand = Hand("place", (x, y), 1)
    hand.to((x + 4.0, y + 3.0))
    hand.end()
    assert np.allclose(choice().at[1], (x + 4, y + 3, 0), atol=1e-2)
    # Seen along the face, it goes along the face alone.
    View(monkeypatch, (0, 1, 0))
    hand = Hand("place", (x + 4.0, 0.0), 1)
    hand.to((x + 7.0, 30.0))
    assert hand.end() == {"FINISHED"}
    assert np.allclose(choice().at[1], (x + 7, y + 3, 0), atol=1e-2)


def test_the_mouse_turns_past_half_a_circle(small, monkeypatch):
    View(monkeypatch, (0, 0, -1))
    x, y = at(("turn", "A", 0))
    base = handles()["turn", "A", 0].value
    sense = handles()["turn", "A", 0].matrix.col[2].z
    hand = Hand("turn", (x + 20, y))
    for angle in range(30, 211, 30):
        turned = math.radians(angle)
        hand.to((x + 20 * math.cos(turned), y + 20 * math.sin(turned)))
    wanted = (base + sense * 210 + 180) % 360 - 180
    assert math.isclose(choice().turn, wanted, abs_tol=0.11)
    said = hand.to((x + 20 * math.cos(turned), y + 20 * math.sin(turned)), ctrl=True)
    assert float(said.split()[1].rstrip("°.")) % 5 == 0
    hand.end()
    View(monkeypatch, (0, 1, 0))
    before = choice().turn
    hand = Hand("turn", (x, 0))
    hand.to((x + 40, 0))
    assert hand.end() == {"FINISHED"}
    assert math.isclose(choice().turn, (before + 20 + 180) % 360 - 180, abs_tol=0.11)


def test_the_mouse_drags_a_depth_along_a_leaning_peg(bar, monkeypatch):
    bpy.ops.seamwright.add_direction()
    seam().seamwright.direction.rotation_euler = (0.0, 0.4, 0.0)
    seam().seamwright.width, seam().seamwright.depth = 9.0, 8.0
    bpy.ops.seamwright.size_joints()
    found = handles()["depth", "A", 0]
    way, start = found.matrix.col[2].to_3d(), found.matrix.translation
    assert math.isclose(abs(way.z), math.cos(0.4), rel_tol=1e-4)
    View(monkeypatch, (0, 1, 0))
    hand = Hand("depth", (start.x, start.z))
    hand.to((start.x + 5 * way.x, start.z + 5 * way.z))
    hand.end()
    assert math.isclose(choice().depth, 8.0 + 5 * math.cos(0.4), abs_tol=0.03)
    end = handles()["depth", "A", 0].matrix.translation
    assert (end - start - 5 * way).length < 0.05


def test_a_view_along_an_arrow_moves_nothing(small, monkeypatch):
    View(monkeypatch, (0, 0, -1))
    before = choice()
    hand = Hand("depth", at(("depth", "A", 0)))
    hand.to((50.0, 50.0))
    assert hand.end() == {"CANCELLED"} and choice() == before


def test_the_gizmo_group_shows_each_handle_and_hides_what_is_gone(bar):
    from blender_addon.joint_gizmos import SEAMWRIGHT_GGT_joint as Group  # noqa: PLC0415

    class Gizmos(list):
        def new(self, kind):
            made = SimpleNamespace(kind=kind, is_modal=False, draw_options=set())
            made.target_set_operator = lambda name: (
                setattr(made, "calls", SimpleNamespace(name=name)) or made.calls
            )
            self.append(made)
            return made

    group = SimpleNamespace(gizmos=Gizmos())
    for name in ("setup", "place", "added"):
        setattr(group, name, getattr(Group, name).__get__(group))
    group.setup(bpy.context)
    group.place(bpy.context)
    shown = {(g.calls.what, g.calls.number): g for g in group.gizmos}
    assert {key[0] for key in shown} == {"width", "depth", "turn", "place"} and len(shown) == 5
    assert {g.calls.name for g in group.gizmos} == {"seamwright.drag_joint"}
    kinds = {key[0]: gizmo.kind for key, gizmo in shown.items()}
    assert kinds["turn"] == "GIZMO_GT_dial_3d" and kinds["place"] == "GIZMO_GT_move_3d"
    assert kinds["width"] == kinds["depth"] == "GIZMO_GT_arrow_3d"
    before = Matrix(shown["width", 0].matrix_basis)
    drag("width", 12.0)
    handles()
    # What is held goes along with the mouse by itself.
    shown["width", 0].is_modal = True
    group.place(bpy.context)
    assert shown["width", 0].matrix_basis == before
    shown["width", 0].is_modal = False
    group.place(bpy.context)
    assert shown["width", 0].matrix_basis != before and len(group.gizmos) == 5
    seam().seamwright.joint = "magnets"
    bpy.ops.seamwright.size_joints()
    handles()
    group.place(bpy.context)
    assert {key[0] for key, gizmo in shown.items() if not gizmo.hide} == {"place"}


def test_handles_show_in_object_mode_with_overlays_and_gizmos_alone(bar):
    from blender_addon.joint_gizmos import SEAMWRIGHT_GGT_joint as Group  # noqa: PLC0415

    def polled(mode="OBJECT", overlays=True, gizmos=True, kind="VIEW_3D") -> bool:
        space = SimpleNamespace(
            type=kind, show_gizmo_context=gizmos, overlay=SimpleNamespace(show_overlays=overlays)
        )
        context = SimpleNamespace(
            mode=mode, space_data=space, scene=bpy.context.scene,
            view_layer=bpy.context.view_layer,
        )  # fmt: skip
        return Group.poll(context)

    assert polled()
    assert not polled(mode="SCULPT") and not polled(overlays=False)
    assert not polled(gizmos=False) and not polled(kind="IMAGE_EDITOR")
    settings().show_joints = False
    assert not polled()
    settings().show_joints = True
    bpy.context.view_layer.objects.active = bar
    assert not polled()
