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
    # Blender lists neither property groups nor preferences nor gizmo groups.
    unlisted = ("_PG_", "_AP_", "_GGT_")
    listed = [c for c in registered.CLASSES if not any(kind in c.__name__ for kind in unlisted)]
    assert len(there) == len(listed)
    # Gizmo groups do not tell.
    telling = [cls for cls in registered.CLASSES if hasattr(cls, "is_registered")]
    assert len(telling) > 60 and all(cls.is_registered for cls in telling)
    for _ in range(2):
        registered.unregister()
        assert ours() == set()
        assert not any(cls.is_registered for cls in telling)
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
    assert len(types) == 42
    for rna in types:
        assert rna.description and not rna.description.endswith("."), rna.identifier
        small = rna.name.replace(" at ", " At ").replace(" to ", " To ")
        assert small == rna.name.title()


class Called(SimpleNamespace):
    """What a button is to do, as the panel sets it."""

    def __init__(self, seen, idname):
        self.__dict__.update(seen=seen, idname=idname)

    def __setattr__(self, name, value):
        module, operator = self.idname.split(".")
        assert name in getattr(getattr(bpy.ops, module), operator).get_rna_type().properties
        self.seen.append(f"{self.idname} {value}")


class Layout:
    """Stands in for Blender's layout, and refuses what Blender would only warn about."""

    icons = bpy.types.UILayout.bl_rna.functions["prop"].parameters["icon"].enum_items.keys()

    def __init__(self):
        self.seen: list[str] = []

    def prop(self, data, name, icon="NONE", placeholder="", **_options):
        assert name in data.bl_rna.properties, name
        assert icon in self.icons
        self.seen.append(name)
        if placeholder:
            self.seen.append(f"{name}: {placeholder}")

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
        return Called(self.seen, idname)

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


def test_empty_names_say_what_they_stand_for(scene, add):
    add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    seen = drawn()
    assert {"job_name: Keeper", f"printer_name: {scene.seamwright.profile}"} <= set(seen)
    assert "output: named after the job" in seen


def test_each_step_says_what_it_found_and_what_is_next(scene, add, tmp_path):
    add(box(100, 100, 300))
    seen = drawn()
    assert "None yet. Next: select the" in " ".join(seen) and "Choose a figure first." in seen
    bpy.ops.seamwright.use_selected()
    seen = " ".join(drawn())
    assert "300 mm tall. Next: Inspect" in seen and "No seam yet. Next: Draw Seam" in seen
    assert "None planned. Next: Plan Builds." in seen and "Not written yet. Next:" in seen
    bpy.ops.seamwright.inspect()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    seen = " ".join(drawn())
    assert "Not sized yet. Next: Size Joints." in seen
    assert "300 mm tall, inspected." in seen and "1 seam. Next: Size Joints." in seen
    assert "None yet. Next: Make Pieces." in seen
    assert bpy.ops.seamwright.write_files(directory=str(tmp_path), folder="out") == {"FINISHED"}
    folder, seen = tmp_path / "out", drawn()
    said = " ".join(seen)
    assert "All 2 pieces fit the printer. Next: Plan" in said and "1 build. Next: Write" in said
    assert "1 seam, the figure is parted. Next:" in said and "'out' is written. Next:" in said
    assert f"wm.path_open {folder}" in seen and f"wm.path_open {folder / 'book.html'}" in seen
    assert (folder / "book.html").is_file()
    scene.seamwright.wall = 3.5
    said = " ".join(drawn())
    assert "2 pieces, out of date. Next: Make" in said and "1 build, out of date. Next:" in said
    assert "'out' is out of date. Next:" in said
    scene.seamwright.property_unset("wall")
    for piece in (obj for obj in scene.objects if obj.seamwright.is_piece):
        piece.seamwright.printed = True
    assert "All 2 pieces printed. Next: the" in " ".join(drawn())


def test_a_result_that_is_gone_cannot_be_opened(scene, add, tmp_path):
    from blender_addon import redraw  # noqa: PLC0415

    figure = add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    figure.seamwright.written = str(tmp_path)
    seen = drawn()
    assert f"wm.path_open {tmp_path}" in seen and not any("book.html" in word for word in seen)
    figure.seamwright.written = str(tmp_path / "other")
    assert "'other' is gone. Next: Write Files." in " ".join(drawn())
    assert "wm.path_open" not in drawn()
    # Asked of the disk again only after a while.
    (tmp_path / "other").mkdir()
    assert "wm.path_open" not in drawn()
    redraw.forget()
    assert "wm.path_open" in drawn()


def test_a_piece_that_does_not_fit_says_why(scene, add):
    add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    first, second = (obj for obj in scene.objects if obj.seamwright.is_piece)
    first.seamwright.misfit = "It is 40 mm too high."
    bpy.context.view_layer.objects.active = second
    seen = drawn()
    assert "It is 40 mm too high." not in seen
    assert "1 of 2 fit the printer. Next: part the" in " ".join(seen)
    assert "1 piece does not fit the printer. Next:" in " ".join(seen)
    bpy.context.view_layer.objects.active = first
    assert "It is 40 mm too high." in drawn()
    scene.seamwright.wall = 3.5
    assert "does not fit the printer" not in " ".join(drawn())


def test_what_the_panel_asks_is_looked_up_once_for_all_its_parts(scene, add, monkeypatch):
    from blender_addon import decisions, redraw  # noqa: PLC0415

    add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    bpy.ops.seamwright.plan_builds()
    asked = []
    of = decisions.mark_of
    monkeypatch.setattr(decisions, "mark_of", lambda *what: asked.append(0) or of(*what))
    drawn()
    assert len(asked) == 1
    drawn()
    assert len(asked) == 2
    # Not drawn with the others: as things are now.
    redraw._began[0] -= 1
    assert redraw.mark_of(scene.seamwright.figure, scene) and len(asked) == 3


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
    ticks = {"own_count", "own_width", "own_depth", "own_clearance", "own_turn"}
    of_pegs = {"footprint", "clearance", "turn"} | ticks
    every = of_pegs | {"pegs_on", "magnet", "seamwright.add_direction", "count", "width", "depth"}
    shown = {
        "auto": of_pegs | {"pegs_on", "seamwright.add_direction"},
        "pegs": of_pegs | {"pegs_on", "seamwright.add_direction"},
        "loose pegs": of_pegs | {"seamwright.add_direction"},
        "magnets": {"own_count", "magnet", "own_clearance", "clearance", "own_turn", "turn"},
        "plain": set(),
    }
    closed = ("SEAMWRIGHT_PT_printer_joints", "SEAMWRIGHT_PT_gauge")
    for kind, wanted in shown.items():
        seam.seamwright.joint = kind
        seen = set(drawn(without=closed))
        assert seen & every == wanted, kind
        assert {"joint", "marks"} <= seen and "seamwright.forget_places" not in seen
    seam.seamwright.joint = "pegs"
    bpy.ops.seamwright.add_direction()
    assert "seamwright.add_direction" not in drawn()
    bpy.context.view_layer.objects.active = seam.seamwright.direction
    seen = drawn()
    assert "own_width" in seen and "width" not in seen and seen.count("Automatic") == 3
    seam.seamwright.width = 9.0
    seen = drawn()
    assert "width" in seen and seen.count("Automatic") == 2
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
    assert "What would hold:" not in seen and "1 joint, none weak. Next: Make Pieces." in seen
    settings.safety = 1e5
    assert "1 joint, out of date." in drawn()
    bpy.ops.seamwright.size_joints()
    settings.joint_index = 0
    assert "What would hold:" in drawn()
    bpy.ops.seamwright.override_joint(letter="A")
    words = drawn()
    seen = " ".join(words)
    assert "Left open, it is as seam 'Seam' says." in seen and "Decided for themselves:" in seen
    assert {"own_joint", "own_marks", "As Seam: Automatic", "As Seam: Marks"} <= set(words)
    assert not {"joint", "marks"} & set(words)
    group = bpy.context.view_layer.objects.active.seamwright
    group.own_joint = group.own_marks = True
    assert {"joint", "marks"} <= set(drawn())
    group.own_joint = group.own_marks = False
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
