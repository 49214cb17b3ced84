"""List every label and tooltip that Blender shows of ours, for review: docs/labels.md.

    python scripts/list_labels.py              write docs/labels.md anew
    python scripts/list_labels.py --check      only say whether it is as it should be

Run it with a Python that has bpy. What is listed is what the registered classes say, in the order
of the panel; `tests/addon/test_labels.py` fails when the file is out of date.
"""

from __future__ import annotations

import argparse
import ast
import inspect
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "docs" / "labels.md"
COMMAND = "python scripts/list_labels.py"

HEAD = f"""# Labels and tooltips

What Blender shows of the extension, in the order of the panel. Made by `{COMMAND}`;
do not edit.
"""


@dataclass(frozen=True)
class Property:
    """A property that is shown.

    owner : identifier of its operator or group; label, tooltip : as shown.
    kind : Blender's type; choices : of an enum, identifier, label and tooltip of each.
    """

    owner: str
    key: str
    label: str
    tooltip: str
    kind: str
    choices: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class Operator:
    """An operator: a button."""

    idname: str
    label: str
    tooltip: str
    properties: tuple[Property, ...]


@dataclass(frozen=True)
class Part:
    """A part of the panel, a list or a menu.

    says : what its code shows as text of its own, in its order.
    names : operators and properties that it names, in its order.
    """

    identifier: str
    label: str
    parent: str
    says: tuple[str, ...]
    names: tuple[str, ...]


@dataclass(frozen=True)
class Labels:
    """All there is, in the order of the panel; groups are lists of their properties."""

    panels: tuple[Part, ...]
    others: tuple[Part, ...]
    operators: tuple[Operator, ...]
    groups: dict[str, tuple[Property, ...]]

    @property
    def properties(self) -> Iterator[Property]:
        """Those of operators and of groups."""
        for operator in self.operators:
            yield from operator.properties
        for found in self.groups.values():
            yield from found


# --- found ---------------------------------------------------------------------------------


def found(classes: tuple[type, ...]) -> Labels:
    """The labels of registered classes."""
    panels = in_order([part_of(cls) for cls in classes if "_PT_" in cls.__name__], classes)
    others = tuple(
        part_of(cls) for cls in classes if "_UL_" in cls.__name__ or "_MT_" in cls.__name__
    )
    named = [name for part in (*panels, *others) for name in part.names]
    place = {name: k for k, name in reversed(list(enumerate(named)))}
    operators = [operator_of(cls) for cls in classes if "_OT_" in cls.__name__]
    operators.sort(key=lambda op: (place.get(op.idname, len(named)), op.idname))
    groups = {
        cls.__name__: tuple(properties_of(cls.__name__, cls.bl_rna))
        for cls in classes
        if "_PG_" in cls.__name__ or "_AP_" in cls.__name__
    }
    return Labels(panels, others, tuple(operators), {k: v for k, v in groups.items() if v})


def in_order(parts: list[Part], classes: tuple[type, ...]) -> tuple[Part, ...]:
    """Panels as they stand from top to bottom, each followed by those inside it."""
    order = {cls.__name__: getattr(cls, "bl_order", 0) for cls in classes}

    def inside(parent: str) -> Iterator[Part]:
        for part in sorted(
            (p for p in parts if p.parent == parent), key=lambda p: order[p.identifier]
        ):
            yield part
            yield from inside(part.identifier)

    return tuple(inside(""))


def part_of(cls: Any) -> Part:
    """What a panel, list or menu says and names in its code."""
    says: list[str] = []
    names: list[str] = []
    for node in ast.walk(ast.parse(textwrap.dedent(inspect.getsource(cls)))):
        if not isinstance(node, ast.Call):
            continue
        for keyword in node.keywords:
            if keyword.arg in ("text", "heading"):
                says += texts(keyword.value)
        method = node.func.attr if isinstance(node.func, ast.Attribute) else ""
        if method in ("operator", "operator_menu_enum", "prop", "prop_search"):
            names += [text for argument in node.args for text in texts(argument)][:1]
    label = getattr(cls, "bl_label", "") or ""
    parent = getattr(cls, "bl_parent_id", "") or ""
    return Part(cls.__name__, label, parent, unique(says), unique(names))


def texts(node: ast.expr) -> list[str]:
    """Texts that an expression may be; of what is put together, its fixed words."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value] if node.value else []
    if isinstance(node, ast.IfExp):
        return [*texts(node.body), *texts(node.orelse)]
    if isinstance(node, ast.JoinedStr):
        words = [v.value if isinstance(v, ast.Constant) else "…" for v in node.values]
        return ["".join(map(str, words))]
    return []


def unique(words: list[str]) -> tuple[str, ...]:
    """The words in the order of their first coming."""
    return tuple(dict.fromkeys(words))


def operator_of(cls: Any) -> Operator:
    """An operator as Blender has it."""
    import bpy  # noqa: PLC0415

    module, _, name = cls.bl_idname.partition(".")
    # The class itself knows neither its label nor its properties.
    rna = getattr(getattr(bpy.ops, module), name).get_rna_type()
    return Operator(
        cls.bl_idname, rna.name, rna.description, tuple(properties_of(cls.bl_idname, rna))
    )


def properties_of(owner: str, rna: Any) -> Iterator[Property]:
    """The shown properties of our own that a class has."""
    for prop in rna.properties:
        if prop.is_runtime and not prop.is_hidden:
            choices: tuple[tuple[str, str, str], ...] = ()
            if prop.type == "ENUM":
                choices = tuple((i.identifier, i.name, i.description) for i in prop.enum_items)
            yield Property(owner, prop.identifier, prop.name, prop.description, prop.type, choices)


# --- written -------------------------------------------------------------------------------


def text_of(labels: Labels) -> str:
    """docs/labels.md."""
    lines = [HEAD, "## Panels", "", "| panel | label | shows of its own |", "| --- | --- | --- |"]
    depth = {"": 0}
    for part in labels.panels:
        depth[part.identifier] = depth[part.parent] + 1
        inset = "· " * (depth[part.identifier] - 1)
        lines.append(f"| `{part.identifier}` | {inset}{part.label} | {'; '.join(part.says)} |")
    lines += ["", "## Lists and menus", "", "| which | label | shows of its own |"]
    lines.append("| --- | --- | --- |")
    for part in labels.others:
        lines.append(f"| `{part.identifier}` | {part.label} | {'; '.join(part.says)} |")
    lines += ["", "## Operators"]
    for operator in labels.operators:
        lines += ["", f"### {operator.label}", "", f"`{operator.idname}`: {operator.tooltip}"]
        lines += table(operator.properties)
    lines += ["", "## Properties"]
    for name, group in labels.groups.items():
        lines += ["", f"### `{name}`", *table(group)]
    return "\n".join(lines) + "\n"


def table(properties: tuple[Property, ...]) -> list[str]:
    """A table of properties, the choices of an enum below it."""
    if not properties:
        return []
    lines = ["", "| label | property | tooltip |", "| --- | --- | --- |"]
    for prop in properties:
        lines.append(f"| {prop.label} | `{prop.key}` | {prop.tooltip} |")
        lines += [f"| — {label} | `{key}` | {tooltip} |" for key, label, tooltip in prop.choices]
    return lines


def registered() -> Labels:
    """The labels of the add-on, registered for the purpose if it is not already."""
    sys.path[:0] = [str(ROOT), str(ROOT / "lib")]
    import blender_addon  # noqa: PLC0415  (needs bpy)

    if blender_addon.CLASSES[0].is_registered:
        return found(blender_addon.CLASSES)
    blender_addon.register()
    try:
        return found(blender_addon.CLASSES)
    finally:
        blender_addon.unregister()


def main(argv: list[str] | None = None) -> int:
    """Write the file, or check it. Returns the exit code: 0 done, 1 out of date."""
    parser = argparse.ArgumentParser(description="List labels and tooltips for review.")
    parser.add_argument("--check", action="store_true", help="write nothing")
    options = parser.parse_args(argv)
    text = text_of(registered())
    if options.check:
        current = TARGET.is_file() and TARGET.read_text(encoding="utf-8") == text
        print("docs/labels.md is up to date." if current else f"Out of date; run: {COMMAND}")
        return 0 if current else 1
    TARGET.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
