"""Times what the add-on does in the Blender under test, and writes it line by line.

Its classes and functions are wrapped where they are looked up as they are called, so that no
file of the add-on's is touched. Each line is JSON: what ran, when it ended by `time.monotonic`,
which all processes share, and its milliseconds: of panels those of the processor, so that what
else the machine does is left out, of all else those of the clock on the wall.
"""

import functools
import json
import sys
import time

import bpy
import numpy as np

_BETWEEN = 2.0
"""Seconds between two readings of the figure's vertices, with which our work is compared."""


class Clock:
    """What is timed: `lines` grow until they are written."""

    def __init__(self, path):
        self.path, self.lines = path, []
        self.parts, self.lists, self.reference = {}, {}, 0.0
        self.is_read = False

    def wrap(self):
        """Time all panels and lists of the add-on, and its work on a seam that is moved."""
        for name in dir(bpy.types):
            cls = getattr(bpy.types, name)
            if name.startswith("SEAMWRIGHT_PT"):
                cls.draw = self._panel(name, cls.draw)
            elif name.startswith("SEAMWRIGHT_UL"):
                cls.draw_item = self._row(name, cls.draw_item)
                if hasattr(cls, "filter_items"):
                    cls.filter_items = self._filter(name, cls.filter_items)
        handlers, overlay = module("handlers"), module("overlay")
        handlers._tick = self._follow(handlers._tick)
        decisions = module("decisions")
        decisions.changed = self._work("changed", decisions.changed)
        # What draws was handed to Blender already.
        overlay.detach()
        overlay._draw_lines = self._work("lines", overlay._draw_lines)
        overlay._draw_words = self._work("words", overlay._draw_words)
        overlay.attach(handlers.wake)

    def read_vertices(self, mesh):
        """Time one reading of the figure's vertices, once in a while."""
        if time.monotonic() - self.reference < _BETWEEN:
            return
        values = np.empty(3 * len(mesh.vertices), dtype=np.float32)
        start = time.perf_counter()
        mesh.vertices.foreach_get("co", values)
        self._note("foreach_get", start, vertices=len(mesh.vertices))
        self.reference = time.monotonic()

    def write(self):
        """Append the lines to the file."""
        self._close()
        if self.lines:
            with open(self.path, "a", encoding="utf-8") as file:
                file.writelines(json.dumps(line) + "\n" for line in self.lines)
            self.lines.clear()

    def _note(self, what, start, **more):
        ms = 1000 * (time.perf_counter() - start)
        self.lines.append({"what": what, "end": time.monotonic(), "ms": ms, **more})

    def _work(self, what, call):
        @functools.wraps(call)
        def timed(*words, **named):
            start = time.perf_counter()
            try:
                return call(*words, **named)
            finally:
                self._note(what, start)

        return timed

    def _follow(self, look):
        """The look at seams that were moved; whether one was."""

        def timed():
            before, start = self._version(), time.perf_counter()
            try:
                return look()
            finally:
                self._note("follow", start, moved=self._version() != before)

        return timed

    def _version(self):
        live = module("live")
        return live.version[0] if live is not None else 0

    def _panel(self, name, draw):
        """A panel's `draw`; the first part's begins a redraw of all."""

        def timed(panel, context):
            if name == "SEAMWRIGHT_PT_main":
                self._close()
            start = time.thread_time()
            try:
                draw(panel, context)
            finally:
                took = 1000 * (time.thread_time() - start)
                self.parts[name] = self.parts.get(name, 0.0) + took

        return timed

    # What lists do is within their panel's `draw`. Blender hands over as many arguments as a
    # function says that it takes.

    def _row(self, name, draw):
        def timed(one, context, layout, data, item, icon, active_data, active, index, flag):
            start = time.thread_time()
            try:
                draw(one, context, layout, data, item, icon, active_data, active, index, flag)
            finally:
                self._add(name, start)

        return timed

    def _filter(self, name, sort):
        def timed(one, context, data, key):
            start = time.thread_time()
            try:
                return sort(one, context, data, key)
            finally:
                self._add(name, start)

        return timed

    def _add(self, name, start):
        took = 1000 * (time.thread_time() - start)
        self.lists[name] = self.lists.get(name, 0.0) + took

    def _close(self):
        """End a redraw of the panel, if one was begun."""
        if self.parts:
            self.lines.append(
                {
                    "what": "panel",
                    "end": time.monotonic(),
                    "ms": sum(self.parts.values()),
                    "parts": {**self.parts, **self.lists},
                }
            )
            self.parts, self.lists = {}, {}


def module(name):
    """One of the add-on's modules, or None if it was not imported yet."""
    found = (m for key, m in sys.modules.items() if key.endswith(f".seamwright.{name}"))
    return next(found, None)
