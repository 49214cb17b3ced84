"""Objects to meshes and back, against numpy and against what Blender itself evaluates."""

from __future__ import annotations

import math

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")
from mathutils import Euler, Matrix, Vector  # noqa: E402

from seamwright.errors import BadInput  # noqa: E402
from seamwright.figure import UNITS  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.pieces import Piece  # noqa: E402
from seamwright.shapes import box, sphere, torus  # noqa: E402


def mesh_of(obj):
    from blender_addon.conversion import mesh_of  # noqa: PLC0415

    return mesh_of(obj, bpy.context)[0]


def same(a: Mesh, b: Mesh) -> bool:
    return np.array_equal(a.vertices, b.vertices) and np.array_equal(a.faces, b.faces)


@pytest.mark.parametrize(
    "scale", [(1, 1, 1), (2, 0.5, 3), (-1, 1, 1), (-1, -2, 1), (-1, -1, -1), (1, 1, -0.25)]
)
def test_transform_is_numpys_and_faces_look_outward(scene, add, scale):
    obj = add(torus(30, 10, 24, 12))
    obj.matrix_world = Matrix.LocRotScale(
        Vector((12.5, -7.25, 100.0)), Euler((0.3, -0.8, 2.0)), Vector(scale)
    )
    mesh = mesh_of(obj)
    matrix = np.array(obj.matrix_world, dtype=float)
    local = np.array([v.co for v in obj.data.vertices], dtype=float)
    wanted = local @ matrix[:3, :3].T + matrix[:3, 3]
    # float64 sums of three products, in another order.
    assert np.allclose(mesh.vertices, wanted, rtol=0, atol=1e-12)
    assert mesh.is_closed
    assert math.isclose(
        mesh.volume, abs(np.linalg.det(matrix[:3, :3])) * Mesh.of(local, mesh_faces(obj)).volume,
        rel_tol=1e-9,
    )  # fmt: skip


def mesh_faces(obj):
    return [list(p.vertices) for p in obj.data.polygons]


def test_an_untransformed_object_keeps_every_bit(scene, add):
    mesh = sphere(41.3)
    exact = Mesh.of(mesh.vertices.astype(np.float32), mesh.faces)
    assert same(mesh_of(add(exact)), exact)


def test_quads_and_polygons_become_triangles(scene):
    bpy.ops.mesh.primitive_cylinder_add(vertices=7, radius=10, depth=20)
    mesh = mesh_of(bpy.context.object)
    assert mesh.is_closed
    assert len(mesh.faces) == 7 * 2 + 2 * 5
    # A regular heptagon's area, 7/2 r² sin(2π/7), times the height.
    assert math.isclose(mesh.volume, 3.5 * 100 * math.sin(math.tau / 7) * 20, rel_tol=1e-6)


def test_modifiers_count_as_blender_evaluates_them(scene, add):
    obj = add(box(10, 20, 30))
    obj.modifiers.new("Rounder", "SUBSURF").levels = 2
    obj.modifiers.new("Two", "ARRAY").count = 2
    graph = bpy.context.evaluated_depsgraph_get()
    wanted = bpy.data.meshes.new_from_object(obj.evaluated_get(graph))
    mesh = mesh_of(obj)
    assert len(mesh.vertices) == len(wanted.vertices) > 100
    assert np.array_equal(mesh.vertices, [v.co for v in wanted.vertices])


@pytest.mark.parametrize(
    ("length", "unit", "factor"),
    [(0.001, "mm", 1), (1, "m", 1), (0.01, "cm", 1), (0.0254, "in", 1), (0.3048, "ft", 1),
     (2.5, "m", 2.5), (1e-6, "um", 1)],
)  # fmt: skip
def test_the_scenes_unit_is_kept(scene, add, length, unit, factor):
    from blender_addon.conversion import mesh_of, scene_mm  # noqa: PLC0415

    scene.unit_settings.scale_length = length
    mesh, said = mesh_of(add(box(2, 2, 2)), bpy.context)
    assert said == unit
    assert mesh.size.tolist() == [2.0 * factor] * 3
    assert math.isclose(scene_mm(scene), length * 1000)
    assert math.isclose(UNITS[unit] * factor, length * 1000)


def hide_by_eye(obj):
    obj.hide_set(True)


def hide_by_screen(obj):
    obj.hide_viewport = True


def put_in(obj, excluded: bool):
    collection = bpy.data.collections.new("Shelf")
    bpy.context.scene.collection.children.link(collection)
    collection.objects.link(obj)
    bpy.context.scene.collection.objects.unlink(obj)
    child = bpy.context.view_layer.layer_collection.children["Shelf"]
    child.exclude, child.hide_viewport = excluded, not excluded


def hide_by_exclusion(obj):
    put_in(obj, True)


def hide_by_collection(obj):
    put_in(obj, False)


def move_to_another_scene(obj):
    bpy.data.scenes.new("Elsewhere").collection.objects.link(obj)
    bpy.context.scene.collection.objects.unlink(obj)


@pytest.mark.parametrize(
    "hide",
    [hide_by_eye, hide_by_screen, hide_by_exclusion, hide_by_collection, move_to_another_scene],
)
def test_a_hidden_object_gives_the_same_mesh(scene, add, counts, hide):
    arm = bpy.data.objects.new("Turned", None)
    arm.rotation_euler = (0.5, 0.2, 0.1)
    scene.collection.objects.link(arm)
    obj = add(torus(30, 10, 12, 8))
    obj.parent = arm
    obj.location = (1, 2, 3)
    obj.shape_key_add(name="Basis")
    bump = obj.shape_key_add(name="Bump")
    bump.data[0].co.z += 5
    bump.value = 0.5
    obj.modifiers.new("Rounder", "SUBSURF").levels = 1
    shown = mesh_of(obj)
    hide(obj)
    before = counts()
    hidden = mesh_of(obj)
    assert same(shown, hidden)
    assert counts() == before
    assert obj.name == "Keeper" and obj.data.name == "Keeper"


@pytest.mark.parametrize("mode", ["EDIT", "SCULPT"])
def test_the_mesh_in_work_is_what_counts(scene, add, counts, mode):
    obj = add(sphere(20, 16))
    obj.modifiers.new("Rounder", "SUBSURF").levels = 1
    obj.modifiers["Rounder"].show_in_editmode = False
    shown = mesh_of(obj)
    bpy.ops.object.mode_set(mode=mode)
    before = counts()
    assert same(mesh_of(obj), shown)
    assert counts() == before
    if mode == "EDIT":
        bpy.ops.mesh.select_all(action="SELECT")
        bpy.ops.transform.translate(value=(0, 0, 7))
        assert np.allclose(mesh_of(obj).vertices, shown.vertices + np.array([0, 0, 7]), atol=1e-5)
    assert obj.mode == mode
    bpy.ops.object.mode_set(mode="OBJECT")


def test_dynamic_sculpting_is_seen(scene, add):
    obj = add(sphere(20, 16))
    bpy.ops.object.mode_set(mode="SCULPT")
    bpy.ops.sculpt.dynamic_topology_toggle()
    mesh = mesh_of(obj)
    assert obj.mode == "SCULPT" and obj.use_dynamic_topology_sculpting
    assert mesh.is_closed
    assert math.isclose(mesh.volume, sphere(20, 16).volume, rel_tol=1e-6)
    bpy.ops.object.mode_set(mode="OBJECT")


def add_text():
    bpy.ops.object.text_add()
    bpy.context.object.data.extrude = 0.1


def add_tube():
    bpy.ops.curve.primitive_bezier_circle_add(radius=3)
    bpy.context.object.data.bevel_depth = 0.5


def add_ball():
    bpy.ops.object.metaball_add(type="BALL", radius=2)


def add_sphere():
    bpy.ops.surface.primitive_nurbs_surface_sphere_add()


@pytest.mark.parametrize("make", [add_text, add_tube, add_ball, add_sphere])
def test_other_surfaces_are_taken_shown_or_hidden(scene, counts, make):
    make()
    obj = bpy.context.object
    shown = mesh_of(obj)
    assert len(shown.faces) > 10
    obj.hide_viewport = True
    before = counts()
    assert same(mesh_of(obj), shown)
    assert counts() == before


def test_a_linked_object_is_only_read(scene, add, tmp_path):
    obj = add(sphere(20, 16))
    obj.modifiers.new("Rounder", "SUBSURF").levels = 1
    wanted = mesh_of(obj)
    path = str(tmp_path / "library.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.context.scene.unit_settings.scale_length = 0.001
    with bpy.data.libraries.load(path, link=True) as (_there, here):
        here.objects = ["Keeper"]
    linked = here.objects[0]
    bpy.context.scene.collection.objects.link(linked)
    assert linked.library is not None
    assert same(mesh_of(linked), wanted)
    linked.hide_set(True)
    assert same(mesh_of(linked), wanted)


def test_what_has_no_surface_or_no_faces_is_refused_in_a_sentence(scene, add):
    empty = bpy.data.objects.new("Handle", None)
    scene.collection.objects.link(empty)
    with pytest.raises(BadInput, match="'Handle' has no surface"):
        mesh_of(empty)
    bare = add(Mesh.of([[0, 0, 0], [1, 0, 0]], []), "Bare")
    with pytest.raises(BadInput, match="'Bare' has no faces"):
        mesh_of(bare)


def test_a_piece_becomes_an_object_at_true_size_with_its_tags(scene, add):
    from blender_addon.conversion import piece_mesh  # noqa: PLC0415

    solid = box(10, 20, 30, low=(1000, -2000, 3000))
    tag = np.arange(len(solid.faces), dtype=np.int32)
    piece = Piece(3, Mesh.of(solid.vertices, solid.faces, tag))
    data, middle = piece_mesh(piece, 1000.0)
    assert np.allclose(middle, (1.005, -1.99, 3.015), atol=1e-6)
    obj = bpy.data.objects.new(data.name, data)
    obj.location = middle
    scene.collection.objects.link(obj)
    back = mesh_of(obj)
    assert np.array_equal(back.faces, solid.faces)
    # Half a float32 step at 3 Blender units.
    assert np.allclose(back.vertices * 1000, solid.vertices, atol=2e-4)
    seam = data.attributes["seam"]
    assert (seam.domain, seam.data_type) == ("FACE", "INT")
    assert [value.value for value in seam.data] == tag.tolist()
    assert not data.validate()


def test_typed_numbers_come_back_as_typed():
    from blender_addon.conversion import typed  # noqa: PLC0415

    for number in (0.2, 0.1, 1.24, 256.0, 1800.0, 0.05, 12.0, 0.0254):
        assert typed(float(np.float32(number))) == number
