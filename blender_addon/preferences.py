"""Printer profiles of the user's own, kept in Blender's preferences for all files.

No `from __future__ import annotations` here: Blender reads these annotations.
"""

import json
from dataclasses import asdict
from typing import Any

import bpy
from bpy.props import CollectionProperty, IntProperty, StringProperty

from seamwright.errors import BadInput
from seamwright.printer import PrinterProfile

from .printer_properties import profile_of, take_profile
from .work import Work, late


class SEAMWRIGHT_PG_profile(bpy.types.PropertyGroup):
    """A printer profile of the user's own. Its name is the profile's."""

    base: StringProperty(
        description="The built-in printer profile that it was made from", options={"HIDDEN"}
    )
    values: StringProperty(description="Its values", options={"HIDDEN"})


class SEAMWRIGHT_AP_preferences(bpy.types.AddonPreferences):
    """Own printer profiles, and which one a new file begins with."""

    bl_idname = __package__

    profiles: CollectionProperty(
        name="Own Profiles",
        description="Printer profiles that you kept, for all files",
        type=SEAMWRIGHT_PG_profile,
    )
    profile_index: IntProperty(name="Profile", description="The profile that is looked at")
    usual: StringProperty(
        name="Usual Profile",
        description="The own printer profile that a scene begins with as its first figure is "
        "chosen; empty for the built-in one",
    )

    def draw(self, _context):
        layout = self.layout
        layout.use_property_split = True
        layout.prop_search(self, "usual", self, "profiles")
        for item in self.profiles:
            row = layout.row(align=True)
            row.label(text=item.name, icon="SETTINGS")
            row.label(text=_said(item))
            row.operator("seamwright.remove_profile", text="", icon="X").name = item.name
        if not self.profiles:
            layout.label(text="Set a printer's values in the panel, then Keep Profile.")


def preferences(context):
    """The add-on's preferences; None where it runs without being installed."""
    addon = context.preferences.addons.get(__package__)
    return addon.preferences if addon is not None else None


def _required(context):
    found = preferences(context)
    if found is None:
        raise BadInput("Own profiles are kept by the installed extension; install it first.")
    return found


def _profile(item) -> PrinterProfile:
    """The profile that was kept. Raises BadInput if it is of another version and does not do."""
    values: dict[str, Any] = json.loads(item.values)
    values["build_volume"] = tuple(values["build_volume"])
    values["excluded"] = tuple(tuple(corner) for corner in values["excluded"])
    try:
        return PrinterProfile(**values)
    except TypeError as error:
        raise BadInput(
            f"Printer profile '{item.name}' is of another version of Seamwright; remove it and "
            "keep it anew."
        ) from error


def _said(item):
    profile = _profile(item)
    x, y, z = profile.build_volume
    return f"{x:g} × {y:g} × {z:g} mm, clearance {profile.clearance:g} mm"


def take_own(context, name):
    """Put an own profile into the scene's printer settings. Raises BadInput."""
    found = _required(context).profiles.get(name)
    if found is None:
        raise BadInput(f"There is no own printer profile '{name}'; keep one first.")
    profile = _profile(found)
    settings = context.scene.seamwright
    settings.profile = found.base
    settings.printer_name = profile.name
    take_profile(settings, profile)


def take_usual(context):
    """Begin with the usual profile if this scene's printer was never touched."""
    found, settings = preferences(context), context.scene.seamwright
    touched = any(map(settings.is_property_set, ("profile", "printer_name", "build_volume")))
    if found is not None and found.usual in found.profiles and not touched:
        take_own(context, found.usual)


class SEAMWRIGHT_OT_keep_profile(Work, bpy.types.Operator):
    """Keep the printer's values as a profile of your own, for all files"""

    bl_idname = "seamwright.keep_profile"
    bl_label = "Keep Profile"
    bl_options = {"REGISTER"}

    name: StringProperty(
        name="Name", description="Name of the profile; one of that name is replaced"
    )

    def invoke(self, context, _event):
        settings = context.scene.seamwright
        self.name = settings.printer_name or f"my {settings.profile}"
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, _context):
        self.layout.use_property_split = True
        self.layout.prop(self, "name")

    def work(self, context):
        kept, settings = _required(context), context.scene.seamwright
        name = self.name.strip()
        if not name:
            raise BadInput("The profile has no name; give it one, such as the printer's.")
        profile = profile_of(settings, late("conversion").typed)
        item = kept.profiles.get(name) or kept.profiles.add()
        item.name, item.base = name, settings.profile
        item.values = json.dumps({**asdict(profile), "name": name})
        settings.printer_name = name
        context.preferences.is_dirty = True
        return f"Printer profile '{name}' is kept for all files."


class SEAMWRIGHT_OT_use_profile(Work, bpy.types.Operator):
    """Take all printer values from this profile of your own"""

    bl_idname = "seamwright.use_profile"
    bl_label = "Use Profile"

    name: StringProperty(name="Name", description="Name of the profile")

    def work(self, context):
        take_own(context, self.name)
        return f"The printer is '{self.name}'."


class SEAMWRIGHT_OT_remove_profile(Work, bpy.types.Operator):
    """Remove this profile of your own; files that use it keep its values"""

    bl_idname = "seamwright.remove_profile"
    bl_label = "Remove Profile"
    bl_options = {"REGISTER"}

    name: StringProperty(name="Name", description="Name of the profile")

    def work(self, context):
        kept = _required(context)
        place = kept.profiles.find(self.name)
        if place < 0:
            raise BadInput(f"There is no own printer profile '{self.name}'.")
        kept.profiles.remove(place)
        context.preferences.is_dirty = True
        return f"Printer profile '{self.name}' is removed."


class SEAMWRIGHT_MT_profiles(bpy.types.Menu):
    """The printer profiles of the user's own."""

    bl_idname = "SEAMWRIGHT_MT_profiles"
    bl_label = "Own Profiles"

    def draw(self, context):
        kept = preferences(context)
        for item in kept.profiles if kept is not None else ():
            self.layout.operator("seamwright.use_profile", text=item.name).name = item.name
        if kept is None or not kept.profiles:
            self.layout.label(text="None yet: set the values, then Keep Profile.")


CLASSES = (
    SEAMWRIGHT_PG_profile,
    SEAMWRIGHT_AP_preferences,
    SEAMWRIGHT_OT_keep_profile,
    SEAMWRIGHT_OT_use_profile,
    SEAMWRIGHT_OT_remove_profile,
    SEAMWRIGHT_MT_profiles,
)
