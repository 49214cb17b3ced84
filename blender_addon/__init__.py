"""Seamwright in Blender: takes a sculpted figure apart into printable, keyed pieces.

Read the modules as: scene (what of ours lies in the scene), properties, conversion
(objects to arrays and back), job (panel to job and back), pieces (made and shown),
operators, panels. Registering imports neither numpy nor the geometry: `conversion`,
`job` and `pieces` are imported when an operator first needs them.
"""

import sys

import bpy

from . import operators, panels, properties

CLASSES = (*properties.CLASSES, *operators.CLASSES, *panels.CLASSES)


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
