"""A stroke across a limb becomes a seam: what it takes, its side A, its redo, its refusals."""

from __future__ import annotations

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")
from mathutils import Vector  # noqa: E402

from seamwright.mesh import joined  # noqa: E402
from seamwright.shapes import box  # noqa: E402

AHEAD = (0.0, 1.0, 0.0)


@pytest.fixture
def figure(scene, add):
    obj = add(joined([box(100, 60, 200, (-50, 0, 0)), box(20, 20, 200, (70, 0, 0))]))
    bpy.ops.seamwright.use_selected()
    return obj


def draw(x0: float, x1: float, z: float = 100.0, **options):
    return bpy.ops.seamwright.draw_seam(
        start=(x0, -500, z), start_way=AHEAD, end=(x1, -500, z), end_way=AHEAD, **options
    )


def seams():
    from blender_addon.scene import seams_of  # noqa: PLC0415

    return seams_of(bpy.context.scene.seamwright.figure, bpy.context.scene)


def job():
    from blender_addon.quality import job_now  # noqa: PLC0415

    return job_now(bpy.context, bpy.context.scene.seamwright.figure)[0]


def test_a_stroke_across_a_limb_takes_that_limb(figure):
    assert draw(55, 110) == {"FINISHED"}
    (obj,) = seams()
    assert bpy.context.view_layer.objects.active == obj
    assert np.allclose(obj.matrix_world.translation, (80, 10, 100), atol=1e-3)
    (seam,) = job().seams
    assert seam.normal == (0.0, 0.0, 1.0) and seam.point[2] == pytest.approx(100)
    assert seam.reach.mode == "nearest" and len(seam.reach.points) == 1
    assert bpy.ops.seamwright.make_pieces() == {"FINISHED"}
    from blender_addon.scene import pieces_of  # noqa: PLC0415

    heights = sorted(round(o.dimensions.z) for o in pieces_of(figure, bpy.context.scene))
    assert len(heights) == 3 and heights[-1] >= 200


def test_side_a_is_on_the_left_or_flipped(figure):
    draw(55, 110)
    draw(110, 55)
    draw(55, 110, flip=True)
    assert [seam.normal[2] for seam in job().seams] == [1.0, -1.0, -1.0]
    arrows = [obj.matrix_world.to_3x3() @ Vector((0, 0, 1)) for obj in seams()]
    assert [a.z > 0 for a in arrows] == [True, False, False]


def test_names_in_the_job_are_those_in_the_panel(figure):
    draw(55, 110)
    first = seams()[0]
    draw(-70, 40)
    assert [seam.name for seam in job().seams] == ["Seam", "Seam.001"]
    bpy.data.objects.remove(first)
    assert [seam.name for seam in job().seams] == [seams()[0].name]


def test_everything_under_the_stroke_is_taken_if_asked(figure):
    draw(-10, 75, every=True)
    assert len(job().seams[0].reach.points) == 2


def test_a_scaled_figure_is_met_where_it_is_shown(figure):
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 3.0
    draw(55, 110)
    assert np.allclose(seams()[0].matrix_world.translation, (80, 10, 100), atol=1e-3)
    assert job().seams[0].point[2] == pytest.approx(300)


@pytest.mark.parametrize("mode", ["EDIT", "SCULPT"])
def test_a_stroke_is_drawn_from_other_modes(figure, mode):
    before = [tuple(v.co) for v in figure.data.vertices]
    bpy.ops.object.mode_set(mode=mode)
    assert draw(55, 110) == {"FINISHED"}
    assert bpy.context.mode == ("SCULPT" if mode == "SCULPT" else "OBJECT")
    bpy.ops.object.mode_set(mode="OBJECT")
    assert len(seams()) == 1
    assert [tuple(v.co) for v in figure.data.vertices] == before


def test_undo_takes_the_seam_away(figure):
    bpy.ops.ed.undo_push()
    bpy.ops.seamwright.draw_seam(
        "EXEC_DEFAULT", True, start=(55, -500, 100), start_way=AHEAD, end=(110, -500, 100),
        end_way=AHEAD,
    )  # fmt: skip
    assert len(seams()) == 1
    bpy.ops.ed.undo()
    assert seams() == []


@pytest.mark.parametrize(("x0", "x1", "said"), [(300, 400, "nothing"), (80, 80, "no length")])
def test_a_stroke_that_makes_no_seam_is_refused(figure, counts, x0, x1, said):
    before = counts()
    with pytest.raises(RuntimeError, match=said):
        draw(x0, x1)
    assert counts() == before


def test_it_needs_a_figure(scene):
    with pytest.raises(RuntimeError, match="Nothing is selected"):
        draw(0, 1)


def test_with_ctrl_a_stroke_runs_in_steps():
    from blender_addon.stroke_operators import _in_steps  # noqa: PLC0415

    first, last = Vector((10, 10)), Vector((110, 13))
    assert _in_steps(first, last, False) == last
    level = _in_steps(first, last, True)
    assert level.y == pytest.approx(10) and level.x == pytest.approx(110, abs=0.1)
