"""Joints and rods in a job file: read from its tables and written back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from seamwright.choice import FIRM, KINDS, JointAt, JointChoice
from seamwright.errors import BadInput
from seamwright.rod import Rod
from seamwright.tables import (
    flag_of,
    number_of,
    point_of,
    require_known,
    rows_of,
    text_of,
    whole_of,
)

_KEYS = tuple(f.name for f in fields(JointChoice) if f.name != "firm")


def seam_joint(table: Mapping[str, Any], where: str) -> JointChoice:
    """The `joint` of a seam: a kind in quotes, or a table with more."""
    value = table.get("joint", "auto")
    if isinstance(value, dict):
        return choice_of(value, f"{where}, joint")
    if value not in KINDS:
        listed = ", ".join(f'"{kind}"' for kind in KINDS)
        raise BadInput(f"{where}: joint is {value!r}; use one of {listed}, or a table.")
    return JointChoice(value)


def choice_of(table: Mapping[str, Any], where: str, also: tuple[str, ...] = ()) -> JointChoice:
    """One choice. also : keys that are for somebody else."""
    require_known(table, _KEYS, where, also=also)
    found: dict[str, Any] = {}
    for key in _KEYS:
        if key not in table:
            continue
        if key in ("kind", "footprint", "pegs_on", "magnet"):
            found[key] = text_of(table, key, where, required=True)
        elif key == "count":
            found[key] = whole_of(table, key, where)
        elif key == "direction":
            found[key] = point_of(table, key, where)
        elif key in ("key", "marks"):
            found[key] = flag_of(table, key, where, True)
        elif key == "at":
            rows = table[key]
            if not isinstance(rows, list) or not rows:
                raise BadInput(f"{where}: at must be one place or more, [[x, y, z], …].")
            found[key] = tuple(point_of({"at": row}, "at", where) for row in rows)
        else:
            found[key] = number_of(table, key, where)
    try:
        return JointChoice(**found, firm=tuple(key for key in FIRM if key in table))
    except BadInput as error:
        raise BadInput(f"{where}: {error}") from error


def choice_table(choice: JointChoice) -> dict[str, Any]:
    """What of a choice is said."""
    table: dict[str, Any] = {}
    for key in _KEYS:
        value = getattr(choice, key)
        if choice.says(key):
            table[key] = [list(p) for p in value] if key == "at" else value
    if "direction" in table:
        table["direction"] = list(table["direction"])
    return table


def joints_at(data: Mapping[str, Any], seams: tuple[str, ...], where: str) -> tuple[JointAt, ...]:
    """The `[[joint]]` tables of a job; `seams` are the names there are."""
    rows = rows_of(data, "joint", where)
    found = []
    for number, row in enumerate(rows, start=1):
        here = f"{where}, joint {number}"
        seam = str(text_of(row, "seam", here, required=True))
        if seam not in seams:
            raise BadInput(f"{here}: there is no seam '{seam}'; use one of {', '.join(seams)}.")
        near = point_of(row, "near", here) if "near" in row else None
        found.append(JointAt(seam, near, choice_of(row, here, also=("seam", "near"))))
    return tuple(found)


def joint_table(joint: JointAt) -> dict[str, Any]:
    """One `[[joint]]` table."""
    near = {} if joint.near is None else {"near": list(joint.near)}
    return {"seam": joint.seam, **near, **choice_table(joint.choice)}


def rods_of(data: Mapping[str, Any], where: str) -> tuple[Rod, ...]:
    """The `[[rod]]` tables of a job."""
    found: list[Rod] = []
    for n, row in enumerate(rows_of(data, "rod", where), start=1):
        name = text_of(row, "name", f"{where}, rod {n}") or f"rod {n}"
        here = f"{where}, rod '{name}'"
        require_known(row, ("name", "from", "to", "diameter", "clearance"), here)
        if any(rod.name == name for rod in found):
            raise BadInput(f"{where}: two rods are named '{name}'; give each its own name.")
        diameter, gap = number_of(row, "diameter", here), number_of(row, "clearance", here)
        if diameter is None or not diameter > 0:
            raise BadInput(f"{here} needs a diameter above 0 mm, diameter = 6.")
        if gap is not None and not gap >= 0:
            raise BadInput(f"{here}: clearance is {gap:g}; it must be 0 mm or more.")
        start, end = point_of(row, "from", here), point_of(row, "to", here)
        found.append(Rod(name, start, end, diameter, gap))
    return tuple(found)


def rod_table(rod: Rod) -> dict[str, Any]:
    """One `[[rod]]` table."""
    gap = {} if rod.clearance is None else {"clearance": rod.clearance}
    ends = {"from": list(rod.start), "to": list(rod.end)}
    return {"name": rod.name, **ends, "diameter": rod.diameter, **gap}
