"""Seamwright in Blender: takes a sculpted figure apart into printable, keyed pieces.

Read the modules as: scene (what of ours lies in the scene), properties, conversion, modifiers and
markings (objects to arrays and back), place, line, choices, seams, rods and keep_clear (where they
stand, as the library takes them), builds and job (panel to job and back), strokes (drawn into
seams), pieces, piece_objects, cures, joints, joint_handles and previews (made and shown), quality
(asked before anything is parted), live, overlay and handlers (what is drawn over the viewport),
picking and lists, next_step and redraw (what the panels say, and look up once), preferences, work
(what all operators share, and long work in steps), the operators, gizmos, panels. Registering
imports neither numpy nor the geometry: what imports those is imported when an operator first needs
it.
"""

import bpy

from . import (
    build_operators,
    build_panels,
    gauge_operators,
    handlers,
    joint_gizmos,
    joint_operators,
    joint_panels,
    lists,
    marking_operators,
    operators,
    overlay,
    panels,
    preferences,
    properties,
    quality_operators,
    seam_operators,
    seam_panels,
    stroke_operators,
    work,
)

CLASSES = (
    *properties.CLASSES,
    *preferences.CLASSES,
    *operators.CLASSES,
    *marking_operators.CLASSES,
    *seam_operators.CLASSES,
    *stroke_operators.CLASSES,
    *quality_operators.CLASSES,
    *joint_operators.CLASSES,
    *joint_gizmos.CLASSES,
    *gauge_operators.CLASSES,
    *build_operators.CLASSES,
    *lists.CLASSES,
    *panels.CLASSES,
    *seam_panels.CLASSES,
    *build_panels.CLASSES,
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
    work.leave_all(bpy.context)
    overlay.detach()
    handlers.detach()
    properties.detach()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
