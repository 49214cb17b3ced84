"""Printer profiles of the user's own, kept in Blender's preferences for all files.

No `from __future__ import annotations` here: Blender reads these annotations.
"""

from dataclasses import replace

import bpy
from bpy.props import CollectionProperty, IntProperty, StringProperty

from seamwright.errors import BadInput
from seamwright.printer import PrinterProfile

from .printer_properties import kept, profile_kept, profile_of, size_words, take_profile
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
    return profile_kept(item.values, item.name)


def _said(item):
    return size_words(_profile(item))


def own_names(context):
    """The names of the user's own profiles."""
    found = preferences(context)
    return [item.name for item in found.profiles] if found is not None else []


def own_profile(context, name):
    """An own profile. Raises BadInput if there is none of that name."""
    return _profile(_own(context, name))


def _own(context, name):
    found = _required(context).profiles.get(name)
    if found is None:
        raise BadInput(f"There is no own printer profile '{name}'; keep one first.")
    return found


def take_own(context, name):
    """Put an own profile into the scene's printer settings. Raises BadInput."""
    found = _own(context, name)
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
        own, settings = _required(context).profiles, context.scene.seamwright
        name = self.name.strip()
        if not name:
            raise BadInput("The profile has no name; give it one, such as the printer's.")
        profile = profile_of(settings, late("conversion").typed)
        item = own.get(name) or own.add()
        item.name, item.base = name, settings.profile
        item.values = kept(replace(profile, name=name))
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
        own = _required(context).profiles
        place = own.find(self.name)
        if place < 0:
            raise BadInput(f"There is no own printer profile '{self.name}'.")
        own.remove(place)
        context.preferences.is_dirty = True
        return f"Printer profile '{self.name}' is removed."


class SEAMWRIGHT_MT_profiles(bpy.types.Menu):
    """The printer profiles of the user's own."""

    bl_idname = "SEAMWRIGHT_MT_profiles"
    bl_label = "Own Profiles"

    def draw(self, context):
        names = own_names(context)
        for name in names:
            self.layout.operator("seamwright.use_profile", text=name).name = name
        if not names:
            self.layout.label(text="None yet: set the values, then Keep Profile.")


CLASSES = (
    SEAMWRIGHT_PG_profile,
    SEAMWRIGHT_AP_preferences,
    SEAMWRIGHT_OT_keep_profile,
    SEAMWRIGHT_OT_use_profile,
    SEAMWRIGHT_OT_remove_profile,
    SEAMWRIGHT_MT_profiles,
)
