"""What several parts of the panel ask at a redraw, looked up once for all of them.

Imports no geometry.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bpy

from . import decisions
from . import scene as ours

_ONE = 0.05
"""Seconds within which the parts of the panel are drawn; what is asked later is looked up anew."""

_DISK = 2.0
"""Seconds for which a file that was there counts as there: a folder may be on a slow network
drive."""

_began = [0.0]
_found: dict[tuple[str, ...], Any] = {}
_there: dict[Path, tuple[float, bool]] = {}


def begin() -> None:
    """Forget all but files: something is drawn from its first part on, or was changed."""
    _began[0] = time.perf_counter()
    _found.clear()


def _once(find: Callable[..., Any], *what: bpy.types.ID) -> Any:
    if time.perf_counter() - _began[0] > _ONE:
        begin()
    key = (find.__name__, *(thing.name_full for thing in what))
    if key not in _found:
        _found[key] = find(*what)
    return _found[key]


def mark_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> str:
    """As `decisions.mark_of`."""
    return _once(decisions.mark_of, figure, scene)


def builds_mark(figure: bpy.types.Object, scene: bpy.types.Scene) -> str:
    """As `decisions.builds_mark`."""

    def builds(figure: bpy.types.Object, scene: bpy.types.Scene) -> str:
        return decisions.builds_mark(figure, scene, mark_of(figure, scene))

    return _once(builds, figure, scene)


def seams_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """As `scene.seams_of`."""
    return _once(ours.seams_of, figure, scene)


def pieces_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """As `scene.pieces_of`."""
    return _once(ours.pieces_of, figure, scene)


def active_seam(context: bpy.types.Context) -> bpy.types.Object | None:
    """As `scene.active_seam`."""

    def active(_scene: bpy.types.Scene) -> bpy.types.Object | None:
        return ours.active_seam(context)

    return _once(active, context.scene)


def is_there(path: Path) -> bool:
    """Whether there is a file or folder, as of some moments ago."""
    now = time.monotonic()
    asked, found = _there.get(path, (-_DISK, False))
    if now - asked >= _DISK:
        found = path.exists()
        _there[path] = now, found
    return found


def forget() -> None:
    """Let go of all that is kept."""
    begin()
    _there.clear()
