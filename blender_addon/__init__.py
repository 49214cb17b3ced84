"""Seamwright in Blender: takes a sculpted figure apart into printable, keyed pieces.

Read the modules as: scene (what of ours lies in the scene), properties, conversion and
markings (objects to arrays and back), place, line, seams and keep_clear (where they stand,
as the library takes them), job (panel to job and back), pieces (made and shown), quality
(asked before anything is cut), the operators, panels. Registering imports neither numpy nor
the geometry: what imports those is imported when an operator first needs it.
"""

import sys

import bpy

from . import (
    marking_operators,
    operators,
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
    *panels.CLASSES,
)


def register() -> None:
    """Add the panel, its operators and its properties to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    properties.attach()


def unregister() -> None:
    """Take everything away again; what the user decided stays in the .blend."""
    properties.detach()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
    pieces = sys.modules.get(f"{__package__}.pieces")
    if pieces is not None:
        pieces.forget()
