"""The panel's lists: what they show in which order, how things stand, and what a click does."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

bpy = pytest.importorskip("bpy")

from seamwright.shapes import box  # noqa: E402

SHOWN = 1 << 30


def rows(kind: str, words: str = "") -> list[str]:
    """The names of a list's rows from top to bottom, as Blender would put them."""
    from blender_addon import lists, redraw  # noqa: PLC0415

    redraw.begin()
    cls = getattr(lists, f"SEAMWRIGHT_UL_{kind}")
    drawing = SimpleNamespace(bitflag_filter_item=SHOWN, filter_name=words)
    drawing.rows = cls.rows.__get__(drawing)
    scene = bpy.context.scene
    flags, order = cls.filter_items(drawing, bpy.context, scene, "objects")
    assert sorted(order) == list(range(len(scene.objects))) == sorted(range(len(flags)))
    named = zip(order, flags, scene.objects, strict=True)
    return [obj.name for _place, flag, obj in sorted(named, key=lambda n: n[0]) if flag]


def seam_states(figure) -> dict[str, str]:
    """How the seams are, as a new redraw would say."""
    from blender_addon import lists, redraw  # noqa: PLC0415

    redraw.begin()
    return lists.note_seams(bpy.context, figure)


def piece_states(figure) -> dict[str, str]:
    from blender_addon import lists, redraw  # noqa: PLC0415

    redraw.begin()
    return lists.note_pieces(bpy.context, figure)


def pick(key: str, obj) -> None:
    scene = bpy.context.scene
    setattr(scene.seamwright, key, scene.objects.find(obj.name))


@pytest.fixture
def figure(scene, add):
    # Names that do not sort as the seams do.
    obj = add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    for name, z in (("zest", 60), ("apron", 150), ("middle", 220)):
        scene.cursor.location = (0, 0, z)
        bpy.ops.seamwright.add_seam(at="CURSOR")
        bpy.context.view_layer.objects.active.name = name
    return obj


def test_seams_are_listed_in_their_order_and_nothing_else(figure):
    assert rows("seams") == ["zest", "apron", "middle"]
    assert rows("seams", "APR") == ["apron"]
    assert rows("stops") == ["zest", "apron"]
    bpy.context.view_layer.objects.active = figure
    assert rows("stops") == ["zest", "apron", "middle"]
    assert rows("pieces") == []
    bpy.context.scene.seamwright.figure = None
    assert rows("seams") == []


def test_a_click_selects_a_seam_and_the_list_follows_the_viewport(figure):
    settings = bpy.context.scene.seamwright
    zest = bpy.data.objects["zest"]
    pick("seam_index", zest)
    assert bpy.context.view_layer.objects.active == zest
    assert list(bpy.context.view_layer.objects.selected) == [zest]
    bpy.context.view_layer.objects.active = bpy.data.objects["middle"]
    assert settings.seam_index == bpy.context.scene.objects.find("middle")
    bpy.context.view_layer.objects.active = figure
    assert settings.seam_index == settings.piece_index == settings.stop_index == -1
    bpy.ops.object.mode_set(mode="EDIT")
    pick("seam_index", zest)
    assert bpy.context.view_layer.objects.active == figure


def test_seams_say_how_they_are(figure):
    from blender_addon.lists import SEAM_ICONS  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    assert set(seam_states(figure).values()) == {"unsized"}
    bpy.ops.seamwright.size_joints()
    assert seam_states(figure) == dict.fromkeys(("zest", "apron", "middle"), "holds")
    bpy.data.objects["apron"].seamwright.joint = "plain"
    bpy.ops.seamwright.size_joints()
    assert seam_states(figure)["apron"] in ("plain", "weak")
    settings.safety = 1e5
    assert set(seam_states(figure).values()) == {"unsized"}
    bpy.ops.seamwright.size_joints()
    assert set(seam_states(figure).values()) == {"weak"}
    assert {"unsized", "holds", "weak", "plain", "misses", "no line"} == set(SEAM_ICONS)


def test_a_seam_that_misses_says_so(figure):
    from blender_addon import handlers  # noqa: PLC0415

    seam = bpy.data.objects["zest"]
    pick("seam_index", seam)
    seam.location.z = 5000
    bpy.context.view_layer.update()
    handlers.follow(bpy.context)
    assert seam_states(figure)["zest"] == "misses"


def test_only_the_active_plane_is_a_surface(figure):
    from blender_addon.picking import show_planes  # noqa: PLC0415

    def shown():
        return {n: bpy.data.objects[n].display_type for n in ("zest", "apron", "middle")}

    show_planes(bpy.context)
    assert shown() == {"zest": "WIRE", "apron": "WIRE", "middle": "TEXTURED"}
    pick("seam_index", bpy.data.objects["apron"])
    show_planes(bpy.context)
    assert shown() == {"zest": "WIRE", "apron": "TEXTURED", "middle": "WIRE"}
    assert figure.display_type == "TEXTURED"


def test_pieces_are_listed_and_a_click_selects_one(figure):
    bpy.ops.seamwright.make_pieces()
    names = [f"Keeper piece-0{n}" for n in (1, 2, 3, 4)]
    assert rows("pieces") == names
    assert piece_states(figure) == dict.fromkeys(names, "fits")
    pick("piece_index", bpy.data.objects[names[2]])
    active = bpy.context.view_layer.objects.active
    assert active.name == names[2] and active.seamwright.number == 3
    settings = bpy.context.scene.seamwright
    assert settings.piece_index == bpy.context.scene.objects.find(names[2])
    settings.wall = 3.5
    assert set(piece_states(figure).values()) == {"old"}


class Row:
    """Stands in for a row of a list: what it says and with which icons."""

    def __init__(self):
        self.said: list[tuple[str, str]] = []

    def label(self, text="", icon="NONE"):
        self.said.append((text, icon))

    def prop(self, data, name, icon="NONE", **_options):
        self.said.append((name, icon))

    def operator(self, idname, text="", icon="NONE", **_options):
        self.said.append((text, icon))
        return SimpleNamespace()

    def row(self, **_options):
        return self

    split = column = row


def drawn(kind: str, item) -> list[tuple[str, str]]:
    from blender_addon import lists, redraw  # noqa: PLC0415

    redraw.begin()
    layout = Row()
    cls = getattr(lists, f"SEAMWRIGHT_UL_{kind}")
    cls.draw_item(None, bpy.context, layout, None, item, 0, None, "")
    icons = bpy.types.UILayout.bl_rna.functions["prop"].parameters["icon"].enum_items.keys()
    assert all(icon in icons for _text, icon in layout.said)
    return layout.said


def test_rows_say_it_by_icon_and_by_word(figure):
    bpy.ops.seamwright.size_joints()
    seam_states(figure)
    assert ("holds", "CHECKMARK") in drawn("seams", bpy.data.objects["apron"])
    assert ("apron", "CHECKBOX_DEHLT") in drawn("stops", bpy.data.objects["apron"])
    bpy.ops.seamwright.stop_at(name="apron")
    assert ("apron", "CHECKBOX_HLT") in drawn("stops", bpy.data.objects["apron"])
    bpy.ops.seamwright.stop_at(name="apron")
    bpy.ops.seamwright.make_pieces()
    piece_states(figure)
    piece = bpy.data.objects["Keeper piece-02"]
    assert {("piece-02", "NONE"), ("fits", "CHECKMARK")} <= set(drawn("pieces", piece))
    piece.seamwright.misfit = "It is too high."
    piece_states(figure)
    assert ("misfit", "CANCEL") in drawn("pieces", piece)
    piece.seamwright.build = 3
    assert ("build 3", "NONE") in drawn("pieces", piece)
    piece.seamwright.printed = True
    assert {("done", "NONE"), ("printed", "CHECKBOX_HLT")} <= set(drawn("pieces", piece))
    piece.name = "left boot"
    assert drawn("pieces", piece)[0][0] == "2. left boot"
