"""What a figure's modifiers do to it, so far as that can be told at once, and the one that hides
detail. Imports no geometry."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache

import bpy

_ASIDE = {
    "rna_type", "is_active", "show_expanded", "use_pin_to_last", "execution_time",
    "persistent_uid", "show_in_editmode", "show_on_cage", "show_render", "show_group_selector",
    "show_manage_panel", "is_external", "is_bound", "is_bind",
}  # fmt: skip
"""Properties that say nothing of what a modifier does in the viewport."""

_LEVELS = {"levels", "sculpt_levels", "render_levels"}
"""Of a Multiresolution modifier, which is always taken at its highest level."""

_nodes = [0]
"""How often a tree of geometry nodes was changed."""


def nodes_changed() -> None:
    """Note that a tree of geometry nodes was changed."""
    _nodes[0] += 1


def said_of(
    obj: bpy.types.Object, of_other: Callable[[bpy.types.Object], list[object]]
) -> list[object]:
    """The settings of an object's modifiers as plain values.

    of_other : what is to be said of an object that a modifier looks at.
    """
    return [
        (modifier.name, modifier.type, [_plain(value, of_other) for value in _values(modifier)])
        for modifier in obj.modifiers
    ]


def _values(modifier: bpy.types.Modifier) -> Iterator[object]:
    passed = _LEVELS if modifier.type == "MULTIRES" else set()
    for key in _keys(type(modifier)):
        if key not in passed:
            yield getattr(modifier, key)
    if modifier.type == "NODES":
        yield _nodes[0]
        yield from _inputs(modifier)


def _inputs(modifier: bpy.types.NodesModifier) -> Iterator[object]:
    """What is given to a modifier's tree of nodes: since Blender 5.2 as settings of its own."""
    if not hasattr(modifier, "properties"):
        for key in modifier.keys():  # noqa: SIM118  (it is no mapping)
            yield key, modifier[key]
        return
    # Without a tree there are none.
    inputs = modifier.properties and modifier.properties.inputs
    for prop in inputs.bl_rna.properties if inputs else ():
        if prop.type == "POINTER" and prop.identifier != "rna_type":
            given = getattr(inputs, prop.identifier)
            yield (
                prop.identifier,
                [getattr(given, key, None) for key in ("value", "type", "attribute_name")],
            )


@cache
def _keys(kind: type[bpy.types.Modifier]) -> tuple[str, ...]:
    return tuple(
        prop.identifier
        for prop in kind.bl_rna.properties
        if prop.type != "COLLECTION" and prop.identifier not in _ASIDE
    )


def _plain(value: object, of_other: Callable[[bpy.types.Object], list[object]]) -> object:
    if isinstance(value, bpy.types.Object):
        return of_other(value)
    if isinstance(value, bpy.types.ID):
        return value.name
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, (set, frozenset)):
        return sorted(value)
    # Of a group of settings, such as a curve drawn by hand, nothing is said.
    several = () if isinstance(value, bpy.types.bpy_struct) else value
    return [_plain(x, of_other) for x in several]


def bent_by(obj: bpy.types.Object) -> list[float]:
    """What of an armature or a lattice bends what hangs on it."""
    if obj.type == "ARMATURE":
        return [x for bone in obj.pose.bones for row in bone.matrix for x in row]
    if obj.type == "LATTICE":
        return [x for point in obj.data.points for x in point.co_deform]
    return []


def hidden_detail(obj: bpy.types.Object) -> list[bpy.types.MultiresModifier]:
    """Multiresolution modifiers that have sculpted levels which the viewport does not show."""
    return [
        modifier
        for modifier in obj.modifiers
        if modifier.type == "MULTIRES"
        and (modifier.show_viewport or modifier.show_render)
        and not (modifier.show_viewport and modifier.levels == modifier.total_levels)
    ]
