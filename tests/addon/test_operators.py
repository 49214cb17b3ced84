"""The panel's buttons: what they make, what they refuse, and that undo takes it back."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright.errors import CheckFailed  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.shapes import box, moved, sphere  # noqa: E402

UNDO = "EXEC_DEFAULT", True


def refused(operator, **options) -> str:
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    said = str(raised.value).strip()
    assert said.startswith("Error: ") and "Traceback" not in said
    return said.removeprefix("Error: ")


def tall() -> Mesh:
    """An upright ball of 240 x 240 x 400 mm, too tall for the printer."""
    ball = sphere(200)
    return Mesh(ball.vertices * [0.6, 0.6, 1.0], ball.faces, ball.tag)


def mesh_of(obj) -> Mesh:
    from blender_addon.conversion import mesh_of  # noqa: PLC0415

    return mesh_of(obj, bpy.context)[0]


def pieces() -> list:
    from blender_addon.scene import pieces_of  # noqa: PLC0415

    return pieces_of(bpy.context.scene.seamwright.figure, bpy.context.scene)


def state() -> set:
    return {
        (o.name, o.data and o.data.name, o.hide_get(), tuple(c.name for c in o.users_collection))
        for o in bpy.context.scene.objects
    }


@pytest.fixture
def figure(scene, add):
    obj = add(tall())
    bpy.ops.seamwright.use_selected()
    return obj


def test_pieces_are_closed_at_true_size_and_make_up_the_figure(figure, contents):
    before = contents(figure.data)
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert bpy.ops.seamwright.make_pieces() == {"FINISHED"}
    made = pieces()
    assert [o.name for o in made] == ["Keeper piece-01", "Keeper piece-02"]
    assert {c.name for o in made for c in o.users_collection} == {"Pieces of Keeper"}
    meshes = [mesh_of(o) for o in made]
    assert all(m.is_closed and m.volume > 0 for m in meshes)

    from blender_addon.pieces import _kept  # noqa: PLC0415

    joint = _kept[0].result.joints[0]
    assert joint.pegs and joint.marks
    both = [joint.volumes(side) for side in ("A", "B")]
    pegs, sockets = sum(added for added, _ in both), sum(taken for _, taken in both)
    assert sockets > pegs > 0
    total = sum(m.volume for m in meshes)
    assert math.isclose(total - pegs + sockets, mesh_of(figure).volume, rel_tol=1e-6)

    # At true size and in the figure's place: the outer box is the figure's.
    low = np.min([m.bounds[0] for m in meshes], axis=0)
    high = np.max([m.bounds[1] for m in meshes], axis=0)
    assert np.allclose([low, high], mesh_of(figure).bounds, atol=1e-4)

    for obj in made:
        tags = {value.value for value in obj.data.attributes["seam"].data}
        assert tags == {0, 1}
    colours = {tuple(o.data.materials[0].diffuse_color) for o in made}
    # Their numbers are drawn by the overlay.
    assert len(colours) == 2 and not any(o.show_name for o in made)

    assert contents(figure.data) == before
    assert figure.hide_get()
    bpy.ops.seamwright.show_figure()
    assert not figure.hide_get()


def test_pieces_of_a_scaled_figure_lie_in_it_and_have_its_true_size(figure):
    figure.seamwright.size, figure.seamwright.target_height = "HEIGHT", 700.0
    scene = bpy.context.scene
    scene.cursor.location = (0, 0, 40)
    scene.seamwright.profile = "filament-300"
    scene.seamwright.build_volume = (500, 500, 500)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    bpy.ops.seamwright.make_pieces(hide_figure=False)
    assert not figure.hide_get()
    lower, upper = (mesh_of(o) for o in pieces())
    assert math.isclose(upper.bounds[1, 2], 200.0, rel_tol=1e-6)
    assert math.isclose(lower.bounds[0, 2], -200.0, rel_tol=1e-6)
    # Their meshes have the true size, whatever the objects' scale shows them at.
    for obj in pieces():
        assert np.allclose(obj.scale, 400 / 700, rtol=1e-6)
        obj.location, obj.scale = np.array(obj.location) * 700 / 400, (1, 1, 1)
    lower, upper = (mesh_of(o) for o in pieces())
    # 40 mm above the middle of 400 is 70 mm above the middle of 700.
    top = lower.vertices[np.unique(lower.faces[lower.tag == 0]), 2]
    assert math.isclose(upper.bounds[1, 2], 350.0, rel_tol=1e-6)
    assert math.isclose(lower.bounds[0, 2], -350.0, rel_tol=1e-6)
    face = [m for m in (lower, upper) if np.isclose(m.vertices[:, 2], 70.0, atol=1e-4).any()]
    assert len(face) == 2 and top.size


def test_making_again_replaces_the_pieces_and_leaves_no_litter(figure, counts):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    keepsake = bpy.data.objects.new("Mine", None)
    pieces()[0].users_collection[0].objects.link(keepsake)
    before = counts()
    first = [mesh_of(o) for o in pieces()]
    bpy.ops.seamwright.make_pieces()
    assert counts() == before and keepsake.users_collection
    again = [mesh_of(o) for o in pieces()]
    for a, b in zip(first, again, strict=True):
        assert np.array_equal(a.vertices, b.vertices) and np.array_equal(a.faces, b.faces)
    bpy.ops.seamwright.add_seam(axis="X", at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    assert len(pieces()) == 4
    assert len([c for c in bpy.data.collections if c.name.startswith("Pieces")]) == 1


def test_a_failed_making_keeps_the_earlier_pieces(figure, counts):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    before, there = counts(), state()
    bpy.data.objects["Seam"].location.z = 900
    assert "misses the figure" in refused(bpy.ops.seamwright.make_pieces)
    assert (counts(), state()) == (before, there)


def test_a_failed_check_is_told_and_leaves_nothing(figure, counts, monkeypatch):
    from blender_addon import pieces as module  # noqa: PLC0415

    def fail(*_, **_options):
        raise CheckFailed("The sum of the pieces is not the figure.")

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    monkeypatch.setattr(module, "make", fail)
    before, there = counts(), state()
    assert refused(bpy.ops.seamwright.make_pieces) == "The sum of the pieces is not the figure."
    assert (counts(), state()) == (before, there)


def test_undo_takes_back_seams_and_pieces(figure):
    bpy.ops.ed.undo_push(message="start")
    start = state()
    bpy.ops.seamwright.add_seam(*UNDO, at="MIDDLE")
    seamed = state()
    bpy.ops.seamwright.make_pieces(*UNDO)
    made = state()
    assert len(made) == len(seamed) + 2 == len(start) + 3
    bpy.ops.ed.undo()
    assert state() == seamed
    bpy.ops.ed.undo()
    assert state() == start
    bpy.ops.ed.redo()
    bpy.ops.ed.redo()
    assert state() == made
    assert len(pieces()) == 2


def test_explode_moves_pieces_and_zero_brings_them_back(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    lower, upper = pieces()
    rest = [tuple(o.location) for o in (lower, upper)]
    shapes = [mesh_of(o) for o in (lower, upper)]
    group = lower.users_collection[0].seamwright
    group.explode = 1.0
    gap = upper.location.z - lower.location.z
    assert math.isclose(gap, 2 * (rest[1][2] - rest[0][2]), rel_tol=1e-6)
    bpy.ops.seamwright.make_pieces()
    lower, upper = pieces()
    assert math.isclose(upper.location.z - lower.location.z, gap, rel_tol=1e-6)
    lower.users_collection[0].seamwright.explode = 0.0
    assert [tuple(o.location) for o in (lower, upper)] == rest
    for obj, shape in zip((lower, upper), shapes, strict=True):
        assert np.array_equal(mesh_of(obj).vertices, shape.vertices)
        assert np.array_equal(mesh_of(obj).faces, shape.faces)


def test_seams_stand_where_they_are_put(figure):
    scene = bpy.context.scene
    scene.cursor.location = (1, 2, 30)
    for axis, normal in (("X", (1, 0, 0)), ("Y", (0, 1, 0)), ("Z", (0, 0, 1))):
        bpy.ops.seamwright.add_seam(axis=axis, at="CURSOR")
        seam = bpy.context.view_layer.objects.active
        assert seam.seamwright.is_seam and seam.seamwright.figure == figure
        assert tuple(seam.location) == (1, 2, 30)
        assert np.allclose(seam.matrix_world.col[2].to_3d().normalized(), normal, atol=1e-6)
        assert seam.parent is None and seam.hide_render
        assert seam.users_collection[0].name == "Seams of Keeper"
        assert seam.matrix_world.determinant() > 0
    assert [o.name for o in bpy.context.view_layer.objects.selected] == ["Seam.002"]
    bpy.ops.seamwright.select_seam(name="Seam")
    assert [o.name for o in bpy.context.view_layer.objects.selected] == ["Seam"]


@pytest.mark.parametrize("axis", ["X", "Y", "Z"])
def test_a_seams_object_is_not_scaled_and_its_rectangle_holds_the_figure(scene, add, axis):
    add(box(100, 60, 300))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE", axis=axis)
    seam = bpy.context.view_layer.objects.active
    bpy.context.view_layer.update()
    assert tuple(seam.scale) == (1.0, 1.0, 1.0)
    low, high = (
        np.array(c)
        for c in zip(
            *(
                (min(x), max(x))
                for x in zip(*(seam.matrix_world @ v.co for v in seam.data.vertices), strict=True)
            ),
            strict=True,
        )
    )
    sides = {"X": 100.0, "Y": 60.0, "Z": 300.0}
    for at, key in enumerate("XYZ"):
        assert high[at] - low[at] == pytest.approx(0 if key == axis else sides[key] + 60, abs=1e-3)


def test_adding_a_seam_keeps_what_was_found_of_the_figure(figure):
    bpy.ops.seamwright.inspect()
    found = bpy.context.scene.seamwright.found
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    assert found and bpy.context.scene.seamwright.found == found


def test_a_figure_of_no_extent_gets_no_seam(scene, add, counts):
    figure = add(box(10, 10, 10))
    bpy.ops.seamwright.use_selected()
    figure.scale = (0, 0, 0)
    before = counts()
    with pytest.raises(RuntimeError, match="has no extent"):
        bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert counts() == before


def test_a_seam_whose_figure_is_gone_says_so(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.context.scene.collection.objects.unlink(figure)
    with pytest.raises(RuntimeError, match="is not in this scene"):
        bpy.ops.seamwright.list_regions()


def test_a_seam_can_be_added_while_sculpting(figure):
    bpy.ops.object.mode_set(mode="SCULPT")
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert figure.mode == "SCULPT" and bpy.context.view_layer.objects.active == figure
    bpy.ops.seamwright.make_pieces()
    assert len(pieces()) == 2 and figure.mode == "SCULPT" and not figure.hide_get()


@pytest.mark.parametrize("mode", ["EDIT", "SCULPT"])
def test_undo_takes_back_a_seam_added_in_another_mode(figure, mode):
    bpy.ops.ed.undo_push(message="start")
    bpy.ops.object.mode_set(mode=mode)
    bpy.ops.ed.undo_push(message=mode)
    start = state()
    bpy.ops.seamwright.add_seam(*UNDO, at="MIDDLE")
    assert len(state()) == len(start) + 1
    bpy.ops.ed.undo()
    assert state() == start and bpy.data.objects["Keeper"].mode == mode


def test_reach_parts_one_limb_only(scene, add):
    """Two posts on one slab: the seam goes through both, the reach takes one."""
    add(two_posts())
    bpy.ops.seamwright.use_selected()
    scene.cursor.location = (80, 0, 100)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    seam = bpy.context.view_layer.objects.active
    for reach, count in (("nearest", 2), ("all", 3)):
        seam.seamwright.reach = reach
        bpy.ops.seamwright.make_pieces()
        assert len(pieces()) == count
    seam.seamwright.reach, seam.seamwright.regions = "regions", "2"
    bpy.ops.seamwright.make_pieces()
    assert len(pieces()) == 2
    seam.seamwright.joint = "plain"
    bpy.ops.seamwright.make_pieces()
    assert "1 joint without a peg" in scene.seamwright.pieces_found
    assert "a flat glued joint" in bpy.data.texts["Seamwright report"].as_string()
    bpy.context.view_layer.objects.active = seam
    bpy.ops.seamwright.list_regions()
    assert "region 1" in scene.seamwright.seam_found
    assert "region 2" in scene.seamwright.seam_found
    seam.seamwright.regions = "7"
    assert "no region 7" in refused(bpy.ops.seamwright.make_pieces)
    seam.seamwright.regions = "left"
    assert "'left' are not numbers" in refused(bpy.ops.seamwright.make_pieces)


def test_a_seam_that_stops_at_another_parts_one_side_only(scene, add):
    add(two_posts())
    bpy.ops.seamwright.use_selected()
    scene.cursor.location = (0, 0, 100)
    bpy.ops.seamwright.add_seam(at="CURSOR", axis="Z")
    scene.cursor.location = (-80, 0, 100)
    bpy.ops.seamwright.add_seam(at="CURSOR", axis="X")
    bpy.context.view_layer.objects.active.seamwright.reach = "regions"
    bpy.context.view_layer.objects.active.seamwright.regions = "1"
    # Below the level seam lies the larger region; above it the left post's top.
    bpy.ops.seamwright.make_pieces()
    assert len(pieces()) == 5
    bpy.ops.seamwright.stop_at(name="Seam")
    bpy.ops.seamwright.make_pieces()
    assert len(pieces()) == 4
    bpy.ops.seamwright.list_regions()
    assert "region 2" in scene.seamwright.seam_found


def two_posts() -> Mesh:
    import manifold3d  # noqa: PLC0415

    cube = manifold3d.Manifold.cube
    solid = cube([240, 80, 40]).translate([-120, -40, 0])
    for x, width in ((-80, 70), (80, 60)):
        solid += cube([width, 60, 160]).translate([x - width / 2, -30, 20])
    out = solid.to_mesh()
    return Mesh.of(out.vert_properties[:, :3], out.tri_verts)


def test_what_cannot_be_done_is_one_sentence(scene, add, counts):
    assert "Nothing is selected" in refused(bpy.ops.seamwright.use_selected)
    assert "Nothing is selected" in refused(bpy.ops.seamwright.make_pieces)
    assert "Nothing is selected" in refused(bpy.ops.seamwright.add_seam)

    bpy.ops.object.camera_add()
    assert "'Camera' is of type Camera" in refused(bpy.ops.seamwright.use_selected)

    one, two = add(tall(), "One"), add(box(10, 10, 10), "Two")
    one.select_set(True)
    assert "2 objects are selected" in refused(bpy.ops.seamwright.use_selected)

    add(Mesh.of([[0, 0, 0], [1, 0, 0]], []), "Bare")
    bpy.ops.seamwright.use_selected()
    before = counts()
    assert "'Bare' has no faces" in refused(bpy.ops.seamwright.make_pieces)
    assert "'Bare' has no faces" in refused(bpy.ops.seamwright.inspect)

    scene.seamwright.figure = two
    assert "no seam" in refused(bpy.ops.seamwright.make_pieces)
    assert counts() == before

    scene.cursor.location = (0, 0, 900)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    before = counts()
    assert "Seam 'Seam' misses the figure" in refused(bpy.ops.seamwright.make_pieces)
    bpy.data.objects["Seam"].scale = (1, 1, 0)
    assert "'Seam' is scaled to nothing" in refused(bpy.ops.seamwright.make_pieces)
    assert counts() == before

    bpy.context.view_layer.objects.active = two
    assert "is no seam" in refused(bpy.ops.seamwright.list_regions)
    assert "no seam 'Hat'" in refused(bpy.ops.seamwright.select_seam, name="Hat")


def test_an_open_figure_is_parted_with_a_warning_where_its_seams_are_sound(figure):
    figure.data.clear_geometry()
    ball = tall()
    figure.data.from_pydata(ball.vertices.tolist(), [], ball.faces[1:].tolist())
    figure.data.update()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    settings = bpy.context.scene.seamwright
    figure.seamwright.mend = False
    bpy.ops.seamwright.make_pieces()
    assert len(pieces()) == 2
    assert "Warning: " in settings.pieces_found
    figure.seamwright.mend = True
    bpy.ops.seamwright.make_pieces()
    assert len(pieces()) == 2 and "Warning: " not in settings.pieces_found
    assert len(figure.data.polygons) == len(ball.faces) - 1


def test_a_seam_or_a_piece_is_no_figure(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert "is a seam" in refused(bpy.ops.seamwright.use_selected)
    bpy.ops.seamwright.make_pieces()
    bpy.data.objects["Seam"].select_set(False)
    pieces()[0].select_set(True)
    assert "is a piece" in refused(bpy.ops.seamwright.use_selected)
    assert bpy.context.scene.seamwright.figure == figure


def test_two_figures_keep_their_own_seams_and_pieces(scene, add):
    for name, x in (("One", 0), ("Two", 500)):
        add(moved(tall(), (x, 0, 0)), name)
        bpy.ops.seamwright.use_selected()
        bpy.ops.seamwright.add_seam(at="MIDDLE")
        bpy.ops.seamwright.make_pieces()
    assert [o.name for o in pieces()] == ["Two piece-01", "Two piece-02"]
    scene.seamwright.figure = bpy.data.objects["One"]
    assert [o.name for o in pieces()] == ["One piece-01", "One piece-02"]


def test_inspecting_says_what_the_figure_is_like(figure):
    scene = bpy.context.scene
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 2.0
    bpy.ops.seamwright.inspect()
    assert "480.0 × 480.0 × 800.0 mm" in scene.seamwright.found
    assert "Sound" in scene.seamwright.found
    scene.seamwright.figure = None
    assert scene.seamwright.found == ""


def test_files_are_written_and_never_over_others(figure, tmp_path):
    write = bpy.ops.seamwright.write_files
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert "No directory" in refused(write)
    write(directory=str(tmp_path))
    folder = tmp_path / "Keeper-pieces"
    assert {p.name for p in folder.iterdir()} >= {
        "3mf", "builds.csv", "job.toml", "joints.csv", "parts.csv", "report.json", "stl",
    }  # fmt: skip
    with (folder / "parts.csv").open(encoding="utf-8", newline="") as file:
        assert [row["piece"] for row in csv.DictReader(file)] == ["1", "2"]
    assert "exists" in refused(write, directory=str(tmp_path))
    stamp = (folder / "report.json").read_bytes()
    (folder / "report.json").write_text("old")
    write(directory=str(tmp_path), replace=True)
    assert (folder / "report.json").read_bytes() == stamp

    other = tmp_path / "Letters"
    other.mkdir()
    (other / "letter.txt").write_text("dear")
    said = refused(write, directory=str(tmp_path), folder="Letters", replace=True)
    assert (
        "not a former result" in said
        and (other / "letter.txt").read_text(encoding="utf-8") == "dear"
    )
    assert "no folder" in refused(write, directory=str(tmp_path / "none"))


def test_written_pieces_follow_the_panel_and_not_the_last_making(figure, tmp_path):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    bpy.ops.seamwright.add_seam(axis="X", at="MIDDLE")
    bpy.ops.seamwright.write_files(directory=str(tmp_path), folder="four")
    assert len(list((tmp_path / "four" / "stl").iterdir())) == 4


def test_a_missing_package_is_one_sentence(figure, monkeypatch):
    from blender_addon import work  # noqa: PLC0415

    def gone(name, package):
        raise ModuleNotFoundError("No module named 'manifold3d'", name="manifold3d")

    monkeypatch.setattr(work.importlib, "import_module", gone)
    said = refused(bpy.ops.seamwright.make_pieces)
    assert "'manifold3d' is missing" in said and "extension" in said


def test_decisions_on_an_override_are_kept_in_its_file(scene, add, tmp_path):
    figure = add(box(100, 100, 300))
    figure.seamwright.keep_clear.add().name = "1"
    library, path = str(tmp_path / "library.blend"), str(tmp_path / "file.blend")
    bpy.ops.wm.save_as_mainfile(filepath=library)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.context.scene.unit_settings.scale_length = 0.001
    with bpy.data.libraries.load(library, link=True) as (_there, here):
        here.objects = ["Keeper"]
    bpy.context.scene.collection.objects.link(here.objects[0])
    obj = here.objects[0].override_create(remap_local_usages=True)
    obj.select_set(True)
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_keep_clear(kind="mask")
    group = obj.seamwright
    group.size, group.target_height, group.job_name, group.mend = "HEIGHT", 900.0, "kept", False
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.open_mainfile(filepath=path)
    group = bpy.context.scene.seamwright.figure.seamwright
    assert (group.size, group.target_height, group.job_name) == ("HEIGHT", 900.0, "kept")
    assert not group.mend
    assert [(item.name, item.kind) for item in group.keep_clear][-1] == ("2", "mask")


def test_a_linked_figure_says_that_what_is_decided_of_it_is_not_kept(scene, add, tmp_path):
    from blender_addon.scene import said_of_link  # noqa: PLC0415

    assert said_of_link(add(box(100, 100, 300))) == ""
    library = str(tmp_path / "library.blend")
    bpy.ops.wm.save_as_mainfile(filepath=library)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    with bpy.data.libraries.load(library, link=True) as (_there, here):
        here.objects = ["Keeper"]
    assert "linked from 'library.blend'" in said_of_link(here.objects[0])
