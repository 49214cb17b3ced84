"""Tables: typed values out of a job file's tables, or one sentence on what is wrong."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from typing import Any, cast

from seamwright.errors import BadInput
from seamwright.seam import Point


def require_known(
    table: Mapping[str, Any], keys: Iterable[str], where: str, also: Iterable[str] = ()
) -> None:
    """Raise if a table has a key that is none of those."""
    allowed = [*keys, *also]
    for key in table:
        if key not in allowed:
            close = difflib.get_close_matches(key, allowed, 1)
            hint = f"did you mean '{close[0]}'?" if close else f"use {', '.join(allowed)}."
            raise BadInput(f"{where}: key '{key}' is unknown; {hint}")


def table_of(data: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
    """A table under a key; empty if there is none."""
    value = data.get(key, {})
    if not isinstance(value, dict):
        raise BadInput(f"{where}: '{key}' must be a table, [{key}].")
    return value


def text_of(
    table: Mapping[str, Any], key: str, where: str, *, required: bool = False
) -> str | None:
    """A text under a key, or None if there is none and none is required."""
    value = table.get(key)
    if value is None and not required:
        return None
    if not isinstance(value, str) or not value.strip():
        raise BadInput(f"{where}: '{key}' must be a text in quotes and not empty.")
    return value


def flag_of(table: Mapping[str, Any], key: str, where: str, default: bool) -> bool:
    """True or false under a key."""
    value = table.get(key, default)
    if not isinstance(value, bool):
        raise BadInput(f"{where}: '{key}' must be true or false.")
    return value


def number_of(table: Mapping[str, Any], key: str, where: str) -> float | None:
    """A number under a key, or None if there is none."""
    value = table.get(key)
    if value is None:
        return None
    if not is_number(value):
        raise BadInput(f"{where}: '{key}' must be a number.")
    return float(value)


def is_number(value: Any) -> bool:
    """Whether a value is a finite number; true and false are none."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return number and math.isfinite(value)


def point_of(table: Mapping[str, Any], key: str, where: str) -> Point:
    """Three numbers under a key."""
    value = table.get(key)
    if not (isinstance(value, list) and len(value) == 3 and all(is_number(x) for x in value)):
        raise BadInput(f"{where}: '{key}' must be three numbers, [x, y, z].")
    x, y, z = cast(list[float], value)
    return (float(x), float(y), float(z))


def whole_of(table: Mapping[str, Any], key: str, where: str) -> int | None:
    """A whole number under a key, or None if there is none."""
    value = table.get(key)
    if value is not None and type(value) is not int:
        raise BadInput(f"{where}: '{key}' must be a whole number.")
    return value


def rows_of(data: Mapping[str, Any], key: str, where: str) -> list[Mapping[str, Any]]:
    """The tables of an array of tables, [[key]]."""
    rows = data.get(key, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise BadInput(f"{where}: write each {key} as a table of its own, [[{key}]].")
    return rows
