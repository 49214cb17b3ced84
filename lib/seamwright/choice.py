"""What a user decides about one joint; whatever is left open is chosen, and said why."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Literal, get_args

from seamwright.errors import BadInput
from seamwright.footprint import Shape

Point = tuple[float, float, float]
JointKind = Literal["auto", "pegs", "loose pegs", "magnets", "plain"]
Side = Literal["A", "B"]
SIDES: tuple[Side, Side] = ("A", "B")

KINDS: tuple[JointKind, ...] = get_args(JointKind)
FOOTPRINTS: tuple[Shape, ...] = get_args(Shape)

MAGNETS: dict[str, tuple[float, float]] = {
    f"{d}x{t}": (float(d), float(t))
    for d, t in (
        (3, 1), (3, 2), (4, 2), (5, 2), (5, 3), (6, 2), (6, 3), (8, 2), (8, 3), (10, 2),
        (10, 3), (10, 5), (12, 3), (12, 5), (15, 3), (15, 5), (20, 3), (20, 5),
    )
}  # fmt: skip
"""Diameter and thickness, mm, of the disc magnets that are commonly sold (common practice, no
source)."""

MOST_PEGS = 6
"""Pegs that one face may get."""

FIRM = ("kind", "key", "marks")
"""What is never left open by itself: as it is by default, unless that is said."""


@dataclass(frozen=True)
class JointChoice:
    """One joint, as far as the user says.

    Attributes
    ----------
    kind : "auto" lets size and room decide.
    footprint : of its pegs.
    count : how many pegs or magnets.
    width : across the widest peg, mm.
    depth : of the pegs, of a loose peg in each piece, mm.
    clearance : per side, mm.
    pegs_on : the side whose piece carries the pegs: "A" above, "B" below, as the seam's
        normal points.
    turn : of the footprints about the seam's normal, degrees.
    direction : (3,) along which the pegs run, either way.
    magnet : a name in `MAGNETS`.
    at : (3,) mm each, where the pegs or magnets go.
    key : False for footprints without a key: refused where they would go home several ways.
    marks : whether letter and witness mark are engraved.
    firm : which of `FIRM` are said to be as by default, so that they hold over the seam's.
    """

    kind: JointKind = "auto"
    footprint: Shape | None = None
    count: int | None = None
    width: float | None = None
    depth: float | None = None
    clearance: float | None = None
    pegs_on: Side | None = None
    turn: float | None = None
    direction: Point | None = None
    magnet: str | None = None
    at: tuple[Point, ...] = ()
    key: bool = True
    marks: bool = True
    firm: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        firm = tuple(key for key in FIRM if key in self.firm and self._is_default(key))
        object.__setattr__(self, "firm", firm)
        self._require_known()
        self._require_sizes()
        if not self.key and self.footprint == "section":
            raise BadInput("A footprint that follows the section keeps its key; take key out.")
        for key in _ONLY_PEGS:
            if getattr(self, key) is not None and self.kind in ("magnets", "plain"):
                raise BadInput(f"'{key}' is for a joint with pegs; take it out, or the kind.")
        if self.magnet is not None and self.kind != "magnets":
            raise BadInput("'magnet' needs kind = \"magnets\".")

    def _require_known(self) -> None:
        """Raise if a name is none of ours."""
        if self.kind not in KINDS:
            raise BadInput(f"joint kind {self.kind!r} is unknown; use one of {_listed(KINDS)}.")
        if self.footprint is not None and self.footprint not in FOOTPRINTS:
            raise BadInput(
                f"footprint {self.footprint!r} is unknown; use one of {_listed(FOOTPRINTS)}."
            )
        if self.magnet is not None and self.magnet not in MAGNETS:
            raise BadInput(
                f"magnet {self.magnet!r} is no size that is sold; use one of {', '.join(MAGNETS)}."
            )
        if self.pegs_on not in (None, "A", "B"):
            raise BadInput(f'pegs_on is {self.pegs_on!r}; use "A" (above) or "B" (below).')

    def _require_sizes(self) -> None:
        """Raise if a number is out of range."""
        if self.count is not None and not 1 <= self.count <= MOST_PEGS:
            raise BadInput(f"count is {self.count}; it must be 1 to {MOST_PEGS}.")
        for key in ("width", "depth"):
            value = getattr(self, key)
            if value is not None and not value > 0:
                raise BadInput(f"{key} is {value:g}; it must be above 0 mm.")
        if self.clearance is not None and not self.clearance >= 0:
            raise BadInput(f"clearance is {self.clearance:g}; it must be 0 mm or more.")
        if self.direction is not None and math.hypot(*self.direction) < 1e-9:
            raise BadInput("direction has no length; give one such as [0, 0, 1].")
        if len(self.at) > MOST_PEGS:
            raise BadInput(f"at has {len(self.at)} places; a face takes {MOST_PEGS} at most.")
        if self.at and self.count is not None and self.count != len(self.at):
            raise BadInput(f"at has {len(self.at)} places but count is {self.count}; drop count.")

    @property
    def asks_pegs(self) -> bool:
        """Whether pegs must be made, and their lack is the user's to know."""
        named = any(getattr(self, key) is not None for key in ("footprint", "count", "width"))
        named |= not self.key
        return self.kind in ("pegs", "loose pegs") or (self.kind == "auto" and named)

    @property
    def plainly(self) -> bool:
        """Whether only the kind is said."""
        return self == JointChoice(self.kind)

    def says(self, key: str) -> bool:
        """Whether this choice decides for a key and does not leave it open."""
        return key in self.firm or not self._is_default(key)

    def over(self, base: JointChoice) -> JointChoice:
        """This choice, and the base's where this one leaves something open."""
        if self.says("kind") and self.kind != base.kind:
            base = JointChoice(clearance=base.clearance, marks=base.marks)
        keys = (f.name for f in fields(JointChoice) if f.name != "firm")
        return JointChoice(**{key: getattr(self if self.says(key) else base, key) for key in keys})

    def _is_default(self, key: str) -> bool:
        return bool(getattr(self, key) == getattr(JointChoice, key))


_ONLY_PEGS = ("footprint", "width", "depth", "pegs_on", "direction")

AUTO, PLAIN = JointChoice(), JointChoice("plain")


@dataclass(frozen=True)
class JointAt:
    """A choice for one joint of a seam that has several.

    seam : its name. near : (3,) mm, a place by the joint's middle; None if the seam has one.
    """

    seam: str
    near: Point | None
    choice: JointChoice


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(f'"{name}"' for name in names)
