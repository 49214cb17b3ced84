"""The benchmark's rows for the extension in Blender: following a seam, starting, the panel.

Blender's own part is left out: what it takes to move an object, or to lay out and draw what
the panel asks for.
"""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from bench_common import Arrays, Row, seconds

ROOT = Path(__file__).resolve().parent.parent
FOLLOWED = 1 / 20
"""Seconds within which a dragged seam must have been followed."""
STARTED = 0.2
"""Seconds that enabling the extension may take in a Blender that runs."""
DRAWN = 1e-3
"""Seconds that all parts of the panel may take together at a redraw."""
SEAMS, PIECES, JOINTS, BUILDS = 30, 31, 40, 12
"""What is in the scene whose panel is drawn."""
MOVES = 40


def addon_rows(figure: Arrays, small: bool, runs: int) -> Iterator[Row]:
    """All rows of this part; none without Blender as a module."""
    try:
        import bpy  # noqa: PLC0415  (mostly not there, and heavy)
    except ImportError:
        return
    sys.path.insert(0, str(ROOT))
    import blender_addon  # noqa: PLC0415  (needs bpy)

    with _quiet():
        bpy.ops.wm.read_factory_settings(use_empty=True)
        bpy.context.scene.unit_settings.scale_length = 0.001
        blender_addon.register()
    try:
        yield from _following(figure, 10 if small else MOVES)
        yield _panel(runs)
    finally:
        blender_addon.unregister()
    yield _starting(1 if small else 5)


# --- a seam that is dragged ----------------------------------------------------------------


def _following(figure: Arrays, moves: int) -> Iterator[Row]:
    import bpy  # noqa: PLC0415
    from blender_addon import handlers, live  # noqa: PLC0415

    obj = _object("Sculpt", figure)
    values = np.empty(3 * len(figure[0]), dtype=np.float32)
    with _quiet():
        bpy.context.scene.seamwright.figure = obj
        for axis in ("X", "Y", "Z"):
            bpy.ops.seamwright.add_seam(at="MIDDLE", axis=axis)
    seam = bpy.context.view_layer.objects.active
    seam.seamwright.reach = "nearest"
    handlers.follow(bpy.context)
    own, reference = [], []
    for height in np.linspace(-60, 60, moves):
        seam.location = (3, 2, height)
        seam.rotation_euler = (0.1 + 0.002 * height, 0.2, 0)
        bpy.context.view_layer.update()
        start = time.perf_counter()
        handlers.follow(bpy.context)
        own.append(time.perf_counter() - start)
        if live.section_now() is None or not len(live.section_now().taken):
            raise SystemExit("The seam of the benchmark was not followed.")
        start = time.perf_counter()
        obj.data.vertices.foreach_get("co", values)
        reference.append(time.perf_counter() - start)
    spent = float(np.median(own))
    yield Row(f"a dragged seam followed in Blender / {1000 * FOLLOWED:g} ms", spent, FOLLOWED, 1)
    name = "the same / reading that mesh's coordinates once by foreach_get"
    yield Row(name, spent, float(np.median(reference)), 0)


def _object(name: str, figure: Arrays) -> Any:
    """A mesh object of the scene, from bare arrays."""
    import bpy  # noqa: PLC0415

    vertices, faces = figure
    mesh = bpy.data.meshes.new(name)
    mesh.vertices.add(len(vertices))
    mesh.vertices.foreach_set("co", vertices.astype(np.float32).ravel())
    mesh.loops.add(faces.size)
    mesh.loops.foreach_set("vertex_index", np.ascontiguousarray(faces, dtype=np.int32).ravel())
    mesh.polygons.add(len(faces))
    mesh.polygons.foreach_set("loop_start", np.arange(0, faces.size, 3, dtype=np.int32))
    mesh.update(calc_edges=True)
    obj = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(obj)
    bpy.context.view_layer.update()
    return obj


# --- starting ------------------------------------------------------------------------------

_START = """
import os, sys, time, bpy
start = time.perf_counter()
import blender_addon
blender_addon.register()
print("seconds", time.perf_counter() - start)
sys.stdout.flush()
# Before Blender 5, bpy as a module crashes as Python ends if a property with an update callback
# was ever registered.
os._exit(0)
"""


def _starting(runs: int) -> Row:
    """Import and registering in an interpreter of its own each time, where Blender runs."""
    found = []
    for _ in range(runs + 1):
        done = subprocess.run(
            [sys.executable, "-c", _START],
            env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'lib'}"},
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            check=True,
        )
        found += [float(x.split()[1]) for x in done.stdout.splitlines() if "seconds" in x]
    name = f"extension imported and registered / {STARTED:g} s"
    return Row(name, float(np.median(found[1:])), STARTED, 1)


# --- the panel -----------------------------------------------------------------------------


def _panel(runs: int) -> Row:
    _fill()
    draw = _drawing()
    (own,) = seconds(20 * runs, draw)
    what = f"{SEAMS} seams, {PIECES} pieces, {JOINTS} joints, {BUILDS} builds"
    return Row(f"all panels and lists drawn, {what} / {1000 * DRAWN:g} ms", own, DRAWN, 1)


def _fill() -> None:
    """A scene with seams, pieces, joints and builds, none of it out of date."""
    import bpy  # noqa: PLC0415
    from blender_addon import decisions  # noqa: PLC0415
    from blender_addon import scene as ours  # noqa: PLC0415

    from seamwright.shapes import box, sphere  # noqa: PLC0415

    with _quiet():
        bpy.ops.wm.read_factory_settings(use_empty=True)
        scene = bpy.context.scene
        settings = scene.seamwright
        ball, cube = sphere(100.0), box(5.0, 5.0, 5.0)
        figure = settings.figure = _object("Keeper", (ball.vertices, ball.faces))
        for height in np.linspace(-90, 90, SEAMS):
            scene.cursor.location = (0, 0, height)
            bpy.ops.seamwright.add_seam(at="CURSOR")
    for number in range(1, PIECES + 1):
        piece = _object(f"Keeper piece-{number:02d}", (cube.vertices, cube.faces)).seamwright
        piece.is_piece, piece.figure, piece.number = True, figure, number
        piece.build = 1 + number % BUILDS
    seams = ours.seams_of(figure, scene)
    for number in range(JOINTS):
        joint = settings.joints.add()
        joint.name, joint.seam = chr(65 + number % 26), seams[number % SEAMS].name
        joint.kind, joint.state, joint.said = "2 pegs 9.5", "holds", "Two pegs hold it."
    for number in range(1, BUILDS + 1):
        build = settings.builds.add()
        build.number, build.printer = number, settings.profile
        build.time, build.material, build.said = "1 h 20 min", "80 g", "Pieces 1 to 3."
    settings.joint_index = settings.build_index = 3
    settings.pieces_found = settings.builds_found = "All checks hold."
    settings.joints_mark = settings.pieces_mark = decisions.mark_of(figure, scene)
    settings.builds_mark = decisions.builds_mark(figure, scene)
    bpy.context.view_layer.objects.active = seams[4]
    bpy.context.view_layer.update()


class _Layout:
    """Takes whatever it is asked to lay out; lists it lets draw their rows, as Blender does."""

    def __init__(self, lists: dict[str, Any]) -> None:
        self.__dict__["lists"] = lists

    def __getattr__(self, _name: str) -> Callable[..., _Layout]:
        return lambda *_arguments, **_options: self

    def __setattr__(self, _name: str, _value: object) -> None:
        pass

    def template_list(
        self, kind: str, _id: str, data: Any, name: str, active: Any, key: str, **options: Any
    ) -> None:
        """All rows are sorted, and as many drawn as are seen."""
        import bpy  # noqa: PLC0415

        drawing, rows = self.lists[kind], list(getattr(data, name))
        if hasattr(drawing, "filter_items"):
            flags, _order = drawing.filter_items(bpy.context, data, name)
            if flags:
                rows = [row for row, flag in zip(rows, flags, strict=True) if flag]
        for row in rows[: options.get("rows", 5)]:
            drawing.draw_item(bpy.context, self, data, row, 0, active, key)


class _Drawing:
    """Stands in for a panel or list that Blender has made: its methods, and a layout."""

    def __init__(self, cls: Any, layout: _Layout | None = None) -> None:
        self.layout, self.bitflag_filter_item, self.filter_name = layout, 1 << 30, ""
        for name, member in inspect.getmembers(cls, inspect.isfunction):
            setattr(self, name, member.__get__(self))
        for name in ("bl_idname", "bl_label"):
            setattr(self, name, getattr(cls, name, ""))


def _drawing() -> Callable[[], None]:
    """Draws all panels that are to be seen, from top to bottom."""
    import blender_addon  # noqa: PLC0415
    import bpy  # noqa: PLC0415

    lists = {c.__name__: _Drawing(c) for c in blender_addon.CLASSES if "_UL_" in c.__name__}
    layout = _Layout(lists)
    panels = [c for c in blender_addon.CLASSES if "_PT_" in c.__name__]
    panels.sort(key=lambda c: (bool(getattr(c, "bl_parent_id", "")), getattr(c, "bl_order", 0)))
    drawings = [(c, _Drawing(c, layout)) for c in panels]

    def draw() -> None:
        for cls, drawing in drawings:
            if hasattr(cls, "poll") and not cls.poll(bpy.context):
                continue
            for part in ("draw_header", "draw_header_preset", "draw"):
                if hasattr(drawing, part):
                    getattr(drawing, part)(bpy.context)

    return draw


@contextmanager
def _quiet() -> Iterator[None]:
    """Operators tell on the terminal what they did, which would stand amid the table."""
    sys.stdout.flush()
    kept = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)
