"""Printers in a job file: read from its tables and written back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from seamwright.build_choice import OtherPrinter, require_names_apart
from seamwright.errors import BadInput
from seamwright.printer import BUILT_IN, PrinterProfile, printer
from seamwright.tables import (
    is_number,
    number_of,
    point_of,
    require_known,
    rows_of,
    text_of,
    whole_of,
)


def printer_of(table: Mapping[str, Any], where: str) -> PrinterProfile:
    """The printer profile of a table: a built-in one and what is changed of it."""
    changes = dict(table)
    profile = changes.pop("profile", "filament-256")
    keys = [f.name for f in fields(PrinterProfile)]
    require_known(changes, keys, where, also=("profile",))
    if not isinstance(profile, str):
        raise BadInput(f"{where}: profile must be a name in quotes.")
    for key in changes:
        if key == "build_volume":
            changes[key] = point_of(table, key, where)
        elif key in ("name", "material", "shape"):
            changes[key] = text_of(table, key, where)
        elif key == "excluded":
            changes[key] = _excluded(table, where)
        else:
            changes[key] = number_of(table, key, where)
    try:
        return printer(profile, **changes)
    except BadInput as error:
        raise BadInput(f"{where}: {error}") from error


def other_printers(
    data: Mapping[str, Any], own: PrinterProfile, where: str
) -> tuple[OtherPrinter, ...]:
    """The `[[other_printer]]` tables: a printer each, and how many there are of it."""
    found: list[OtherPrinter] = []
    for n, row in enumerate(rows_of(data, "other_printer", where), start=1):
        here = f"{where}, other printer {n}"
        count = whole_of(row, "count", here)
        profile = printer_of({k: v for k, v in row.items() if k != "count"}, here)
        if count is not None and count < 1:
            raise BadInput(f"{here}: count is {count}; there must be one printer or more.")
        found.append(OtherPrinter(profile, 1 if count is None else count))
    require_names_apart(own.name, found, where)
    return tuple(found)


def _excluded(table: Mapping[str, Any], where: str) -> tuple[tuple[float, ...], ...]:
    rows = table["excluded"]
    good = isinstance(rows, list) and all(
        isinstance(row, list) and len(row) == 4 and all(is_number(x) for x in row) for row in rows
    )
    if not good:
        raise BadInput(
            f"{where}: 'excluded' must be a list of corners of four numbers each, "
            "[[x0, y0, x1, y1], …]."
        )
    return tuple(tuple(float(x) for x in row) for row in rows)


def printer_table(profile: PrinterProfile) -> dict[str, Any]:
    """What of a profile differs from a built-in one."""
    base = BUILT_IN.get(profile.name, PrinterProfile())
    table: dict[str, Any] = {"profile": base.name}
    for f in fields(PrinterProfile):
        value = getattr(profile, f.name)
        if value != getattr(base, f.name):
            table[f.name] = list(value) if isinstance(value, tuple) else value
    if "excluded" in table:
        table["excluded"] = [list(corner) for corner in profile.excluded]
    return table
