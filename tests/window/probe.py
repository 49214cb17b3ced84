"""Runs inside the Blender under test and only looks: `blender -P probe.py -- STATE.json`.

Writes several times a second what the scene holds and where on the window the regions of the
3D viewport and of the figure are, so that the test knows where to point and what came of it.
"""

import json
import os
import sys

import bpy
from bpy_extras.view3d_utils import location_3d_to_region_2d
from mathutils import Vector

STATE = sys.argv[sys.argv.index("--") + 1]


def look():
    """Write the state; called again and again by Blender."""
    window = bpy.context.window_manager.windows[0]
    state = {"version": bpy.app.version_string, "windows": [], "regions": {}}
    for one in bpy.context.window_manager.windows:
        kinds = [area.type for area in one.screen.areas]
        state["windows"].append([one.x, one.y, one.width, one.height, kinds])
    view = max(
        (area for area in window.screen.areas if area.type == "VIEW_3D"),
        key=lambda area: area.width * area.height,
        default=None,
    )
    settings = getattr(window.scene, "seamwright", None)
    if view is not None:
        for region in view.regions:
            # From the top, as the pointer counts.
            top = window.height - region.y - region.height
            state["regions"][region.type] = [region.x, top, region.width, region.height]
        (main,) = (region for region in view.regions if region.type == "WINDOW")
        state["points"] = {}
        for obj in window.scene.objects:
            corners = [obj.matrix_world @ Vector(c) for c in obj.bound_box]
            ends = {"origin": obj.matrix_world.translation, "low": corners[0], "high": corners[6]}
            state["points"][obj.name] = {
                name: at and [main.x + at.x, window.height - main.y - at.y]
                for name, at in (
                    (n, location_3d_to_region_2d(main, view.spaces.active.region_3d, p))
                    for n, p in ends.items()
                )
            }
    state["mode"] = (
        window.view_layer.objects.active.mode if window.view_layer.objects.active else ""
    )
    active = window.view_layer.objects.active
    state["active"] = active.name if active else ""
    state["cursor"] = list(window.scene.cursor.location)
    state["objects"] = {obj.name: list(obj.location) for obj in window.scene.objects}
    state["enabled"] = settings is not None
    if settings is not None:
        figure = settings.figure
        state["figure"] = figure.name if figure else ""
        state["size"] = [figure.seamwright.size, figure.seamwright.target_height] if figure else []
        state["seams"] = {
            obj.name: [obj.type, obj.seamwright.joint]
            for obj in window.scene.objects
            if obj.seamwright.is_seam
        }
        state["pieces"] = [obj.name for obj in window.scene.objects if obj.seamwright.is_piece]
        state["hidden"] = figure.hide_get(view_layer=window.view_layer) if figure else False
        said = ("found", "seam_found", "pieces_found")
        state["said"] = {key: getattr(settings, key, "") for key in said}
    part = f"{STATE}.part"
    with open(part, "w", encoding="utf-8") as file:
        json.dump(state, file)
    os.replace(part, STATE)
    return 0.25


bpy.app.timers.register(look, first_interval=1.0, persistent=True)
