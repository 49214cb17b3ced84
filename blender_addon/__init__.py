"""Seamwright in Blender: takes a sculpted figure apart into printable, keyed pieces.

Read the modules as: scene (what of ours lies in the scene), properties, conversion and
markings (objects to arrays and back), place, line, choices, seams, rods and keep_clear (where they
stand, as the library takes them), job (panel to job and back), pieces and joints (made and
shown), quality (asked before anything is cut), live, overlay and handlers (what is drawn over
the viewport), the operators, panels. Registering imports neither numpy nor
the geometry: what imports those is imported when an operator first needs it.
"""

import bpy

from . import (
    gauge_operators,
    handlers,
    joint_operators,
    joint_panels,
    lists,
    marking_operators,
    operators,
    overlay,
    panels,
    properties,
    quality_operators,
    seam_operators,
)

CLASSES = (
    *properties.CLASSES,
    *operators.CLASSES,
    *marking_operators.CLASSES,
    *seam_operators.CLASSES,
    *quality_operators.CLASSES,
    *joint_operators.CLASSES,
    *gauge_operators.CLASSES,
    *lists.CLASSES,
    *panels.CLASSES,
    *joint_panels.CLASSES,
)


def register() -> None:
    """Add the panel, its operators and its properties to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    properties.attach()
    handlers.attach()
    overlay.attach(handlers.wake)


def unregister() -> None:
    """Take everything away again; what the user decided stays in the .blend."""
    overlay.detach()
    handlers.detach()
    properties.detach()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
