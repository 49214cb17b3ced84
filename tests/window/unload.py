"""Switch the installed add-on off and look for what it left: `blender -b -P unload.py`."""

import addon_utils
import bpy


def ours():
    """Everything in Blender that carries the add-on's name."""
    left = [name for name in dir(bpy.types) if name.startswith("SEAMWRIGHT")]
    homes = (bpy.types.Object, bpy.types.Scene, bpy.types.Collection)
    left += [home.__name__ for home in homes if hasattr(home, "seamwright")]
    handlers = (getattr(bpy.app.handlers, name) for name in dir(bpy.app.handlers))
    for calls in handlers:
        if isinstance(calls, list):
            left += [call for call in calls if "seamwright" in getattr(call, "__module__", "")]
    return left


(name,) = (a.module for a in bpy.context.preferences.addons if "seamwright" in a.module)
assert ours(), "the add-on is not there"
addon_utils.disable(name)
assert not ours(), ours()
print("CLEAN")
