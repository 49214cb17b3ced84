"""What a user decides about builds: in a job file the table `[builds]` and its companions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from seamwright.errors import BadInput
from seamwright.printer import PrinterProfile
from seamwright.tables import number_of, require_known, rows_of, text_of, whole_of

GAP = 5.0
"""mm between pieces on a platform unless given (common practice, no source)."""

TIPPING = 10.0
"""Degrees that a standing figure should tip without falling, unless given (common practice, no
source); local rules for public display go before it."""


@dataclass(frozen=True)
class Group:
    """Pieces that are kept apart from all others, such as by colour or material.

    pieces : their numbers.
    """

    name: str
    pieces: tuple[int, ...]


@dataclass(frozen=True)
class OtherPrinter:
    """Another printer that pieces may be printed on. count : how many of it there are."""

    profile: PrinterProfile
    count: int = 1


@dataclass(frozen=True)
class BuildChoice:
    """How pieces are put together on builds, and how the figure is to stand.

    Attributes
    ----------
    gap : mm between pieces, or between their brims.
    count : how many of the job's own printer run at once.
    match : names of seams whose pieces print with layers alike.
    tipping : degrees that the standing figure should tip without falling.
    groups : of pieces that are kept apart.
    printers : others than the job's own.
    """

    gap: float = GAP
    count: int = 1
    match: tuple[str, ...] = ()
    tipping: float = TIPPING
    groups: tuple[Group, ...] = ()
    printers: tuple[OtherPrinter, ...] = ()

    def __post_init__(self) -> None:
        if not self.gap >= 0:
            raise BadInput(f"gap is {self.gap:g}; it must be 0 mm or more.")
        if not 0 < self.tipping <= 45:
            raise BadInput(f"tipping is {self.tipping:g}; give above 0 and at most 45 degrees.")
        if self.count < 1:
            raise BadInput(f"count is {self.count}; there must be one printer or more.")
        names = [group.name for group in self.groups]
        for name in names:
            if names.count(name) > 1:
                raise BadInput(f"two groups are named '{name}'; give each its own name.")
        owner: dict[int, str] = {}
        for group in self.groups:
            for piece in group.pieces:
                if owner.get(piece) == group.name:
                    raise BadInput(f"piece {piece} is in group '{group.name}' twice; name it once.")
                if piece in owner:
                    raise BadInput(
                        f"piece {piece} is in the groups '{owner[piece]}' and '{group.name}'; "
                        "leave it in one."
                    )
                owner[piece] = group.name

    def group_of(self, piece: int) -> str:
        """Name of the group a piece is in; empty for none."""
        return next((g.name for g in self.groups if piece in g.pieces), "")


AS_USUAL = BuildChoice()


def require_names_apart(own: str, others: Sequence[OtherPrinter], where: str) -> None:
    """Raise `BadInput` if two printers have one name: builds are known by it. own : the job's."""
    names = [own, *(other.profile.name for other in others)]
    for name in names:
        if names.count(name) > 1:
            raise BadInput(f"{where}: two printers are named '{name}'; give each its own name.")


def build_choice(
    data: Mapping[str, Any],
    others: tuple[OtherPrinter, ...],
    seams: tuple[str, ...],
    where: str,
) -> BuildChoice:
    """The choice in a job's tables; `others` are its other printers, read already."""
    table = data.get("builds", {})
    here = f"{where}, [builds]"
    if not isinstance(table, dict):
        raise BadInput(f"{where}: 'builds' must be a table, [builds].")
    require_known(table, ("gap", "count", "match", "tipping"), here)
    gap, tipping = number_of(table, "gap", here), number_of(table, "tipping", here)
    match = table.get("match", [])
    if not isinstance(match, list) or not all(isinstance(n, str) for n in match):
        raise BadInput(f'{here}: match must be a list of seam names, ["belt"].')
    for name in match:
        if name not in seams:
            raise BadInput(f"{here}: there is no seam '{name}' to match; use one of the job's.")
    groups = []
    for number, row in enumerate(rows_of(data, "group", where), start=1):
        at = f"{where}, group {number}"
        require_known(row, ("name", "pieces"), at)
        name = str(text_of(row, "name", at, required=True))
        pieces = row.get("pieces")
        if not isinstance(pieces, list) or not all(type(n) is int for n in pieces) or not pieces:
            raise BadInput(f"{at}: pieces must be a list of piece numbers, [3, 4].")
        groups.append(Group(name, tuple(pieces)))
    count = whole_of(table, "count", here)
    try:
        return BuildChoice(
            GAP if gap is None else gap, 1 if count is None else count, tuple(match),
            TIPPING if tipping is None else tipping, tuple(groups), others,
        )  # fmt: skip
    except BadInput as error:
        raise BadInput(f"{here}: {error}") from error


def builds_table(choice: BuildChoice) -> dict[str, Any]:
    """What of a choice goes under `[builds]`."""
    table: dict[str, Any] = {}
    for key in ("gap", "count", "tipping"):
        if getattr(choice, key) != getattr(AS_USUAL, key):
            table[key] = getattr(choice, key)
    if choice.match:
        table["match"] = list(choice.match)
    return table


def groups_table(choice: BuildChoice) -> list[dict[str, Any]]:
    """The `[[group]]` tables of a choice."""
    return [{"name": g.name, "pieces": list(g.pieces)} for g in choice.groups]
