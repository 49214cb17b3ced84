"""What is marked on an object, after its modifiers, against what was put there."""

from __future__ import annotations

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright.errors import BadInput  # noqa: E402
from seamwright.job import job_from_toml  # noqa: E402
from seamwright.markings import KeepClear, Markings  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.run import load_marked, prepare  # noqa: E402
from seamwright.shapes import box, sphere, torus  # noqa: E402

MASK = KeepClear("mask")


def group(name: str, above: float = 0.5) -> KeepClear:
    return KeepClear("vertex_group", name=name, above=above)


def face_set(number: int) -> KeepClear:
    return KeepClear("face_set", number=number)


def read(obj, *keep_clear, lines=()) -> tuple[Mesh, Markings]:
    from blender_addon.conversion import marked_mesh_of  # noqa: PLC0415

    mesh, _unit, markings = marked_mesh_of(obj, bpy.context, keep_clear, lines)
    return mesh, markings


def corners(mesh: Mesh) -> np.ndarray:
    return mesh.vertices[mesh.faces]


def put(obj, name: str, kind: str, domain: str, values) -> None:
    obj.data.attributes.new(name, kind, domain).data.foreach_set("value", values)


@pytest.fixture
def ball(scene, add):
    """A ball of quads and triangles whose upper part is marked in every way there is."""
    obj = add(sphere(20, 32))
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.mesh.tris_convert_to_quads()
    bpy.ops.object.mode_set(mode="OBJECT")
    data = obj.data
    z = np.array([v.co.z for v in data.vertices])
    high = np.flatnonzero(z > 5).tolist()
    obj.vertex_groups.new(name="feet").add([0, 1], 1.0, "REPLACE")
    obj.vertex_groups.new(name="face").add(high, 0.8, "REPLACE")
    put(obj, ".sculpt_mask", "FLOAT", "POINT", (z > 5).astype(np.float32))
    middle = np.array([p.center.z for p in data.polygons])
    put(obj, ".sculpt_face_set", "INT", "FACE", np.where(middle > 5, 7, 2).astype(np.int32))
    put(obj, "keep", "BOOLEAN", "POINT", z > 5)
    put(obj, "keep on faces", "INT", "FACE", (middle > 5).astype(np.int32))
    return obj


def level_of(z: float) -> float:
    """The height of the ball's first row of vertices above z: rows lie 11.25° apart."""
    rows = 20 * np.sin(np.radians(np.arange(-90, 91, 11.25)))
    return float(rows[rows > z].min())


# --- keep-clear areas -----------------------------------------------------------------


@pytest.mark.parametrize(
    "choice", [group("face"), MASK, KeepClear("property", name="keep")], ids=lambda c: c.said
)
def test_painted_vertices_mark_the_faces_between_them(ball, choice):
    mesh, found = read(ball, choice)
    wanted = (corners(mesh)[:, :, 2] > level_of(5) - 1e-3).all(axis=1)
    assert np.array_equal(found.keep_clear, wanted) and 0.1 < wanted.mean() < 0.5


@pytest.mark.parametrize(
    "choice", [face_set(7), KeepClear("property", name="keep on faces")], ids=lambda c: c.said
)
def test_marked_faces_are_the_triangles_of_the_polygons(ball, choice):
    mesh, found = read(ball, choice)
    # The polygons whose middle is above 5 begin at the row at 3.9 or at the next.
    wanted = corners(mesh)[:, :, 2].min(axis=1) > 3.8
    assert np.array_equal(found.keep_clear, wanted)


def test_the_limit_counts(ball):
    assert read(ball, group("face", above=0.79))[1].keep_clear.any()
    with pytest.raises(BadInput, match=r"vertex group 'face' holds no whole face above 0\.81"):
        read(ball, group("face", above=0.81))


def test_choices_add_up(ball):
    low = KeepClear("ball", centre=(0.0, 0.0, -20.0), radius=5.0)
    both = read(ball, group("face"), face_set(2), low)[1]
    one, other = read(ball, group("face"))[1], read(ball, face_set(2))[1]
    assert np.array_equal(both.keep_clear, one.keep_clear | other.keep_clear)
    # Balls are the job's and come at true size.
    assert len(both.balls) == 0
    assert not read(ball)[1].has_area


def test_marks_go_through_a_subdivision(ball):
    plain = {c.said: read(ball, c) for c in (group("face"), MASK, face_set(7))}
    ball.modifiers.new("Rounder", "SUBSURF").levels = 2
    for choice in (group("face"), MASK, face_set(7)):
        mesh, found = read(ball, choice)
        coarse, marked = plain[choice.said]
        assert len(mesh.faces) > 10 * len(coarse.faces)
        area = mesh.areas[found.keep_clear].sum()
        assert area == pytest.approx(coarse.areas[marked.keep_clear].sum(), rel=0.25)
        assert corners(mesh)[found.keep_clear][:, :, 2].min() > 3.5


def test_mirrored_and_turned_objects_keep_their_marks(scene, add, ball):
    ball.scale = (-1, 1, 2)
    ball.rotation_euler = (np.pi / 2, 0, 0)
    bpy.context.view_layer.update()
    mesh, found = read(ball, group("face"))
    # A quarter turn about x takes z to -y.
    wanted = (-corners(mesh)[:, :, 1] > 2 * level_of(5) - 1e-3).all(axis=1)
    assert mesh.volume > 0 and np.array_equal(found.keep_clear, wanted)


@pytest.mark.parametrize("mode", ["EDIT", "SCULPT", "hidden"])
def test_marks_are_read_while_the_object_is_in_work_or_hidden(ball, counts, mode):
    plain = read(ball, group("face"), face_set(7), MASK)[1]
    if mode == "hidden":
        ball.hide_viewport = True
    else:
        bpy.ops.object.mode_set(mode=mode)
    before = counts()
    again = read(ball, group("face"), face_set(7), MASK)[1]
    assert np.array_equal(again.keep_clear, plain.keep_clear) and counts() == before
    if mode != "hidden":
        bpy.ops.object.mode_set(mode="OBJECT")


# --- natural lines ------------------------------------------------------------------


def in_rows(lines: np.ndarray) -> list[tuple[float, ...]]:
    """Axis-parallel segments as sorted rows, so that neither order nor direction counts."""
    ends = np.concatenate([lines.min(axis=1), lines.max(axis=1)], axis=1)
    return sorted(tuple(row) for row in (np.round(ends, 4) + 0.0).tolist())


@pytest.fixture
def cube(scene, add):
    """A cube of quads: the four upright edges are seams, one upper one is creased."""
    bpy.ops.mesh.primitive_cube_add(size=20)
    obj = bpy.context.object
    for edge in obj.data.edges:
        a, b = (obj.data.vertices[v].co for v in edge.vertices)
        edge.use_seam = abs(a.z - b.z) > 1
    crease = obj.data.attributes.new("crease_edge", "FLOAT", "EDGE")
    for edge, value in zip(obj.data.edges, crease.data, strict=True):
        a, b = (obj.data.vertices[v].co for v in edge.vertices)
        value.value = 0.5 if a.z > 0 and b.z > 0 and a.x > 0 and b.x > 0 else 0.0
    sets = [5 if p.center.z > 9 else 1 for p in obj.data.polygons]
    put(obj, ".sculpt_face_set", "INT", "FACE", np.array(sets, dtype=np.int32))
    return obj


UPRIGHT = [(x, y, -10, x, y, 10) for x in (-10, 10) for y in (-10, 10)]
TOP = [(10, -10, 10, 10, 10, 10), (-10, -10, 10, -10, 10, 10), (-10, -10, 10, 10, -10, 10),
       (-10, 10, 10, 10, 10, 10)]  # fmt: skip


@pytest.mark.parametrize(
    ("kinds", "wanted"),
    [(("seams",), UPRIGHT), (("creases",), TOP[:1]), (("face sets",), TOP),
     (("seams", "creases", "face sets"), UPRIGHT + TOP)],
)  # fmt: skip
def test_lines_are_the_marked_edges(cube, kinds, wanted):
    _mesh, found = read(cube, lines=kinds)
    assert in_rows(found.lines) == sorted(tuple(float(x) for x in row) for row in wanted)
    assert not found.has_area


def test_lines_go_through_a_subdivision(cube):
    modifier = cube.modifiers.new("Finer", "SUBSURF")
    modifier.subdivision_type, modifier.levels = "SIMPLE", 3
    for kind, length in (("seams", 80), ("creases", 20), ("face sets", 80)):
        _mesh, found = read(cube, lines=(kind,))
        gap = found.lines[:, 1] - found.lines[:, 0]
        assert np.linalg.norm(gap, axis=1) == pytest.approx(20 / 8)
        assert np.linalg.norm(gap, axis=1).sum() == pytest.approx(length)
        assert np.abs(found.lines).max(axis=2) == pytest.approx(10)


def test_lines_come_in_the_scenes_unit_and_place(cube):
    cube.location = (100, 0, 0)
    cube.scale = (1, 1, -3)
    bpy.context.view_layer.update()
    _mesh, found = read(cube, lines=("creases",))
    assert in_rows(found.lines) == [(110.0, -10.0, -30.0, 110.0, 10.0, -30.0)]


# --- what is not there ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("choice", "says"),
    [
        (group("fase"), "no vertex group 'fase'; its vertex groups are feet, face"),
        (group("feet"), "vertex group 'feet' holds no whole face above 0.5"),
        (face_set(3), "no face set 3; its face sets are 2, 7"),
        (KeepClear("property", name="kep"), "no attribute 'kep'; it has .*keep, .*keep on faces"),
        (KeepClear("property", name="position"), "not one number a point or face"),
    ],
)
def test_what_is_not_there_is_said_with_what_is(ball, choice, says):
    with pytest.raises(BadInput, match=says) as caught:
        read(ball, choice)
    assert "'Keeper'" in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"choice": group("face")}, "no vertex group 'face'; its vertex groups are none"),
        ({"choice": MASK}, "'Keeper' has no sculpt mask; mark the area"),
        ({"choice": face_set(1)}, "'Keeper' has no face sets; mark the area"),
        ({"lines": ("seams",)}, "no marked seams after its modifiers; mark some, or take"),
        ({"lines": ("creases",)}, "no creased edges"),
        ({"lines": ("face sets",)}, "'Keeper' has no face sets"),
    ],
)
def test_an_unmarked_object_says_so(scene, add, asked, says):
    obj = add(box(10, 10, 10))
    with pytest.raises(BadInput, match=says):
        read(obj, *([asked["choice"]] if "choice" in asked else []), lines=asked.get("lines", ()))


@pytest.mark.parametrize(
    ("choice", "says"),
    [
        (group("face"), "vertex group 'face' holds no whole face above 0.5"),
        (MASK, "The sculpt mask of 'Keeper' is not there after its modifiers"),
        (face_set(7), "The face sets of 'Keeper' are not there after its modifiers"),
        (KeepClear("property", name="keep"), "attribute 'keep' of 'Keeper' is not there after"),
    ],
)
def test_what_a_modifier_drops_is_said(ball, choice, says):
    remesh = ball.modifiers.new("New skin", "REMESH")
    remesh.mode, remesh.voxel_size = "VOXEL", 2.0
    with pytest.raises(BadInput, match=says):
        read(ball, choice)


def test_a_text_has_no_vertex_group(scene):
    bpy.ops.object.text_add()
    bpy.context.object.data.extrude = 0.1
    with pytest.raises(BadInput, match="no vertex group 'face'; its vertex groups are none"):
        read(bpy.context.object, group("face"))
    with pytest.raises(BadInput, match="no sculpt mask"):
        read(bpy.context.object, MASK)


def test_the_markings_are_those_that_prepare_takes(scene, add):
    obj = add(torus(30, 10, 48, 24))
    obj.vertex_groups.new(name="front").add(
        [v.index for v in obj.data.vertices if v.co.y > -1e-4], 1.0, "REPLACE"
    )
    job = job_from_toml(
        'seamwright = 1\nname = "A"\n[figure]\nobject = "Keeper"\nscale = 3\n'
        'keep_clear = [{ vertex_group = "front" }]\n'
    )
    from blender_addon.conversion import marked_mesh_of  # noqa: PLC0415

    choice = job.figure
    mesh, unit, marked = marked_mesh_of(obj, bpy.context, choice.keep_clear, choice.natural_lines)
    figure = prepare(mesh, unit, job, marked)
    assert figure.mesh.areas[figure.markings.keep_clear].sum() == pytest.approx(
        figure.mesh.areas.sum() / 2, rel=1e-6
    )


def test_a_ply_from_blender_carries_the_group_as_a_property(cube, tmp_path):
    """Its export splits vertices along texture seams, which mending welds again."""
    finer = cube.modifiers.new("Finer", "SUBSURF")
    # Blender's export goes by the one or by the other, as its version has it.
    finer.levels = finer.render_levels = 3
    cube.vertex_groups.new(name="face").add(
        [v.index for v in cube.data.vertices if v.co.z > 0], 1.0, "REPLACE"
    )
    bpy.ops.wm.ply_export(
        filepath=str(tmp_path / "cube.ply"), forward_axis="Y", up_axis="Z", export_uv=True
    )
    text = (
        'seamwright = 1\nname = "A"\n[figure]\nfile = "cube.ply"\nunit = "mm"\n'
        'keep_clear = [{ property = "face" }]\n'
    )
    job = job_from_toml(text)
    source, unit, marked = load_marked(job, tmp_path)
    assert not source.is_closed
    figure = prepare(source, unit, job, marked)
    assert figure.mesh.is_closed
    own, found = read(cube, group("face"))
    area = figure.mesh.areas[figure.markings.keep_clear].sum()
    assert area == pytest.approx(own.areas[found.keep_clear].sum(), rel=1e-5) and area > 0
