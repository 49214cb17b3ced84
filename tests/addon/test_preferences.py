"""Own printer profiles: kept in the preferences, taken into a file, and the usual one."""

from __future__ import annotations

import pytest

bpy = pytest.importorskip("bpy")

from seamwright.shapes import box  # noqa: E402


@pytest.fixture
def kept(scene, registered):
    addon = bpy.context.preferences.addons.new()
    addon.module = registered.__name__
    yield addon.preferences
    bpy.context.preferences.addons.remove(addon)


def profile():
    from blender_addon.conversion import typed  # noqa: PLC0415
    from blender_addon.printer_properties import profile_of  # noqa: PLC0415

    return profile_of(bpy.context.scene.seamwright, typed)


def test_a_profile_is_kept_and_taken_again_to_the_last_digit(kept):
    settings = bpy.context.scene.seamwright
    settings.profile = "filament-300"
    settings.build_volume, settings.clearance = (310.0, 305.0, 333.3), 0.17
    settings.printer_told = '{"speed": 71.5, "excluded": [[0.0, 0.0, 20.0, 30.0]]}'
    assert bpy.ops.seamwright.keep_profile(name="workshop") == {"FINISHED"}
    mine = profile()
    assert (mine.name, mine.clearance, mine.speed) == ("workshop", 0.17, 71.5)
    settings.profile = "filament-256"
    assert profile() != mine
    assert bpy.ops.seamwright.use_profile(name="workshop") == {"FINISHED"}
    assert profile() == mine
    settings.clearance = 0.3
    bpy.ops.seamwright.keep_profile(name="workshop")
    assert len(kept.profiles) == 1
    settings.profile = "filament-256"
    bpy.ops.seamwright.use_profile(name="workshop")
    assert profile().clearance == 0.3
    assert bpy.ops.seamwright.remove_profile(name="workshop") == {"FINISHED"}
    assert not kept.profiles and profile().clearance == 0.3


def test_a_scene_begins_with_the_usual_profile_unless_its_printer_was_touched(kept, add):
    settings = bpy.context.scene.seamwright
    settings.clearance = 0.22
    bpy.ops.seamwright.keep_profile(name="workshop")
    kept.usual = "workshop"
    add(box(10, 10, 10))
    for key in ("profile", "printer_name", "build_volume", "clearance"):
        settings.property_unset(key)
    bpy.ops.seamwright.use_selected()
    assert profile().clearance == 0.22 and profile().name == "workshop"
    settings.profile = "filament-300"
    bpy.ops.seamwright.use_selected()
    assert profile().name == "filament-300"


def test_without_an_installed_extension_it_says_so(scene):
    with pytest.raises(RuntimeError, match="install"):
        bpy.ops.seamwright.keep_profile(name="mine")


@pytest.mark.parametrize("name", ["use_profile", "remove_profile"])
def test_a_profile_that_is_not_there_is_refused(kept, name):
    with pytest.raises(RuntimeError, match="no own printer profile 'x'"):
        getattr(bpy.ops.seamwright, name)(name="x")


def test_a_profile_without_a_name_is_refused(kept):
    with pytest.raises(RuntimeError, match="no name"):
        bpy.ops.seamwright.keep_profile(name=" ")


def test_a_profile_of_another_version_is_refused(kept):
    bpy.ops.seamwright.keep_profile(name="old")
    kept.profiles[0].values = kept.profiles[0].values.replace('"glue"', '"paste"')
    with pytest.raises(RuntimeError, match="another version"):
        bpy.ops.seamwright.use_profile(name="old")
