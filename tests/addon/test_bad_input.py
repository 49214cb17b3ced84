"""What sculptors do to their objects and scenes: pieces at true size, or one sentence."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")
from mathutils import Euler, Matrix, Vector  # noqa: E402

from seamwright.figure import UNITS  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.shapes import box, sphere  # noqa: E402

BALL = sphere(100, 24)


def refused(operator, **options) -> str:
    """The one sentence with which an operator refuses."""
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    said = str(raised.value).strip()
    assert said.startswith("Error: ") and "Traceback" not in said and "\n" not in said
    return said.removeprefix("Error: ")


def mesh_of(obj) -> Mesh:
    from blender_addon.conversion import mesh_of  # noqa: PLC0415

    return mesh_of(obj, bpy.context)[0]


def seams() -> list:
    from blender_addon import scene as ours  # noqa: PLC0415

    scene = bpy.context.scene
    return ours.seams_of(scene.seamwright.figure, scene)


def pieces() -> list:
    from blender_addon import scene as ours  # noqa: PLC0415

    scene = bpy.context.scene
    return ours.pieces_of(scene.seamwright.figure, scene)


def mark() -> str:
    """What the panel goes by to say that something is out of date."""
    from blender_addon import decisions  # noqa: PLC0415

    bpy.context.view_layer.update()
    scene = bpy.context.scene
    return decisions.mark_of(scene.seamwright.figure, scene)


def seamed(obj, axis: str = "Z", at: str = "MIDDLE"):
    """Make an object the figure, with a seam whose flat joint takes and adds no volume."""
    bpy.context.scene.seamwright.figure = obj
    bpy.ops.seamwright.add_seam(at=at, axis=axis)
    seam = seams()[-1]
    seam.seamwright.joint, seam.seamwright.marks = "plain", False
    bpy.context.scene.seamwright.build_volume = (1000, 1000, 1000)
    return seam


def made(mm: float = 1.0) -> SimpleNamespace:
    """Make the pieces; how many, all their volume in mm³ and the box they fill in mm.

    mm : in one unit of what `mesh_of` gives.
    """
    assert bpy.ops.seamwright.make_pieces(hide_figure=False) == {"FINISHED"}
    meshes = [mesh_of(piece) for piece in pieces()]
    assert all(mesh.is_closed and mesh.volume > 0 for mesh in meshes)
    bounds = np.array([mesh.bounds for mesh in meshes]) * mm
    return SimpleNamespace(
        count=len(meshes),
        volume=sum(mesh.volume for mesh in meshes) * mm**3,
        volumes=[mesh.volume * mm**3 for mesh in meshes],
        size=bounds[:, 1].max(axis=0) - bounds[:, 0].min(axis=0),
    )


def close(found, wanted) -> bool:
    # Pieces are float32 in Blender.
    return np.allclose(found, wanted, rtol=2e-6)


def only(obj) -> None:
    from blender_addon.work import select  # noqa: PLC0415

    select(bpy.context, obj)


# --- scales, mirrors, parents, units ----------------------------------------------------------


@pytest.mark.parametrize(
    "scale", [(1, 2.5, 0.5), (-1, 1, 1), (-1.5, 1, 2), (-1, -1, -1), (1, -0.25, -3)]
)
def test_unapplied_and_mirrored_scales_give_pieces_of_the_size_they_show(scene, add, scale):
    obj = add(box(100, 80, 60, low=(-50, -40, -30)))
    obj.scale = scale
    bpy.context.view_layer.update()
    seamed(obj)
    got = made()
    assert got.count == 2
    assert close(got.volume, 100 * 80 * 60 * abs(math.prod(scale)))
    assert close(got.size, np.abs(scale) * [100, 80, 60])
    assert tuple(obj.scale) == scale


def test_a_parent_that_is_scaled_and_turned_shears_the_pieces_too(scene, add):
    parent = bpy.data.objects.new("Stand", None)
    scene.collection.objects.link(parent)
    parent.scale, parent.rotation_euler = (2, 1, 0.5), (0.3, 0.4, 0.5)
    obj = add(BALL)
    obj.parent, obj.rotation_euler = parent, (0.5, 0.2, 0.1)
    bpy.context.view_layer.update()
    matrix = np.array(obj.matrix_world, dtype=float)[:3, :3]
    corners = BALL.vertices @ matrix.T
    seamed(obj)
    got = made()
    assert got.count == 2
    assert close(got.volume, BALL.volume * np.linalg.det(matrix))
    assert close(got.size, np.ptp(corners, axis=0))


@pytest.mark.parametrize("length", [0.3048, 0.0254, 1.0, 0.01, 2.5, 0.0007])
def test_feet_inches_metres_and_odd_unit_scales_give_the_same_pieces(scene, add, length):
    from blender_addon.conversion import unit_of  # noqa: PLC0415

    scene.unit_settings.scale_length = length
    if length in (0.3048, 0.0254):
        scene.unit_settings.system = "IMPERIAL"
    obj = add(Mesh.of(BALL.vertices / (1000 * length), BALL.faces))
    seamed(obj)
    got = made(UNITS[unit_of(scene)[0]])
    assert got.count == 2 and close(got.volume, BALL.volume) and close(got.size, [200] * 3)


# --- hidden, excluded, in local view ----------------------------------------------------------


def view_in_3d():
    """Stands the operators in the 3D viewport that the module's window has."""
    window = bpy.context.window_manager.windows[0]
    area = next(area for area in window.screen.areas if area.type == "VIEW_3D")
    region = next(region for region in area.regions if region.type == "WINDOW")
    return bpy.context.temp_override(window=window, area=area, region=region), area.spaces.active


def test_seams_and_pieces_are_seen_in_local_view(scene, add):
    obj = add(BALL)
    override, space = view_in_3d()
    with override:
        bpy.ops.view3d.localview()
        if not obj.local_view_get(space):
            pytest.skip("Before Blender 5, the module does not tell what is in local view.")
        seam = seamed(obj)
        assert made().count == 2
        assert space.local_view is not None
        assert all(thing.local_view_get(space) for thing in (obj, seam, *pieces()))
        bpy.ops.view3d.localview()


def test_a_figure_that_is_hidden_or_excluded_is_parted_all_the_same(scene, add):
    obj = add(BALL)
    obj.modifiers.new("Rounder", "SUBSURF").levels = 1
    whole = mesh_of(obj).volume
    seamed(obj)
    obj.hide_set(True)
    assert close(made().volume, whole) and obj.hide_get()
    obj.hide_set(False)
    shelf = bpy.data.collections.new("Shelf")
    scene.collection.children.link(shelf)
    shelf.objects.link(obj)
    scene.collection.objects.unlink(obj)
    bpy.context.view_layer.layer_collection.children["Shelf"].exclude = True
    assert close(made().volume, whole)
    assert "in no collection of this view layer" in refused(bpy.ops.seamwright.show_figure)


# --- modifiers, sculpting, shape keys ---------------------------------------------------------


@pytest.fixture
def sculpted(scene, add):
    """A box with detail sculpted three levels deep, and the volume of all that detail."""
    obj = add(box(200, 200, 200, low=(-100, -100, -100)))
    modifier = obj.modifiers.new("Detail", "MULTIRES")
    for _ in range(3):
        bpy.ops.object.multires_subdivide(modifier="Detail")
    graph = bpy.context.evaluated_depsgraph_get()
    shape = bpy.data.meshes.new_from_object(obj.evaluated_get(graph))
    points = np.array([v.co for v in shape.vertices])
    points *= 1 + 0.1 * np.sin(points[:, :1] / 8)
    shape.vertices.foreach_set("co", points.astype(np.float32).ravel())
    model = bpy.data.objects.new("Model", shape)
    scene.collection.objects.link(model)
    model.select_set(True)
    bpy.ops.object.multires_reshape(modifier="Detail")
    model.select_set(False)
    shape.calc_loop_triangles()
    volume = Mesh.of(points, [list(t.vertices) for t in shape.loop_triangles]).volume
    bpy.context.view_layer.update()
    return obj, modifier, volume


@pytest.mark.parametrize("mode", ["OBJECT", "SCULPT"])
@pytest.mark.parametrize("levels", [0, 1, 3])
def test_pieces_have_the_detail_of_the_sculpt_at_any_viewport_level(sculpted, counts, mode, levels):
    obj, modifier, volume = sculpted
    modifier.levels = modifier.sculpt_levels = levels
    seamed(obj)
    only(obj)
    bpy.ops.object.mode_set(mode=mode)
    before = counts()
    assert close(mesh_of(obj).volume, volume)
    assert counts() == before and modifier.levels == levels
    assert close(made().volume, volume) and obj.mode == mode
    bpy.ops.object.mode_set(mode="OBJECT")


def test_multires_that_is_off_in_the_viewport_counts_if_it_is_rendered(sculpted):
    obj, modifier, volume = sculpted
    modifier.show_viewport = False
    assert close(mesh_of(obj).volume, volume)
    modifier.show_render = False
    assert len(mesh_of(obj).vertices) == 8


def test_dynamic_topology_and_a_modifier_are_seen_while_sculpting(scene, add):
    obj = add(BALL)
    obj.modifiers.new("Thicker", "DISPLACE").strength = 10
    whole = mesh_of(obj).volume
    assert whole > 1.1 * BALL.volume
    seamed(obj)
    only(obj)
    bpy.ops.object.mode_set(mode="SCULPT")
    bpy.ops.sculpt.dynamic_topology_toggle()
    got = made()
    assert got.count == 2 and math.isclose(got.volume, whole, rel_tol=1e-4)
    assert obj.mode == "SCULPT" and obj.use_dynamic_topology_sculpting
    bpy.ops.object.mode_set(mode="OBJECT")


def test_shape_keys_count_as_they_are_set(scene, add):
    obj = add(BALL)
    obj.shape_key_add(name="Basis")
    key = obj.shape_key_add(name="Larger")
    for point in key.data:
        point.co *= 1.2
    key.value = 0.0
    seamed(obj)
    assert close(made().volume, BALL.volume)
    at_rest = mark()
    key.value = 0.5
    assert mark() != at_rest
    assert close(made().volume, BALL.volume * 1.1**3)
    key.value = 0.0
    assert mark() == at_rest


def instancing_nodes(obj, real: bool) -> None:
    """Geometry nodes that add the object's own surface to itself as an instance, or for real."""
    tree = bpy.data.node_groups.new("Nodes", "GeometryNodeTree")
    for way in ("INPUT", "OUTPUT"):
        tree.interface.new_socket("Geometry", in_out=way, socket_type="NodeSocketGeometry")
    made_of = {
        kind: tree.nodes.new(kind)
        for kind in ("NodeGroupInput", "GeometryNodeGeometryToInstance", "GeometryNodeTransform",
                     "GeometryNodeJoinGeometry", "GeometryNodeRealizeInstances", "NodeGroupOutput")
    }  # fmt: skip
    first, instance, shift, join, realize, last = made_of.values()
    shift.inputs["Translation"].default_value = (0, 0, 50)
    ways = [(first, join), (first, instance), (instance, shift), (shift, join)]
    for a, b in (*ways, *(((join, realize), (realize, last)) if real else ((join, last),))):
        tree.links.new(a.outputs[0], b.inputs[0])
    obj.modifiers.new("Nodes", "NODES").node_group = tree
    bpy.context.view_layer.update()


@pytest.mark.parametrize("hidden", [False, True])
def test_instances_are_never_lost_without_a_word(scene, add, hidden):
    obj = add(BALL)
    instancing_nodes(obj, real=False)
    seamed(obj)
    obj.hide_set(hidden)
    said = refused(bpy.ops.seamwright.make_pieces)
    assert "'Keeper' shows instances" in said and "Realize Instances" in said
    obj.modifiers.clear()
    instancing_nodes(obj, real=True)
    assert made().size[2] > 240


def test_a_surface_that_nodes_give_a_text_is_its_own(scene):
    bpy.ops.object.text_add()
    obj = bpy.context.object
    obj.data.extrude = 0.1
    instancing_nodes(obj, real=True)
    assert len(mesh_of(obj).faces) > 100
    obj.modifiers.clear()
    obj.data.body = ""
    bpy.context.scene.seamwright.figure = obj
    assert "'Text' has no faces" in refused(bpy.ops.seamwright.inspect)


def test_children_on_the_figures_faces_are_never_lost_without_a_word(scene, add):
    obj = add(BALL)
    obj.instance_type = "FACES"
    bpy.context.view_layer.update()
    seamed(obj)
    assert close(made().volume, BALL.volume)
    scale = add(box(1, 1, 1), "Scale")
    scale.parent = obj
    bpy.context.view_layer.update()
    assert "'Keeper' shows instances" in refused(bpy.ops.seamwright.make_pieces)


# --- what says that something is out of date --------------------------------------------------


def test_a_figure_with_modifiers_goes_out_of_date_by_what_changes_it_alone(scene, add):
    obj, other = add(BALL), None
    smooth = obj.modifiers.new("Rounder", "SUBSURF")
    other = bpy.data.objects.new("Hook", None)
    scene.collection.objects.link(other)
    obj.modifiers.new("Bend", "SIMPLE_DEFORM").origin = other
    seamed(obj)
    before = mark()
    # What Blender does when any of the object's settings is typed in a panel.
    obj.seamwright.gap = 7
    obj.update_tag()
    assert mark() == before
    obj.name = "Renamed"
    assert mark() == before
    smooth.levels = 2
    assert mark() != before
    smooth.levels = 1
    assert mark() == before
    other.location.x = 5
    assert mark() != before
    other.location.x = 0
    obj.data.vertices[0].co.z += 1
    obj.data.update()
    assert mark() != before


def test_sculpted_detail_puts_everything_out_of_date_and_its_level_does_not(sculpted):
    obj, modifier, _volume = sculpted
    seamed(obj)
    before = mark()
    modifier.levels = modifier.sculpt_levels = 1
    assert mark() == before
    only(obj)
    bpy.ops.object.mode_set(mode="SCULPT")
    obj.data.update()
    assert mark() != before
    bpy.ops.object.mode_set(mode="OBJECT")


def test_what_is_given_to_geometry_nodes_puts_everything_out_of_date(scene, add):
    obj = add(BALL)
    instancing_nodes(obj, real=True)
    modifier, tree = obj.modifiers["Nodes"], obj.modifiers["Nodes"].node_group
    hook = bpy.data.objects.new("Hook", None)
    scene.collection.objects.link(hook)
    kinds = {"Size": "NodeSocketFloat", "At": "NodeSocketVector", "Hook": "NodeSocketObject"}
    sockets = {
        name: tree.interface.new_socket(name, in_out="INPUT", socket_type=kind).identifier
        for name, kind in kinds.items()
    }
    seamed(obj)
    seen = {mark()}
    for name, value in (("Size", 2.5), ("At", (1.0, 2.0, 3.0)), ("Hook", hook)):
        if hasattr(modifier, "properties"):
            getattr(modifier.properties.inputs, sockets[name]).value = value
        else:
            modifier[sockets[name]] = value
        obj.update_tag()
        seen.add(mark())
    hook.location.x = 3
    seen.add(mark())
    assert len(seen) == 5
    assert mark() in seen
    tree.nodes["Transform Geometry"].inputs["Translation"].default_value = (0, 0, 60)
    assert mark() not in seen


@pytest.mark.parametrize(
    "kind", [item.identifier for item in bpy.types.Modifier.bl_rna.properties["type"].enum_items]
)
def test_what_any_modifier_says_can_be_told(scene, add, kind):
    from blender_addon import decisions  # noqa: PLC0415

    obj = add(box(1, 1, 1))
    modifier = obj.modifiers.new("Any", kind)
    if modifier is None:
        pytest.skip("Blender has none such for meshes.")
    before = decisions.figure_mark(obj, scene)
    assert decisions.figure_mark(obj, scene) == before
    # A particle system stays until it is taken away from the object.
    obj.modifiers.remove(modifier)
    obj.modifiers.clear()
    assert kind == "PARTICLE_SYSTEM" or decisions.figure_mark(obj, scene) != before


def test_two_figures_that_swap_names_are_not_taken_for_each_other(scene, add):
    from blender_addon import decisions  # noqa: PLC0415

    one, two = add(BALL, "One"), add(sphere(50, 24), "Two")
    before = [decisions.figure_mark(obj, scene) for obj in (one, two)]
    one.name, two.name = "Two.", "One"
    one.name = "Two"
    assert [decisions.figure_mark(obj, scene) for obj in (one, two)] == before


# --- figures and seams that are deleted, renamed, duplicated, undone ---------------------------


def test_a_renamed_figure_keeps_its_seams_and_pieces(scene, add):
    obj = add(BALL)
    seamed(obj)
    made()
    obj.name = "Renamed"
    assert len(pieces()) == len(seams()) + 1 == 2
    assert made().count == 2
    assert [piece.name for piece in pieces()] == ["Renamed piece-01", "Renamed piece-02"]
    assert len(bpy.data.collections) == 2


def test_a_deleted_figure_is_told_and_comes_back_by_undo(scene, add):
    from blender_addon import handlers  # noqa: PLC0415

    obj = add(BALL)
    seamed(obj)
    bpy.ops.ed.undo_push(message="seamed")
    only(obj)
    bpy.ops.object.delete()
    bpy.ops.ed.undo_push(message="deleted")
    assert handlers.follow(bpy.context) is None
    assert "Nothing is selected" in refused(bpy.ops.seamwright.make_pieces)
    bpy.ops.ed.undo()
    scene = bpy.context.scene
    assert scene.seamwright.figure == bpy.data.objects["Keeper"]
    assert close(made().volume, BALL.volume)


def test_a_duplicated_figure_has_none_of_the_seams(scene, add):
    obj = add(BALL)
    seamed(obj)
    made()
    only(obj)
    bpy.ops.object.duplicate()
    bpy.ops.seamwright.use_selected()
    assert scene.seamwright.figure.name == "Keeper.001"
    assert seams() == pieces() == []
    assert "has no seam" in refused(bpy.ops.seamwright.make_pieces)
    scene.seamwright.figure = obj
    assert len(seams()) == 1 and len(pieces()) == 2


def test_a_seam_duplicated_in_place_is_told_and_moved_away_parts_there(scene, add):
    obj = add(BALL)
    seam = seamed(obj)
    only(seam)
    bpy.ops.object.duplicate()
    assert [o.name for o in seams()] == ["Seam", "Seam.001"]
    said = refused(bpy.ops.seamwright.make_pieces)
    assert "'Seam' and 'Seam.001' part the same place" in said
    bpy.context.object.location.z = 30
    got = made()
    assert got.count == 3 and close(got.volume, BALL.volume)
    bpy.ops.object.delete()
    assert made().count == 2


def test_a_line_seam_duplicated_with_its_pad_keeps_the_pad_when_the_copy_goes(scene, add):
    obj = add(BALL)
    bpy.context.scene.seamwright.figure = obj
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    bpy.ops.seamwright.add_pad()
    seam = seams()[0]
    only(seam)
    bpy.ops.object.duplicate()
    assert bpy.context.object.seamwright.pad == seam.seamwright.pad
    bpy.ops.object.delete()
    assert seam.seamwright.pad.name == "Seam pad"
    assert made().count == 2


def test_undo_between_making_and_making_again(scene, add):
    obj = add(BALL)
    seam = seamed(obj)
    bpy.ops.ed.undo_push(message="seamed")
    first = made().volumes
    bpy.ops.ed.undo_push(message="made")
    seam.location.z = 40
    bpy.ops.ed.undo_push(message="moved")
    assert not close(made().volumes, first)
    bpy.ops.ed.undo_push(message="made again")
    bpy.ops.ed.undo()
    bpy.ops.ed.undo()
    scene = bpy.context.scene
    assert scene.seamwright.pieces_mark == mark()
    assert close([mesh_of(piece).volume for piece in pieces()], first)
    assert close(made().volumes, first)


def test_undo_while_long_work_goes_on_is_one_sentence_or_all_of_the_work(scene, add):
    """The figure's own references are gone after an undo that took the figure itself away."""
    from blender_addon.pieces import making  # noqa: PLC0415
    from blender_addon.work import Running  # noqa: PLC0415

    bpy.ops.ed.undo_push(message="empty")
    obj = add(BALL)
    seamed(obj)
    bpy.ops.ed.undo_push(message="seamed")
    running = Running(making(bpy.context, obj))
    running.look()
    bpy.ops.ed.undo()
    assert "Keeper" not in bpy.data.objects
    try:
        while not running.look():
            pass
    except ReferenceError:
        # `LongWork` tells this as that the figure is no longer there.
        return
    assert running.said.pieces


# --- more than one scene, libraries, instances ------------------------------------------------


@pytest.mark.parametrize("kind", ["LINK_COPY", "FULL_COPY"])
def test_a_copied_scene_parts_its_own_figure(scene, add, kind):
    obj = add(BALL)
    seamed(obj)
    bpy.ops.scene.new(type=kind)
    assert bpy.context.scene != scene
    assert (bpy.context.scene.seamwright.figure == obj) == (kind == "LINK_COPY")
    got = made()
    assert got.count == 2 and close(got.volume, BALL.volume)
    assert all(bpy.context.scene in piece.users_scene for piece in pieces())


def test_a_new_scene_has_no_figure_and_says_so(scene, add):
    seamed(add(BALL))
    bpy.ops.scene.new(type="EMPTY")
    assert "Nothing is selected" in refused(bpy.ops.seamwright.make_pieces)


@pytest.fixture
def library(scene, add, tmp_path):
    """A file with a figure in it, brought into a new file: `library(overridden)`."""
    obj = add(BALL)
    obj.modifiers.new("Two", "ARRAY").relative_offset_displace = (0.5, 0, 0)
    path = str(tmp_path / "library.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.context.scene.unit_settings.scale_length = 0.001

    def bring(overridden: bool):
        with bpy.data.libraries.load(path, link=True) as (_there, here):
            here.objects = ["Keeper"]
        obj = here.objects[0]
        bpy.context.scene.collection.objects.link(obj)
        if overridden:
            obj = obj.override_create(remap_local_usages=True)
        bpy.context.view_layer.update()
        return obj

    return bring


@pytest.mark.parametrize("overridden", [False, True])
def test_linked_and_overridden_figures_are_parted_and_only_read(library, overridden):
    obj = library(overridden)
    if overridden:
        obj.scale = (1, 1, 0.5)
        bpy.context.view_layer.update()
    seamed(obj, axis="X")
    got = made()
    assert got.count == 2
    assert close(got.size, [300, 200, 100 if overridden else 200])
    assert (obj.library is None) == overridden and obj.data.library is not None


def test_an_instance_of_a_collection_is_no_figure(scene, add):
    shelf = bpy.data.collections.new("Shelf")
    obj = add(BALL)
    shelf.objects.link(obj)
    scene.collection.objects.unlink(obj)
    empty = bpy.data.objects.new("Instance", None)
    empty.instance_type, empty.instance_collection = "COLLECTION", shelf
    scene.collection.objects.link(empty)
    only(empty)
    said = refused(bpy.ops.seamwright.use_selected)
    assert "'Instance'" in said and "select the figure's mesh object" in said


def test_several_selected_figures_are_told_by_name(scene, add):
    for name in ("One", "Two", "Three"):
        add(BALL, name)
    bpy.ops.object.select_all(action="SELECT")
    said = refused(bpy.ops.seamwright.make_pieces)
    assert all(f"'{name}'" in said for name in ("One", "Two", "Three")) and "join them" in said


def test_with_nothing_selected_every_button_says_what_to_select(scene):
    for name in ("use_selected", "inspect", "add_seam", "size_joints", "make_pieces",
                 "plan_builds", "write_files"):  # fmt: skip
        said = refused(getattr(bpy.ops.seamwright, name))
        assert said == "Nothing is selected; select the figure's object."


# --- broken meshes ----------------------------------------------------------------------------


def test_a_figure_without_faces_or_vertices_is_one_sentence(scene, add):
    for mesh in (Mesh.of([[0, 0, 0], [1, 0, 0]], []), Mesh.of(np.zeros((0, 3)), [])):
        scene.seamwright.figure = add(mesh, "Bare")
        name = scene.seamwright.figure.name
        assert refused(bpy.ops.seamwright.inspect).startswith(f"'{name}' has no faces")


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_coordinates_that_are_no_numbers_are_told_with_object_and_vertex(scene, add, number):
    obj = add(BALL)
    seamed(obj)
    obj.data.vertices[5].co.z = obj.data.vertices[9].co.x = number
    obj.data.update()
    said = refused(bpy.ops.seamwright.make_pieces)
    assert said.startswith("Vertex 5 of 'Keeper' lies nowhere or at infinity")
    assert f"2 of its {len(BALL.vertices)} vertices" in said


@pytest.mark.parametrize("scale", [(0, 0, 0), (1, 1, 0)])
def test_a_figure_scaled_to_nothing_is_flat(scene, add, scale):
    obj = add(BALL)
    seamed(obj)
    obj.scale = scale
    bpy.context.view_layer.update()
    for button in (bpy.ops.seamwright.inspect, bpy.ops.seamwright.make_pieces):
        assert "Figure 'Keeper' is flat" in refused(button)


# --- seams that hang on something -------------------------------------------------------------


def lower_part(height: float) -> float:
    """mm³ of the ball of 24 sides below a level plane, by the library's own cut."""
    from seamwright.pieces import take_apart  # noqa: PLC0415
    from seamwright.seam import Seam  # noqa: PLC0415

    halves = take_apart(BALL, (Seam(1, "seam", (0.0, 0.0, height), (0.0, 0.0, 1.0)),))
    return min(halves, key=lambda piece: piece.mesh.bounds[0, 2]).mesh.volume


def shown(_seam) -> None:
    pass


def hidden_by_eye(seam) -> None:
    seam.hide_set(True)


def hidden_by_screen(seam) -> None:
    seam.hide_viewport = True


def hidden_by_exclusion(_seam) -> None:
    layer = bpy.context.view_layer.layer_collection
    next(c for c in layer.children if c.name.startswith("Seams")).exclude = True


@pytest.mark.parametrize("hide", [shown, hidden_by_eye, hidden_by_screen, hidden_by_exclusion])
def test_a_seam_goes_with_its_parent_whether_it_is_shown_or_not(scene, add, hide):
    seam = seamed(add(BALL))
    parent = bpy.data.objects.new("Handle", None)
    scene.collection.objects.link(parent)
    parent.scale = (2, 2, 2)
    seam.parent = parent
    bpy.context.view_layer.update()
    hide(seam)
    parent.location.z = 30
    bpy.context.view_layer.update()
    assert close(made().volumes[0], lower_part(30))


@pytest.mark.parametrize("hide", [shown, hidden_by_eye, hidden_by_screen, hidden_by_exclusion])
def test_a_seam_goes_with_a_bone_whether_it_is_shown_or_not(scene, add, hide):
    obj = add(BALL)
    bpy.ops.object.armature_add()
    rig = bpy.context.object
    seam = seamed(obj)
    world = Matrix.LocRotScale(Vector((0, 0, 5)), Euler(), Vector((150, 150, 50)))
    seam.parent, seam.parent_type, seam.parent_bone = rig, "BONE", "Bone"
    bpy.context.view_layer.update()
    seam.matrix_world = world
    bpy.context.view_layer.update()
    assert close(made().volumes[0], lower_part(5))
    hide(seam)
    # A bone's own y runs along it, here upwards.
    rig.pose.bones["Bone"].location.y = 20
    bpy.context.view_layer.update()
    assert close(made().volumes[0], lower_part(25))
