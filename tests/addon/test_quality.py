"""What is said of a seam before it is cut, nudging, and regions that would free a piece."""

from __future__ import annotations

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright.__main__ import main  # noqa: E402
from seamwright.job import Job  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.nudges import nudged_seams  # noqa: E402
from seamwright.run import prepare  # noqa: E402
from seamwright.shapes import revolved, sphere  # noqa: E402

UNDO = "EXEC_DEFAULT", True


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


def ready():
    """The figure as the library prepares it for the panel's job."""
    from blender_addon.conversion import marked_mesh_of  # noqa: PLC0415

    job = panel_job()
    choice = job.figure
    figure = bpy.data.objects[choice.object]
    mesh, unit, marked = marked_mesh_of(
        figure, bpy.context, choice.keep_clear, choice.natural_lines
    )
    return prepare(mesh, unit, job, marked), job


def settings():
    return bpy.context.scene.seamwright


def activate(name: str):
    obj = bpy.data.objects[name]
    for other in bpy.context.view_layer.objects.selected:
        other.select_set(False)
    obj.select_set(True)
    bpy.context.view_layer.objects.active = obj
    return obj


def flat(name: str, *place, turn=(0, 0, 0)):
    bpy.context.scene.cursor.location = place
    bpy.ops.seamwright.add_seam(at="CURSOR")
    obj = bpy.context.view_layer.objects.active
    obj.name, obj.rotation_euler = name, turn
    return obj


def waisted() -> Mesh:
    """A turned figure with a neck at z = 30 and a groove at z = -40, mm."""
    profile = [
        (0, -100), (40, -100), (50, -80), (50, -44), (46, -40), (50, -36), (50, 0), (30, 20),
        (24, 30), (30, 40), (45, 60), (40, 90), (0, 90),
    ]  # fmt: skip
    radius, height = np.array(profile, dtype=float).T
    return revolved(radius, height, 64)


def frame_of_posts() -> Mesh:
    """Three posts between two slabs: what is cut through one post hangs by the others."""
    import manifold3d  # noqa: PLC0415

    cube = manifold3d.Manifold.cube
    solid = cube([200, 60, 20]).translate([-100, -30, -10])
    solid += cube([200, 60, 20]).translate([-100, -30, 90])
    for x, width in ((-70, 40), (0, 34), (70, 28)):
        solid += cube([width, 40, 84]).translate([x - width / 2, -20, 8])
    out = solid.to_mesh()
    return Mesh.of(out.vert_properties[:, :3], out.tri_verts)


@pytest.fixture
def figure(scene, add):
    obj = add(waisted())
    bpy.ops.seamwright.use_selected()
    return obj


@pytest.fixture
def posts(scene, add):
    obj = add(frame_of_posts())
    bpy.ops.seamwright.use_selected()
    return obj


# --- quality -------------------------------------------------------------------------------


def test_quality_is_what_the_command_says_of_the_same_seams(figure, tmp_path, capsys):
    flat("neck", 0, 0, 33)
    flat("belt", 0, 0, -30, turn=(0.1, 0, 0))
    bpy.context.scene.cursor.location = (0, 0, 0)
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    bpy.context.view_layer.objects.active.name = "hem"
    activate("belt")
    bpy.ops.seamwright.stop_at(name="neck")
    said = []
    for name in ("neck", "belt", "hem"):
        activate(name)
        bpy.ops.seamwright.seam_quality()
        said += settings().seam_found.splitlines()
    bpy.ops.seamwright.save_job(filepath=str(tmp_path / "keeper.toml"))
    prepared, _job = ready()

    def source(job, _folder):
        from blender_addon.conversion import marked_mesh_of  # noqa: PLC0415

        return marked_mesh_of(figure, bpy.context, (), ())

    capsys.readouterr()
    assert main([str(tmp_path / "keeper.toml"), "--quality"], source) == 0
    told = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert set(said) <= set(told) and len(said) > 10
    assert sorted(line for line in said if line.startswith("Seam '")) == [
        "Seam 'belt':", "Seam 'hem':", "Seam 'neck':",
    ]  # fmt: skip
    assert prepared.mesh.is_closed


def test_quality_of_one_seam_is_not_kept_from_by_another(figure):
    flat("neck", 0, 0, 33)
    flat("astray", 0, 0, 900)
    activate("neck")
    bpy.ops.seamwright.seam_quality()
    assert "The seam is" in settings().seam_found and "Cost" in settings().seam_found
    activate("astray")
    assert "misses the figure" in refused(bpy.ops.seamwright.seam_quality)
    activate("Keeper")
    assert "is no seam" in refused(bpy.ops.seamwright.seam_quality)


def test_a_line_seam_says_what_it_takes_off(figure):
    bpy.context.scene.cursor.location = (0, 0, 30)
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    bpy.ops.seamwright.list_regions()
    assert "a line of" in settings().seam_found and "takes off" in settings().seam_found


# --- nudging -------------------------------------------------------------------------------


def test_a_nudged_seam_goes_where_the_library_says_with_every_digit(figure):
    flat("neck", 0, 0, 34, turn=(0.05, 0.02, 0))
    flat("belt", 0, 0, -60)
    prepared, job = ready()
    wanted, done = nudged_seams(
        prepared.mesh, prepared.markings, job.seams, ["neck"],
        shift=8.0, tilt=6.0, wall=job.printer.wall,
    )  # fmt: skip
    assert done[0].is_moved
    activate("neck")
    assert bpy.ops.seamwright.nudge(shift=8.0, tilt=6.0) == {"FINISHED"}
    assert panel_job().seams == wanted
    assert settings().seam_found == "\n".join(done[0].lines())
    obj = bpy.data.objects["neck"]
    normal = np.array(wanted[0].normal) / np.linalg.norm(wanted[0].normal)
    column = np.array(obj.matrix_world, dtype=float)[:3, 2]
    assert np.allclose(column / np.linalg.norm(column), normal, atol=1e-6)
    assert abs((np.array(obj.location) - wanted[0].point) @ normal) < 1e-4
    # It stays near its limb: the square is not dragged along its own plane.
    assert np.hypot(*obj.location[:2]) < 2


def test_all_flat_seams_are_nudged_in_one_undo_step(figure):
    flat("neck", 0, 0, 33)
    flat("belt", 0, 0, -41)
    bpy.context.scene.cursor.location = (0, 0, 0)
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    bpy.ops.ed.undo_push(message="placed")
    before = panel_job()
    bpy.ops.seamwright.nudge(*UNDO, which="ALL", tilt=3.0)
    after = panel_job()
    assert after.seams[0] != before.seams[0] and after.seams[2] == before.seams[2]
    assert settings().seam_found.count("'neck' ") == 1 and "'belt' " in settings().seam_found
    bpy.ops.ed.undo()
    assert panel_job() == before
    bpy.ops.ed.redo()
    assert panel_job() == after


def test_the_bound_of_a_nudge_is_a_share_of_the_figure_unless_given(figure, monkeypatch):
    from blender_addon import quality  # noqa: PLC0415

    flat("neck", 0, 0, 33)
    used = []

    def nudged(*arguments, **options):
        used.append((options["shift"], options["tilt"]))
        return nudged_seams(*arguments, **options)

    monkeypatch.setattr(quality, "nudged_seams", nudged)
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 2.0
    bpy.ops.seamwright.nudge()
    bpy.ops.seamwright.nudge(shift=0.0, tilt=5.0)
    assert used == [(pytest.approx(0.02 * 380), 10.0), (0.0, 5.0)]


def test_a_seam_that_hangs_on_an_object_is_nudged_in_the_scene(figure):
    obj = flat("neck", 0, 0, 0)
    hanger = bpy.data.objects.new("Hanger", None)
    bpy.context.scene.collection.objects.link(hanger)
    hanger.location, hanger.rotation_euler = (0, 0, 34), (0.05, 0, 0.7)
    obj.parent = hanger
    bpy.context.view_layer.update()
    prepared, job = ready()
    wanted = nudged_seams(
        prepared.mesh, prepared.markings, job.seams, shift=8.0, wall=job.printer.wall
    )[0]
    assert wanted != job.seams
    bpy.ops.seamwright.nudge(shift=8.0)
    bpy.context.view_layer.update()
    assert panel_job().seams == wanted


def test_what_cannot_be_nudged_is_one_sentence(figure):
    nudge = bpy.ops.seamwright.nudge
    assert "is no seam" in refused(nudge)
    assert "no flat seam to nudge" in refused(nudge, which="ALL")
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    assert "no flat seam to nudge" in refused(nudge)
    neck = flat("neck", 0, 0, 33)
    activate("Seam")
    assert "only flat seams are nudged" in refused(nudge)
    activate("neck")
    neck.constraints.new("LIMIT_LOCATION")
    bpy.context.view_layer.update()
    before = panel_job()
    assert "has constraints" in refused(nudge)
    assert panel_job() == before


# --- regions that would free a piece ---------------------------------------------------------


@pytest.mark.parametrize("reach", ["nearest", "regions", "disc"])
def test_offered_regions_free_the_piece(posts, reach):
    obj = flat("post", -70, 0, 50)
    obj.seamwright.reach = reach
    obj.seamwright.radius = 40.0
    # Regions 1 to 3 are the posts from the widest on.
    said = refused(bpy.ops.seamwright.make_pieces)
    assert "stays tied together through" in said and "region 2" in said and "region 3" in said
    assert settings().pieces_found == said and settings().offer
    assert bpy.ops.seamwright.take_offer() == {"FINISHED"}
    assert settings().offer == "" and "post" in settings().pieces_found
    seam = panel_job().seams[0]
    assert seam.reach.mode == ("regions" if reach == "regions" else "nearest")
    assert len(seam.reach.regions or seam.reach.points) == 3
    assert tuple(obj.location) == (-70, 0, 50)
    bpy.ops.seamwright.make_pieces()
    assert "2 pieces, 3 joints" in settings().pieces_found


def test_an_offer_can_be_undone_and_grows_stale(posts):
    obj = flat("post", -70, 0, 50)
    obj.seamwright.reach = "nearest"
    bpy.ops.ed.undo_push(message="placed")
    before = panel_job()
    refused(bpy.ops.seamwright.make_pieces)
    bpy.ops.ed.undo_push(message="asked")
    bpy.ops.seamwright.take_offer(*UNDO)
    assert panel_job() != before
    bpy.ops.ed.undo()
    assert panel_job() == before and settings().offer
    bpy.data.objects["post"].location.z = 55
    assert "were changed since the offer" in refused(bpy.ops.seamwright.take_offer)
    bpy.data.objects["post"].seamwright.reach = "all"
    bpy.ops.seamwright.make_pieces()
    assert settings().offer == ""
    assert "No further regions are offered" in refused(bpy.ops.seamwright.take_offer)


def test_an_offer_may_concern_two_seams(scene, add):
    """A coat above and below a belt, and two poles beside it that hold both halves together.

    The back stops at the belt and is told by numbers, which change when the belt takes more.
    """
    import manifold3d  # noqa: PLC0415

    cube = manifold3d.Manifold.cube
    solid = cube([100, 40, 100])
    for x, reach in ((-20, -20), (110, 90)):
        solid += cube([10, 10, 70]).translate([x, 15, 15])
        for z in (15, 75):
            solid += cube([30, 10, 10]).translate([reach, 15, z])
    out = solid.to_mesh()
    add(Mesh.of(out.vert_properties[:, :3], out.tri_verts))
    bpy.ops.seamwright.use_selected()
    flat("belt", 50, 20, 50).seamwright.reach = "nearest"
    back = flat("back", 50, 20, 0, turn=(0, np.pi / 2, 0))
    back.seamwright.reach, back.seamwright.regions = "regions", "1"
    bpy.ops.seamwright.stop_at(name="belt")
    refused(bpy.ops.seamwright.make_pieces)
    said = settings().offer
    bpy.ops.seamwright.take_offer()
    assert "'belt' and 'back'" in settings().pieces_found, said
    belt, back = panel_job().seams
    assert len(belt.reach.points) == 3 and belt.reach.points[0] == (50.0, 20.0, 50.0)
    assert back.reach.mode == "nearest" and back.stops_at == ("belt",)
    bpy.ops.seamwright.make_pieces()
    assert "3 pieces" in settings().pieces_found


def test_other_failures_offer_nothing(posts):
    flat("post", 0, 0, 900)
    assert "misses" in refused(bpy.ops.seamwright.make_pieces)
    assert settings().offer == "" and "misses" in settings().pieces_found


# --- reach -----------------------------------------------------------------------------------


def test_reach_goes_by_the_cursor(posts):
    obj = flat("post", -70, 0, 50)
    reach = bpy.ops.seamwright.reach_at_cursor
    assert "has no point" in refused(reach)
    obj.seamwright.reach = "nearest"
    bpy.context.scene.cursor.location = (0, 1, 50)
    reach(also=True)
    assert panel_job().seams[0].reach.points == ((-70.0, 0.0, 50.0), (0.0, 1.0, 50.0))
    bpy.context.scene.cursor.location = (70, 1, 50)
    reach(also=True)
    bpy.ops.seamwright.make_pieces()
    assert "2 pieces, 3 joints" in settings().pieces_found
    reach(also=False)
    assert panel_job().seams[0].reach.points == ((70.0, 1.0, 50.0),)
    obj.seamwright.reach = "disc"
    assert panel_job().seams[0].reach.points == ((-70.0, 0.0, 50.0),)
    bpy.context.scene.cursor.location = (35, 0, 50)
    reach(also=True)
    obj.seamwright.radius = 60.0
    seam = panel_job().seams[0]
    assert seam.reach.points == ((35.0, 0.0, 50.0),) and seam.reach.radius == 60.0
    assert "region 1" in refused(bpy.ops.seamwright.make_pieces)


def test_reach_goes_by_an_outline_that_is_a_curve(posts):
    obj = flat("post", 0, 0, 50)
    obj.seamwright.reach = "outline"
    assert "Seam 'post' has no outline" in refused(bpy.ops.seamwright.make_pieces)
    bpy.ops.curve.primitive_bezier_circle_add(radius=60, location=(-70, 0, 50))
    circle = bpy.context.view_layer.objects.active
    obj.seamwright.outline = circle
    points = np.array(panel_job().seams[0].reach.points)
    assert len(points) > 20
    assert np.allclose(np.hypot(points[:, 0] + 70, points[:, 1]), 60.0, atol=0.5)
    assert "region 2" in refused(bpy.ops.seamwright.make_pieces)
    circle.location.x, circle.scale = 0, (2.2, 2.2, 2.2)
    bpy.ops.seamwright.make_pieces()
    assert "2 pieces, 3 joints" in settings().pieces_found
    circle.data.splines[0].use_cyclic_u = False
    said = refused(bpy.ops.seamwright.make_pieces)
    assert "The outline of seam 'post' is not closed" in said


def test_an_outline_of_a_job_comes_back_with_every_digit(posts, counts, tmp_path):
    from blender_addon.job import apply_job  # noqa: PLC0415

    obj = flat("post", 0, 0, 50)
    obj.seamwright.reach = "outline"
    bpy.ops.curve.primitive_bezier_circle_add(radius=60, location=(-70, 0, 50))
    obj.seamwright.outline = bpy.context.view_layer.objects.active
    job = panel_job()
    before = counts()
    for _ in range(2):
        apply_job(bpy.context, job)
        assert panel_job() == job
    # The user's own curve stays; the job's is the seam's own and goes with it.
    assert counts()["curves"] == before["curves"] + 1
    bpy.data.objects["post outline"].location.x += 10
    moved = np.array(panel_job().seams[0].reach.points) - job.seams[0].reach.points
    assert np.allclose(moved, [10, 0, 0], atol=2e-3)


# --- warnings --------------------------------------------------------------------------------


def test_slivers_are_warned_of_in_the_panel(scene, add):
    ball = sphere(100, 32)
    add(ball)
    bpy.ops.seamwright.use_selected()
    flat("slip", 0, 0, 98.5)
    bpy.ops.seamwright.make_pieces()
    said = settings().pieces_found
    assert "Warning: Piece 2 is a sliver" in said and "'slip'" in said
    assert "Warning: Piece 2" in bpy.data.texts["Seamwright report"].as_string()
