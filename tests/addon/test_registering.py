"""Coming and going: nothing left registered, nothing heavy imported, everything explained."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

bpy = pytest.importorskip("bpy")

from seamwright.shapes import box, sphere  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
HOMES = (bpy.types.Object, bpy.types.Scene, bpy.types.Collection)


def ours() -> set[str]:
    return {name for name in dir(bpy.types) if name.startswith("SEAMWRIGHT")}


def test_unregistering_leaves_nothing_and_can_be_repeated(registered):
    there = ours()
    # Blender lists neither property groups nor preferences.
    unlisted = ("_PG_", "_AP_")
    listed = [c for c in registered.CLASSES if not any(kind in c.__name__ for kind in unlisted)]
    assert len(there) == len(listed)
    assert all(cls.is_registered for cls in registered.CLASSES)
    for _ in range(2):
        registered.unregister()
        assert ours() == set()
        assert not any(cls.is_registered for cls in registered.CLASSES)
        assert not any(hasattr(home, "seamwright") for home in HOMES)
        assert dir(bpy.ops.seamwright) == []
        registered.register()
        assert ours() == there


def test_decisions_outlive_the_add_on(registered, scene, add):
    obj = add(box(10, 10, 10))
    obj.seamwright.job_name = "kept"
    registered.unregister()
    registered.register()
    assert bpy.data.objects["Keeper"].seamwright.job_name == "kept"


def test_registering_imports_no_geometry():
    code = (
        "import os, sys, bpy\n"
        "before = set(sys.modules)\n"
        "import blender_addon\n"
        "blender_addon.register()\n"
        "new = set(sys.modules) - before\n"
        "heavy = ('scipy', 'manifold3d', 'trimesh', 'lib3mf', 'numpy', 'tomli_w')\n"
        "print(sorted(m for m in new if m.partition('.')[0] in heavy))\n"
        "print(sorted(m for m in new if m.startswith('seamwright')))\n"
        # Before Blender 5, bpy as a module crashes or hangs as Python ends if a property with
        # an update callback was ever registered.
        "sys.stdout.flush()\n"
        "os._exit(0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'lib'}", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    assert done.stdout.splitlines()[-2:] == [
        "[]",
        "['seamwright', 'seamwright.errors', 'seamwright.printer']",
    ]


def operator_types():
    return [getattr(bpy.ops.seamwright, name).get_rna_type() for name in dir(bpy.ops.seamwright)]


def shown_properties(registered):
    groups = [c.bl_rna for c in registered.CLASSES if "_PG_" in c.__name__]
    for rna in (*groups, *operator_types()):
        for prop in rna.properties:
            inherited = prop.identifier == "rna_type" or (rna in groups and not prop.is_runtime)
            if not inherited and not prop.is_hidden:
                yield rna, prop


def test_every_property_has_a_tooltip_that_names_the_unit(registered):
    seen = 0
    for rna, prop in shown_properties(registered):
        which = (rna.identifier, prop.identifier)
        assert prop.description, which
        for mark, words in (("(mm)", "in mm"), ("(°)", "in degrees"), ("(g/cm³)", "in g/cm³")):
            if mark in prop.name:
                assert words in prop.description, which
        if prop.type == "FLOAT" and "(" not in prop.name:
            assert "no unit" in prop.description, which
        seen += 1
    assert seen > 30


def test_every_operator_is_explained():
    types = operator_types()
    assert len(types) == 38
    for rna in types:
        assert rna.description and not rna.description.endswith("."), rna.identifier
        small = rna.name.replace(" at ", " At ").replace(" to ", " To ")
        assert small == rna.name.title()


class Layout:
    """Stands in for Blender's layout, and refuses what Blender would only warn about."""

    icons = bpy.types.UILayout.bl_rna.functions["prop"].parameters["icon"].enum_items.keys()

    def __init__(self):
        self.seen: list[str] = []

    def prop(self, data, name, icon="NONE", **_options):
        assert name in data.bl_rna.properties, name
        assert icon in self.icons
        self.seen.append(name)

    def template_list(self, kind, _id, data, name, active_data, active_name, **_options):
        assert hasattr(bpy.types, kind), kind
        assert 0 < _options["rows"] <= 6
        self.prop(data, name)
        self.prop(active_data, active_name)

    def operator(self, idname, icon="NONE", **_options):
        module, name = idname.split(".")
        assert name in dir(getattr(bpy.ops, module)), idname
        assert icon in self.icons
        self.seen.append(idname)
        return SimpleNamespace()

    def operator_menu_enum(self, idname, key, **options):
        self.operator(idname, **options)
        operator = getattr(bpy.ops.seamwright, idname.partition(".")[2]).get_rna_type()
        assert operator.properties[key].type == "ENUM"

    def prop_search(self, data, name, found_in, collection, **_options):
        assert collection in found_in.bl_rna.properties, collection
        self.prop(data, name)

    def menu(self, idname, icon="NONE", **_options):
        assert hasattr(bpy.types, idname), idname
        assert icon in self.icons
        self.seen.append(idname)

    def label(self, text="", icon="NONE"):
        assert icon in self.icons
        self.seen.append(text)

    def box(self, **_options):
        return self

    row = column = split = box


def drawn(without=()) -> list[str]:
    import blender_addon  # noqa: PLC0415

    layout = Layout()
    for cls in (c for c in blender_addon.CLASSES if "_PT_" in c.__name__):
        if cls.__name__ in without or (hasattr(cls, "poll") and not cls.poll(bpy.context)):
            continue
        drawing = SimpleNamespace(layout=layout)
        for method in dir(cls):
            if method == "start" or method.startswith("draw_"):
                setattr(drawing, method, getattr(cls, method).__get__(drawing))
        cls.draw(drawing, bpy.context)
    return layout.seen


def test_the_panel_says_what_there_is_and_what_comes_next(scene, add):
    assert "No figure is chosen." in drawn()
    figure = add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    seen = drawn()
    assert "Keeper: 0 seams, 0 pieces." in seen
    assert "scale" not in seen and "target_height" not in seen
    figure.seamwright.size = "HEIGHT"
    assert "target_height" in drawn()
    figure.seamwright.size = "SCALE"
    assert "scale" in drawn()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seen = drawn()
    assert "Keeper: 1 seam, 0 pieces." in seen
    assert "seamwright.list_regions" in seen and "regions" not in seen
    bpy.context.view_layer.objects.active.seamwright.reach = "regions"
    assert "regions" in drawn()
    assert "explode" not in seen and "stop_index" not in seen
    bpy.ops.seamwright.make_pieces()
    seen = drawn()
    assert "Keeper: 1 seam, 2 pieces." in seen
    assert "explode" in seen
    assert "then Write Files." in " ".join(seen)
    bpy.ops.seamwright.add_seam(at="MIDDLE", axis="X")
    assert "stop_index" in drawn()


def test_the_panel_shows_what_belongs_to_each_kind_of_seam(scene, add):
    add(sphere(100))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    flat = bpy.context.view_layer.objects.active
    for reach, shown in (
        ("all", set()),
        ("nearest", {"seamwright.reach_at_cursor"}),
        ("disc", {"seamwright.reach_at_cursor", "radius"}),
        ("outline", {"outline"}),
        ("regions", {"regions"}),
    ):
        flat.seamwright.reach = reach
        seen = set(drawn())
        every = {"seamwright.reach_at_cursor", "radius", "outline", "regions"}
        assert seen & every == shown
        assert {"seamwright.nudge", "seamwright.seam_quality", "reach", "joint"} <= seen
    bpy.ops.seamwright.add_line_seam(source="CURSOR")
    line = bpy.context.view_layer.objects.active
    seen = set(drawn())
    assert {"crease", "joint", "pad_radius", "seamwright.add_pad"} <= seen
    assert not {"reach", "pad_at", "stop_index"} & seen
    bpy.ops.seamwright.add_pad()
    seen = set(drawn())
    assert {"pad_at", "pad_way"} <= seen and "seamwright.add_pad" not in seen
    bpy.context.view_layer.objects.active = line.seamwright.pad
    assert "crease" in drawn()
    line.seamwright.joint = "plain"
    assert "pad_radius" not in drawn()


def test_the_panel_shows_what_belongs_to_each_kind_of_joint(scene, add):
    add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    assert "joint" not in drawn()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seam = bpy.context.view_layer.objects.active
    of_pegs = {"footprint", "count", "width", "depth", "own_clearance", "clearance", "turn"}
    every = of_pegs | {"pegs_on", "magnet", "seamwright.add_direction"}
    shown = {
        "auto": of_pegs | {"pegs_on", "seamwright.add_direction"},
        "pegs": of_pegs | {"pegs_on", "seamwright.add_direction"},
        "loose pegs": of_pegs | {"seamwright.add_direction"},
        "magnets": {"count", "magnet", "own_clearance", "clearance", "turn"},
        "plain": set(),
    }
    closed = ("SEAMWRIGHT_PT_printer", "SEAMWRIGHT_PT_gauge")
    for kind, wanted in shown.items():
        seam.seamwright.joint = kind
        seen = set(drawn(without=closed))
        assert seen & every == wanted, kind
        assert {"joint", "marks"} <= seen and "seamwright.forget_places" not in seen
    seam.seamwright.joint = "pegs"
    bpy.ops.seamwright.add_direction()
    assert "seamwright.add_direction" not in drawn()
    bpy.context.view_layer.objects.active = seam.seamwright.direction
    assert "width" in drawn()
    seam.seamwright.joint_told = '{"choice": {"kind": "pegs", "at": [[1, 2, 3]]}}'
    assert "seamwright.forget_places" in drawn()
    seam.seamwright.joint = "magnets"
    assert "seamwright.forget_places" not in drawn()


def test_the_panel_lists_joints_and_what_is_known_of_one(scene, add):
    add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    assert "joints" not in drawn() and "seamwright.size_joints" in drawn()
    bpy.ops.seamwright.size_joints()
    settings = scene.seamwright
    seen = drawn()
    assert {"joints", "joint_index"} <= set(seen) and "seamwright.override_joint" not in seen
    settings.joint_index = 0
    seen = drawn()
    assert "Joint A" in seen and "seamwright.override_joint" in seen
    assert "What would hold:" not in seen and "Out of date: size the joints again." not in seen
    settings.safety = 1e5
    assert "Out of date: size the joints again." in drawn()
    bpy.ops.seamwright.size_joints()
    settings.joint_index = 0
    assert "What would hold:" in drawn()
    bpy.ops.seamwright.override_joint(letter="A")
    seen = " ".join(drawn())
    assert "Left open, it is as seam 'Seam' says." in seen and "Decided for themselves:" in seen
    settings.safety = 4.0
    bpy.ops.seamwright.make_pieces()
    seen = drawn()
    assert "1." in seen and any(line.startswith("Strength: 1 of 1") for line in seen)
    settings.fights = "No order of straight slides puts pieces 1 and 2 together."
    assert "No order of straight slides puts" in " ".join(drawn())


def test_a_joint_in_the_list_says_in_words_how_it_holds(scene, add):
    from blender_addon.lists import ICONS, SEAMWRIGHT_UL_joints  # noqa: PLC0415

    for state, icon in ICONS.items():
        item = scene.seamwright.joints.add()
        item.name, item.seam, item.kind, item.state = "A", "belt", "2 pegs 9.5", state
        layout = Layout()
        SEAMWRIGHT_UL_joints.draw_item(None, None, layout, None, item, 0, None, "")
        assert layout.seen == ["A", "belt", "2 pegs 9.5", state] and icon in Layout.icons


def test_the_panel_shows_rods_and_the_gauge(scene, add):
    add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seen = drawn()
    assert {"seamwright.add_rod", "seamwright.make_gauge", "seamwright.it_fitted"} <= set(seen)
    assert "diameter" not in seen
    bpy.ops.seamwright.add_rod(along="SEAM")
    assert "diameter" in drawn()
    scene.seamwright.gauge_found = "Print both halves."
    assert "Print both halves." in drawn()


def test_the_panel_shows_the_keep_clear_list_and_what_was_found(scene, add):
    figure = add(sphere(100))
    assert "Choose a figure first." in drawn()
    bpy.ops.seamwright.use_selected()
    scene.cursor.location = (100, 0, 0)
    for kind, shown in (
        ("vertex_group", {"source", "above"}),
        ("mask", {"above"}),
        ("property", {"source", "above"}),
        ("ball", {"radius", "seamwright.ball_to_cursor"}),
    ):
        bpy.ops.seamwright.add_keep_clear(kind=kind)
        every = {"source", "above", "number", "radius", "seamwright.ball_to_cursor"}
        assert set(drawn()) & every == shown
        bpy.ops.seamwright.remove_keep_clear(index=0)
    figure.seamwright.keep_clear.add().kind = "face_set"
    assert {"number", "seamwright.take_face_set"} <= set(drawn())
    assert {"natural_seams", "natural_creases", "natural_face_sets"} <= set(drawn())
    settings = scene.seamwright
    assert "seamwright.take_offer" not in drawn()
    settings.found, settings.seam_found, settings.pieces_found = "one.", "two.", "three."
    settings.offer = "{}"
    assert {"one.", "two.", "three.", "seamwright.take_offer"} <= set(drawn())
    settings.figure = None
    assert settings.found == settings.seam_found == settings.pieces_found == settings.offer == ""
