"""Pieces that fit no printer: shown, told, planned and written nowhere, and cured by seams."""

from __future__ import annotations

import pytest

bpy = pytest.importorskip("bpy")

from seamwright.shapes import box  # noqa: E402

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


def refused(operator, **options) -> str:
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    return str(raised.value).strip().removeprefix("Error: ")


def shown() -> list:
    """Which pieces are in the scene, and where."""
    bpy.context.view_layer.update()
    return [
        (obj.name, obj.data.name, len(obj.data.polygons), [tuple(r) for r in obj.matrix_world])
        for obj in pieces()
    ]


def test_misfits_are_shown_and_told_and_go_no_further(figure, tmp_path, capfd):
    settings = bpy.context.scene.seamwright
    bpy.data.objects.remove(seams()[1])
    seams()[0].location.z = 60
    bpy.context.view_layer.update()
    low, high = make()
    said = settings.pieces_found.splitlines()[0]
    assert said.startswith("1 of 2 pieces do not fit filament-256, which has 250")
    assert f"Warning: {said}" in capfd.readouterr().out
    assert "2 pieces, 1 joint, to be looked at; all other checks hold." in settings.pieces_found
    assert low.seamwright.misfit == ""
    wrong = high.seamwright.misfit
    assert wrong.startswith("Piece 2 misses by ") and wrong.endswith(".")
    assert wrong[1:-1] in said and "add a seam near (" in wrong
    assert bpy.data.texts["Seamwright report"].as_string().startswith(said)
    assert len(settings.joints) == 1
    before = shown()
    for act in (
        bpy.ops.seamwright.plan_builds,
        lambda: bpy.ops.seamwright.write_files(directory=str(tmp_path)),
    ):
        assert refused(act) == said
        assert settings.pieces_found == said and not len(settings.builds)
        assert shown() == before and not list(tmp_path.iterdir())
    # Undone by a seam where it says.
    seam_at(230)
    now = make()
    assert len(now) == 3 and not any(obj.seamwright.misfit for obj in now)
    assert now[0] == low and "do not fit" not in settings.pieces_found
    bpy.ops.seamwright.plan_builds()


def test_offered_seams_make_misfits_fit(figure):
    settings = bpy.context.scene.seamwright
    assert "All pieces fit" in refused(bpy.ops.seamwright.add_offered_seams)
    bpy.data.objects.remove(seams()[1])
    seams()[0].location.z = 60
    bpy.context.view_layer.update()
    low, _high = make()
    bpy.ops.ed.undo_push(message="made")
    assert bpy.ops.seamwright.add_offered_seams(*UNDO) == {"FINISHED"}
    first, new = seams()
    assert [stop.seam for stop in new.seamwright.stops_at] == [first]
    assert new.seamwright.reach == "nearest" and tuple(new.location) == pytest.approx((30, 30, 230))
    assert settings.pieces_found == "1 seam added for piece 2 to fit; make the pieces again."
    now = make()
    assert len(now) == 3 and now[0] == low and not any(o.seamwright.misfit for o in now)
    bpy.ops.ed.undo()
    assert len(seams()) == 1


def test_offered_seams_take_the_piece_alone(scene, add):
    """Two posts on a slab: what the tall one is parted by leaves the short one whole."""
    import manifold3d  # noqa: PLC0415

    from seamwright.mesh import Mesh  # noqa: PLC0415

    cube = manifold3d.Manifold.cube
    solid = cube([240, 80, 40]).translate([-120, -40, 0])
    for x, tall in ((-80, 500), (80, 300)):
        solid += cube([60, 60, tall]).translate([x - 30, -30, 20])
    out = solid.to_mesh()
    add(Mesh.of(out.vert_properties[:, :3], out.tri_verts), "Posts")
    bpy.ops.seamwright.use_selected()
    scene.seamwright.build_volume = (256, 256, 256)
    for x in (-80, 80):
        seam_at(60).location.x = x
        bpy.context.view_layer.objects.active.seamwright.reach = "nearest"
    bpy.context.view_layer.update()
    made = make()
    wrong = [obj for obj in made if obj.seamwright.misfit]
    assert len(made) == 3 and len(wrong) == 1
    bpy.ops.seamwright.add_offered_seams()
    added = len(seams()) - 2
    now = make()
    # Each parts the tall post alone, though its plane may meet the short one too.
    assert added >= 1 and len(now) == 3 + added
    assert all(seam.location.z < 320 for seam in seams()[2:])
    assert not any(obj.seamwright.misfit for obj in now)


def test_where_no_seam_helps_it_is_said(figure):
    make()
    bpy.context.scene.seamwright.build_volume = (80, 80, 20)
    make()
    before = len(seams())
    said = refused(bpy.ops.seamwright.add_offered_seams)
    assert said.startswith("No parallel seams were found that would make pieces 1, 2, 3 fit;")
    assert len(seams()) == before
