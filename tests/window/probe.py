"""Runs inside the Blender under test and only looks: `blender -P probe.py -- STATE.json TIMES`.

Writes several times a second what the scene holds and where on the window the regions of the
3D viewport and of the figure are, so that the test knows where to point and what came of it;
and how long the add-on's own work takes, see `clock.py`.
"""

import json
import os
import sys
from pathlib import Path

import bpy
from bpy_extras.view3d_utils import location_3d_to_region_2d
from mathutils import Vector

sys.path.insert(0, str(Path(__file__).resolve().parent))

import clock

STATE, TIMES = sys.argv[sys.argv.index("--") + 1 :]
TOLD = ("found", "seam_found", "joints_found", "pieces_found", "builds_found", "place_of")
EVERY = 0.1
"""Seconds between two looks."""

_clock = clock.Clock(TIMES)


def look():
    """Write the state; called again and again by Blender."""
    manager = bpy.context.window_manager
    window = manager.windows[0]
    layer, scene = window.view_layer, window.scene
    active = layer.objects.active
    state = {
        "version": bpy.app.version_string,
        "python": sys.version.split()[0],
        "windows": [
            [one.x, one.y, one.width, one.height, [area.type for area in one.screen.areas]]
            for one in manager.windows
        ],
        "mode": active.mode if active else "",
        "active": active.name if active else "",
        "selected": [obj.name for obj in layer.objects.selected],
        "cursor": list(scene.cursor.location),
        "objects": {obj.name: list(obj.location) for obj in scene.objects},
        "enabled": hasattr(scene, "seamwright"),
        "regions": {},
        "points": {},
    }
    view = max(
        (area for area in window.screen.areas if area.type == "VIEW_3D"),
        key=lambda area: area.width * area.height,
        default=None,
    )
    if view is not None:
        state.update(seen(window, view))
    if state["enabled"]:
        state.update(decided(scene, layer))
    part = f"{STATE}.part"
    with open(part, "w", encoding="utf-8") as file:
        json.dump(state, file)
    os.replace(part, STATE)
    _clock.write()
    return EVERY


def seen(window, view):
    """Where things are on the window, counted from the top as the pointer does."""
    regions, points = {}, {}
    for region in view.regions:
        top = window.height - region.y - region.height
        regions[region.type] = [region.x, top, region.width, region.height]
    (main,) = (region for region in view.regions if region.type == "WINDOW")
    eye = view.spaces.active.region_3d
    for obj in window.scene.objects:
        corners = [obj.matrix_world @ Vector(c) for c in obj.bound_box]
        ends = {"origin": obj.matrix_world.translation, "low": corners[0], "high": corners[6]}
        places = {name: location_3d_to_region_2d(main, eye, p) for name, p in ends.items()}
        points[obj.name] = {
            name: at and [main.x + at.x, window.height - main.y - at.y]
            for name, at in places.items()
        }
    sight = [*eye.view_location, eye.view_distance]
    turn = [round(v, 3) for v in eye.view_rotation]
    return {"regions": regions, "points": points, "view": sight, "turn": turn}


def decided(scene, layer):
    """What of the add-on's lies in the scene."""
    settings, figure = scene.seamwright, scene.seamwright.figure
    seams = [obj for obj in scene.objects if obj.seamwright.is_seam]
    pieces = [obj for obj in scene.objects if obj.seamwright.is_piece]
    live, work = clock.module("live"), clock.module("work")
    followed = live.section_now() if live is not None else None
    if figure is not None and figure.type == "MESH":
        _clock.read_vertices(figure.data)
    return {
        "figure": figure.name if figure else "",
        "size": [figure.seamwright.size, figure.seamwright.target_height] if figure else [],
        "written": figure.seamwright.written if figure else "",
        "hidden": figure.hide_get(view_layer=layer) if figure else False,
        "seams": {obj.name: [obj.type, obj.seamwright.joint] for obj in seams},
        "pieces": {obj.name: list(obj.location) for obj in pieces},
        "explode": [
            collection.seamwright.explode
            for collection in bpy.data.collections
            if collection.seamwright.explode
        ],
        "joints": [[joint.name, joint.seam, joint.state] for joint in settings.joints],
        "builds": [build.number for build in settings.builds],
        "said": {key: getattr(settings, key, "") for key in TOLD},
        "busy": work is not None and work.is_busy(),
        "live": followed and [followed.said, list(followed.middle), len(followed.taken)],
    }


_clock.wrap()
bpy.app.timers.register(look, first_interval=1.0, persistent=True)
