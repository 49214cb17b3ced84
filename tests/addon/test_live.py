"""What is drawn over the viewport: seams followed as they are moved, joints, and places."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright.mesh import Mesh  # noqa: E402
from seamwright.shapes import box, moved, sphere  # noqa: E402


def follow():
    """Look once where the seams are, as the timer does."""
    from blender_addon import handlers  # noqa: PLC0415

    return handlers.follow(bpy.context)


def section():
    from blender_addon import live  # noqa: PLC0415

    return live.section_now()


def drawn() -> dict:
    """The lines to draw at a new redraw, by what they are of."""
    from blender_addon import overlay, redraw  # noqa: PLC0415

    redraw.begin()
    return {
        what: np.array([[tuple(end) for end in part] for part in lines()]).reshape(-1, 2, 3)
        for what, (_key, lines) in overlay.lines_to_draw(bpy.context).items()
    }


def select(obj) -> None:
    from blender_addon.work import select  # noqa: PLC0415

    select(bpy.context, obj)


def together(*parts: Mesh) -> Mesh:
    starts = np.cumsum([0, *(len(p.vertices) for p in parts)])[:-1]
    faces = np.concatenate([p.faces + s for p, s in zip(parts, starts, strict=True)])
    return Mesh.of(np.concatenate([p.vertices for p in parts]), faces)


@pytest.fixture
def figure(scene, add):
    obj = add(sphere(100, 48))
    bpy.ops.seamwright.use_selected()
    return obj


def radius_of(lines) -> float:
    return float(np.linalg.norm(lines[:, :, :2], axis=2).max())


def test_the_section_follows_the_seam(figure, contents):
    before = contents(figure.data)
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seam = bpy.context.view_layer.objects.active
    follow()
    assert "1 region of 1, 31" in section().said
    for z in (10, 35, 60, 80):
        seam.location.z = z
        assert follow() is not None
        taken = drawn()["taken"]
        assert np.allclose(taken[:, :, 2], z, atol=1e-4)
        assert np.isclose(radius_of(taken), np.sqrt(100**2 - z**2), rtol=0.01)
        # Each part goes on where the last one ended.
        assert np.allclose(taken[:, 1], np.roll(taken[:, 0], -1, axis=0))
        assert len(drawn()["left"]) == 0
    assert contents(figure.data) == before


def test_nothing_is_looked_at_twice(figure):
    from blender_addon import live  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    follow()
    version, kept = live.version[0], section()
    follow()
    assert live.version[0] == version and section() is kept


def test_a_section_that_is_gone_is_said(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seam = bpy.context.view_layer.objects.active
    follow()
    seam.location.z = 300
    follow()
    assert "misses the figure" in section().said and not len(section().taken)
    seam.location.z = 0
    follow()
    assert "1 region of 1" in section().said


def test_what_was_made_of_another_figure_is_dropped(figure, scene):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    follow()
    figure.data.vertices.foreach_set(
        "co", 2 * np.array([v.co for v in figure.data.vertices], dtype=np.float32).ravel()
    )
    figure.data.update()
    bpy.context.view_layer.update()
    follow()
    assert np.isclose(radius_of(drawn()["taken"]), 200, rtol=0.01)
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 3.0
    follow()
    # Drawn where the figure is; told at its true size.
    assert np.isclose(radius_of(drawn()["taken"]), 200, rtol=0.01)
    assert float(section().said.split(", ")[1].split()[0]) > 11000
    scene.seamwright.show_sections = False
    follow()
    assert section() is None and set(drawn()) == {"arrow"}


def test_other_objects_are_not_followed(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    follow()
    assert section() is not None
    select(figure)
    follow()
    assert section() is None
    bpy.context.scene.seamwright.figure = None
    assert follow() is None


@pytest.fixture
def leaning(scene, add):
    """A straight limb and one that leans past it."""
    straight = moved(box(30, 30, 400), (40, -15, 0))
    lean = moved(box(30, 30, 400), (-15, -15, 0))
    points = lean.vertices + lean.vertices[:, 2:] * [-0.5, 0.0, 0.0]
    obj = add(together(straight, Mesh.of(points, lean.faces)))
    bpy.ops.seamwright.use_selected()
    scene.cursor.location = (0, 0, 20)
    bpy.ops.seamwright.add_seam(at="CURSOR")
    seam = bpy.context.view_layer.objects.active
    seam.seamwright.reach = "nearest"
    return obj


def test_a_reach_goes_on_with_its_limb(leaning):
    from blender_addon.conversion import mesh_of  # noqa: PLC0415
    from blender_addon.job import job_of  # noqa: PLC0415

    def near():
        source = mesh_of(leaning, bpy.context)[0]
        return job_of(bpy.context, leaning, source).seams[0].reach.points[0]

    seam = bpy.context.view_layer.objects.active
    follow()
    assert "1 region of 2" in section().said
    for z in range(40, 400, 20):
        seam.location.z = z
        follow()
    # Straight above where it was, the straight limb is nearer than the leaning one.
    assert near()[0] == 0.0
    assert drawn()["taken"][:, :, 0].max() < -150 < drawn()["left"][:, :, 0].min()
    # At rest the reach is given to the limb that was followed.
    follow()
    assert near()[0] < -150 and seam.seamwright.reach == "nearest"
    follow()
    assert drawn()["taken"][:, :, 0].max() < -150


def test_a_reach_that_needs_no_help_is_left_alone(leaning):
    seam = bpy.context.view_layer.objects.active
    told = seam.seamwright.told
    follow()
    seam.location.z = 30
    follow()
    follow()
    assert seam.seamwright.told == told


def test_a_seam_that_stops_at_another_is_followed_among_what_that_leaves(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_seam(at="MIDDLE", axis="X")
    bpy.ops.seamwright.stop_at(name="Seam")
    seam = bpy.context.view_layer.objects.active
    seam.seamwright.reach = "regions"
    follow()
    assert "1 region of 2" in section().said
    seam.location.x = 20
    follow()
    assert "1 region of 2" in section().said
    assert np.allclose(drawn()["taken"][:, :, 0], 20, atol=1e-4)


def test_a_line_seam_is_drawn_over_the_skin(figure):
    from blender_addon import live  # noqa: PLC0415

    bpy.ops.seamwright.add_line_seam(source="CURSOR", points=5)
    seam = bpy.context.view_layer.objects.active
    assert follow() is not None and "line" not in drawn()
    # It is drawn once it is at rest.
    assert follow() is None
    line = drawn()["line"]
    away = np.linalg.norm(line, axis=2)
    assert away.min() > 98 and len(line) > 20
    # The straight parts of a line of five points would lie far below the skin.
    kept = live.lines_now()["Seam"]
    follow()
    assert live.lines_now()["Seam"] is kept
    seam.location.z += 5
    follow()
    follow()
    assert live.lines_now()["Seam"] is not kept
    seam.hide_set(True)
    assert "line" not in drawn()
    seam.hide_set(False)
    bpy.data.objects.remove(seam)
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    follow()
    follow()
    assert "line" not in drawn()


def test_a_line_that_cannot_be_drawn_is_told_by_the_buttons_alone(figure):
    from blender_addon import live  # noqa: PLC0415

    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    seam = bpy.context.view_layer.objects.active
    seam.data.splines[0].use_cyclic_u = False
    follow()
    follow()
    assert not len(drawn()["line"])
    assert "is not closed" in live.lines_now()["Seam"].said


# --- seams that are not active, and side A ----------------------------------------------------


def test_all_other_seams_are_drawn_where_they_cross_the_skin(figure):
    for z in (-40, 0, 60):
        bpy.context.scene.cursor.location = (0, 0, z)
        bpy.ops.seamwright.add_seam(at="CURSOR")
    low, middle, high = (bpy.data.objects[n] for n in ("Seam", "Seam.001", "Seam.002"))
    # One at each look, once the active one is at rest.
    assert follow() is not None and "other" not in drawn()
    while follow() is not None:
        pass
    other = drawn()["other"]
    assert set(np.round(other[:, :, 2], 3).ravel()) == {-40.0, 0.0}
    assert np.isclose(radius_of(other), 100, rtol=0.01)
    low.location.z = -70
    middle.hide_set(True)
    while follow() is not None:
        pass
    assert set(np.round(drawn()["other"][:, :, 2], 3).ravel()) == {-70.0}
    select(low)
    follow()
    while follow() is not None:
        pass
    assert set(np.round(drawn()["other"][:, :, 2], 3).ravel()) == {60.0}
    # With none active, all are.
    select(figure)
    while follow() is not None:
        pass
    assert set(np.round(drawn()["other"][:, :, 2], 3).ravel()) == {-70.0, 60.0}
    bpy.data.objects.remove(high)
    while follow() is not None:
        pass
    assert set(np.round(drawn()["other"][:, :, 2], 3).ravel()) == {-70.0}


def test_only_what_another_seam_takes_is_drawn(leaning):
    from blender_addon import live  # noqa: PLC0415

    select(leaning)
    while follow() is not None:
        pass
    other = drawn()["other"]
    assert other[:, :, 0].min() > -40 and other[:, :, 0].max() < 40
    version = live.version[0]
    follow()
    assert live.version[0] == version
    bpy.data.objects["Seam"].seamwright.reach = "all"
    while follow() is not None:
        pass
    assert drawn()["other"][:, :, 0].max() > 69


def test_a_seam_that_stops_at_a_line_is_drawn_as_it_was_last_followed(figure):
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    bpy.ops.seamwright.add_seam(at="MIDDLE", axis="X")
    seam = bpy.context.view_layer.objects.active
    seam.seamwright.stops_at.add().seam = bpy.data.objects["Seam"]

    def in_plane(lines):
        return int(np.all(np.abs(lines[:, :, 0]) < 1e-3, axis=1).sum())

    select(figure)
    while follow() is not None:
        pass
    assert in_plane(drawn()["other"]) == 0
    select(seam)
    while follow() is not None:
        pass
    whole = drawn()["taken"]
    select(figure)
    while follow() is not None:
        pass
    assert in_plane(drawn()["other"]) == len(whole) > 0


def test_the_active_seam_has_an_arrow_to_side_a(figure):
    from blender_addon import overlay  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seam = bpy.context.view_layer.objects.active
    (start, end), *barbs = drawn()["arrow"]
    assert np.allclose(start, 0) and end[2] > 20 and np.allclose(end[:2], 0)
    assert len(barbs) == 2 and all(np.allclose(barb[0], end) for barb in barbs)
    assert [w for _what, w, _at in overlay.words_to_draw(bpy.context)] == ["side A"]
    seam.rotation_euler.x = np.pi / 2
    bpy.context.view_layer.update()
    assert np.allclose(drawn()["arrow"][0, 1], (0, -end[2], 0), atol=1e-4)
    seam.hide_set(True)
    assert "arrow" not in drawn()
    seam.hide_set(False)
    select(figure)
    assert "arrow" not in drawn()


def test_a_seam_of_an_older_file_has_its_own_arrow(figure, scene):
    from blender_addon import scene as ours  # noqa: PLC0415
    from blender_addon.quality import job_now  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seam = bpy.context.view_layer.objects.active
    square = [(-0.5, -0.5, 0), (0.5, -0.5, 0), (0.5, 0.5, 0), (-0.5, 0.5, 0)]
    seam.data.clear_geometry()
    seam.data.from_pydata([*square, (0, 0, 0), (0, 0, 1)], [(4, 5)], [(0, 1, 2, 3)])
    seam.scale = (240, 240, 50)
    seam.rotation_euler.x = np.pi / 2
    bpy.context.view_layer.update()
    follow()
    assert "arrow" not in drawn() and "1 region of 1" in section().said
    (found,) = job_now(bpy.context, figure)[0].seams
    assert np.allclose(found.normal, (0, -1, 0), atol=1e-6)
    assert ours.seams_of(figure, scene) == [seam]


# --- words ------------------------------------------------------------------------------------


def test_what_is_told_of_a_section_stands_beside_it_in_the_view():
    from blender_addon.overlay import beside  # noqa: PLC0415

    limb, words, view = [(300, 200), (400, 220)], (120, 18), (0, 0, 1000, 600)
    # Below the middle at 210, where a level seam's outline runs.
    assert beside(limb, words, view, 9) == (409, 189)
    # No room on the right, then none at all, then out of the view.
    assert beside(limb, words, (0, 0, 500, 600), 9) == (171, 189)
    assert beside(limb, words, (200, 0, 420, 600), 10)[0] == 210
    assert beside([(300, -900)], words, view, 10)[1] == 10
    assert beside([(300, 900)], words, view, 10)[1] == 572


def test_words_keep_clear_of_what_lies_over_the_view(monkeypatch):
    from blender_addon import overlay  # noqa: PLC0415

    def region(type_, x, y, width, height):
        return SimpleNamespace(type=type_, x=x, y=y, width=width, height=height)

    view = region("WINDOW", 100, 50, 1000, 600)
    others = [
        region("HEADER", 100, 623, 1000, 27),
        region("TOOL_HEADER", 100, 596, 1000, 27),
        region("TOOLS", 100, 50, 58, 546),
        region("UI", 880, 50, 220, 546),
        region("ASSET_SHELF", 100, 50, 1000, 1),
    ]
    system = SimpleNamespace(use_region_overlap=True)
    context = SimpleNamespace(
        region=view,
        area=SimpleNamespace(regions=[view, *others]),
        preferences=SimpleNamespace(system=system),
    )
    assert overlay._open(context) == (58, 0, 780, 546)
    # The header flipped to the lower edge.
    others[0].y = others[1].y = 50
    assert overlay._open(context) == (58, 27, 780, 600)
    system.use_region_overlap = False
    assert overlay._open(context) == (0, 0, 1000, 600)
    assert overlay._in_view([(-50, -50), (10, 10)], view)
    assert not overlay._in_view([(-50, 100), (-10, 200)], view)
    assert not overlay._in_view([(50, 700), (60, 800)], view)


def test_a_section_is_told_of_with_the_box_round_it(figure):
    from blender_addon import overlay  # noqa: PLC0415

    assert overlay.section_to_tell(bpy.context) is None
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    follow()
    said, corners, takes = overlay.section_to_tell(bpy.context)
    assert "1 region of 1" in said and takes
    assert np.allclose(np.min(corners, axis=0), (-100, -100, 0), atol=1)
    assert np.allclose(np.max(corners, axis=0), (100, 100, 0), atol=1)
    bpy.context.view_layer.objects.active.location.z = 500
    bpy.context.view_layer.update()
    follow()
    assert "misses the figure" in overlay.section_to_tell(bpy.context)[0]


def test_pieces_are_named_by_number_and_the_selected_in_full(figure):
    from blender_addon import overlay  # noqa: PLC0415
    from blender_addon.scene import pieces_of  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    one, two = pieces_of(figure, bpy.context.scene)
    one.show_name = two.show_name = False
    two.name = "crown"
    two.seamwright.misfit = "It is too high."

    def said():
        return [tuple(words[:2]) for words in overlay.pieces_to_name(bpy.context)]

    assert said() == [("words", "1"), ("weak", "2 misfit")]
    select(two)
    assert said() == [("weak", "2. crown misfit"), ("words", "1")]
    two.seamwright.misfit = ""
    assert said() == [("picked", "2. crown"), ("words", "1")]
    *_rest, place = overlay.pieces_to_name(bpy.context)[1]
    assert place == one.matrix_world.to_translation()
    one.hide_set(True)
    two.show_name = True
    assert said() == []


def test_what_lies_on_the_figure_is_not_drawn_between_pieces_that_stand_apart(figure, scene):
    from blender_addon import overlay  # noqa: PLC0415
    from blender_addon.scene import collection_of  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    select(figure)
    while follow() is not None:
        pass
    assert {"other", "peg"} <= set(drawn())
    pieces = collection_of(figure, scene, "PIECES")
    pieces.seamwright.explode = 0.5
    assert not {"other", "peg"} & set(drawn())
    assert overlay.words_to_draw(bpy.context) == []
    for piece in pieces.objects:
        piece.hide_set(True)
    assert {"other", "peg"} <= set(drawn())


def test_numbers_that_would_lie_on_others_are_left_out():
    from blender_addon.overlay import _overlap  # noqa: PLC0415

    assert _overlap((0, 0, 10, 10), (5, 5, 10, 10))
    assert not _overlap((0, 0, 10, 10), (11, 0, 10, 10))
    assert not _overlap((0, 0, 10, 10), (0, 11, 10, 10))


# --- joints ---------------------------------------------------------------------------------


def test_sized_joints_are_drawn_where_they_will_be(scene, add):
    add(moved(box(100, 100, 300), (-50, -50, -150)))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.add_rod(along="SEAM", diameter=5)
    bpy.ops.seamwright.size_joints()
    from blender_addon import joints, overlay  # noqa: PLC0415

    lines = drawn()
    (joint,) = joints.drawn_of(scene.seamwright.figure).joints
    ends = lines["peg"].reshape(-1, 3)
    for peg in joint.pegs:
        for ring in joint.peg_rings(peg):
            for corner in joint.placed_ring(ring):
                assert np.linalg.norm(ends - corner, axis=1).min() < 1e-9
    assert np.isclose(np.abs(lines["rod"][:, :, 2]).max(), 31.0, atol=1e-6)
    assert len(lines["socket"]) and not len(lines["weak"])
    select(scene.seamwright.figure)
    assert [words for _what, words, _place in overlay.words_to_draw(bpy.context)] == ["A"]
    scene.seamwright.show_joints = False
    assert "peg" not in drawn() and not overlay.words_to_draw(bpy.context)
    scene.seamwright.show_joints = True
    scene.seamwright.safety = 1e5
    assert "peg" not in drawn()
    bpy.ops.seamwright.size_joints()
    assert len(drawn()["weak"]) and not len(drawn()["peg"])
    words = [words for _what, words, _place in overlay.words_to_draw(bpy.context)]
    assert words == ["A weak"]


@pytest.mark.parametrize("kind", ["loose pegs", "magnets", "plain"])
def test_every_kind_can_be_drawn(scene, add, kind):
    add(moved(box(100, 100, 300), (-50, -50, -150)))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.context.view_layer.objects.active.seamwright.joint = kind
    bpy.ops.seamwright.size_joints()
    lines = drawn()
    assert (len(lines["socket"]) > 0) == (kind != "plain") and not len(lines["peg"])


def test_places_that_errors_name_are_marked(figure, scene):
    from blender_addon import overlay  # noqa: PLC0415

    scene.seamwright.pieces_found = "Too thin at (10.0, -2.5, 30.0) mm; move it."
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 2.0
    (place,) = overlay.places_to_draw(bpy.context)
    assert np.allclose(place, (5.0, -1.25, 15.0))


def test_every_colour_is_in_the_users_theme(scene):
    from blender_addon import overlay  # noqa: PLC0415

    for what in overlay._COLOURS:
        colour = overlay.colour(bpy.context, what, 0.5)
        assert len(colour) == 4 and colour[3] == 0.5 and all(0 <= x <= 1 for x in colour)
    assert set(overlay._WIDTHS) <= set(overlay._COLOURS)


# --- coming and going -----------------------------------------------------------------------


def listening() -> int:
    kinds = ("depsgraph_update_post", "undo_post", "redo_post", "load_post")
    return sum(
        handler.__module__.startswith("blender_addon")
        for kind in kinds
        for handler in getattr(bpy.app.handlers, kind)
    )


def test_handlers_come_and_go_with_the_add_on(registered, figure):
    from blender_addon import handlers, joints, live, overlay  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.size_joints()
    follow()
    assert listening() == 4 and len(overlay._handles) == 2
    assert section() is not None and joints.drawn_of(figure) is not None
    registered.unregister()
    assert listening() == 0 and not overlay._handles and not overlay._batches
    assert section() is None and not joints._sized_of
    assert not bpy.app.timers.is_registered(handlers._tick)
    registered.register()
    assert listening() == 4 and len(overlay._handles) == 2
    assert live.section_now() is None


def test_another_file_forgets_what_was_kept(figure):
    from blender_addon import joints  # noqa: PLC0415

    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.size_joints()
    follow()
    bpy.ops.wm.read_factory_settings(use_empty=True)
    assert section() is None and not joints._sized_of
    assert listening() == 4


def test_undo_is_followed(figure):
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.ed.undo_push(message="added")
    follow()
    bpy.data.objects["Seam"].location.z = 50
    bpy.ops.ed.undo_push(message="moved")
    follow()
    assert np.allclose(drawn()["taken"][:, :, 2], 50, atol=1e-4)
    bpy.ops.ed.undo()
    follow()
    assert np.allclose(drawn()["taken"][:, :, 2], 0, atol=1e-4)
