"""Strength: whether each joint holds what hangs on it, and what would make a weak one hold.

An estimate for the figure's own weight, at rest, with nobody leaning on it; see `loads` for
what each joint carries and `stress` for what that does to it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from seamwright.footprint import outradius
from seamwright.interface import Interface
from seamwright.joint import Joint
from seamwright.loads import Load, Weight, face_moments, loads
from seamwright.moments import of_loops
from seamwright.pieces import Piece
from seamwright.printer import MATERIALS, PrinterProfile
from seamwright.stress import (
    STEEL,
    Mode,
    Pegs,
    Stresses,
    bearing,
    judged,
    pegged,
    pegs_of,
    rodded,
    shut,
)

RODS = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0)
"""Diameters, mm, that rods are sold in (common practice, no source)."""

GLUES = (0.5, 1.0, 2.0, 4.0, 8.0)
"""MPa that a remedy may ask of a glue: no more than good ones bear (from memory)."""


@dataclass(frozen=True, eq=False)
class Strength:
    """How well one joint holds.

    Attributes
    ----------
    letter : of the joint.
    load : what it carries.
    stresses, modes : see there; `modes` is empty if it carries nothing.
    safety : how many times its load it must hold.
    remedies : what would make a weak joint hold, each by itself.
    """

    letter: str
    load: Load
    stresses: Stresses
    modes: tuple[Mode, ...]
    safety: float
    remedies: tuple[str, ...] = ()

    @property
    def weakest(self) -> Mode | None:
        return min(self.modes, key=lambda m: m.factor, default=None)

    @property
    def factor(self) -> float:
        """How many times its load the joint holds."""
        return self.weakest.factor if self.weakest else float("inf")

    @property
    def allowable(self) -> float:
        """What the stress at the weakest place may be, MPa."""
        return self.weakest.limit / self.safety if self.weakest else float("inf")

    @property
    def holds(self) -> bool:
        return bool(self.factor >= self.safety)

    @property
    def sentence(self) -> str:
        load, weakest = self.load, self.weakest
        said = f"carries {load.carried / 1000:.2f} kg, {load.lever:.0f} mm to the side"
        said += "" if load.outboard else ", its share with other joints"
        if weakest is None or self.factor > 1e6:
            return f"Joint {self.letter} {said}, and is hardly stressed."
        if not weakest.limit > 0:
            what = "magnets, whose pull" if weakest.where == "magnets" else "glue, which"
            return f"Joint {self.letter} {said}, and needs {what} is not counted on."
        return (
            f"Joint {self.letter} {said}: {weakest.stress:.2g} MPa at the {weakest.where}, which "
            f"gives at {weakest.limit:.3g} MPa: it holds {_times(self.factor)} times that "
            f"({self.safety:g} wanted)."
        )

    @property
    def warning(self) -> str:
        """One sentence on a weak joint, with what would make it hold."""
        better = "; ".join(self.remedies) or "nothing that was tried: move the seam"
        return f"{self.sentence[:-1]}; it is weak. What would hold: {better}."


def strengths(
    pieces: tuple[Piece, ...],
    joints: tuple[Joint, ...],
    masses: dict[int, Weight],
    profile: PrinterProfile,
    rods: Mapping[int, tuple[float, float]] | None = None,
) -> tuple[Strength, ...]:
    """How well each joint holds, in order; weak ones with what would make them hold.

    masses : of the pieces as printed, see `loads.weights`.
    rods : by place among the joints, diameter of the rod through it and how far that goes in
        on either side at least, mm.
    """
    through = rods or {}
    found = []
    carried = loads(pieces, joints, masses, profile)
    for number, (joint, load) in enumerate(zip(joints, carried, strict=True)):
        stresses, modes = judged(joint, load, profile)
        if number in through:
            held = rodded(joint, load, *through[number], profile)
            if held is not None and _factor(held[1]) > _factor(modes):
                stresses, modes = held
        strength = Strength(joint.letter, load, stresses, modes, profile.safety)
        if not strength.holds:
            strength = replace(strength, remedies=_remedies(joint, load, profile))
        found.append(strength)
    return tuple(found)


def warnings(found: tuple[Strength, ...], hung: tuple[int, ...] = ()) -> tuple[str, ...]:
    """A sentence on each weak joint, and on pieces that no joint ties to the ground.

    hung : their ids, see `loads.afloat`.
    """
    return (
        *(
            f"No joint ties piece {k} to what stands on the ground: the joints on it are "
            "judged as if it were hung up."
            for k in hung
        ),
        *(s.warning for s in found if not s.holds),
    )


def summary(found: tuple[Strength, ...]) -> str:
    """All joints in one sentence."""
    weak = [s.letter for s in found if not s.holds]
    worst = min(found, key=lambda s: s.factor, default=None)
    if worst is None:
        return "no joints"
    said = f"{len(found) - len(weak)} of {len(found)} joints hold the figure's own weight "
    said += f"{worst.safety:g} times or more; least: joint {worst.letter}, "
    said += f"{_times(worst.factor)} times"
    return said + (f"; weak: {', '.join(weak)}" if weak else "") + " (an estimate)"


def _times(factor: float) -> str:
    return f"{factor:.1f}" if factor < 100 else "over 1000" if factor > 1000 else f"{factor:.0f}"


# --- what would make a weak joint hold -------------------------------------------------------


def _remedies(joint: Joint, load: Load, profile: PrinterProfile) -> tuple[str, ...]:
    """What would each by itself make a joint hold, as phrases."""
    face, material = joint.interface, MATERIALS[profile.material]
    found: list[str] = []
    if joint.pegs:
        pegs = pegs_of(joint, profile)

        def holds(tried: Pegs, carried: Load = load) -> bool:
            modes = pegged(face, tried, carried, profile)[1]
            return all(m.limit > 0 for m in modes) and _factor(modes) >= profile.safety

        # What slides out unglued is not to be helped by its size.
        if all(m.limit > 0 for m in judged(joint, load, profile)[1]):
            found += _larger(joint, pegs, holds, profile)
        if holds(replace(pegs, shell=float("inf"))):
            found.append("the pegs printed solid")
        if not joint.loose and holds(replace(pegs, limit=material.along)):
            found.append("loose pegs of the same size, printed lying down")
        if len(joint.pegs) == 1 and holds(_two(pegs, face)):
            found.append(f"two pegs of {joint.pegs[0].width:.1f} mm side by side, if there is room")
        level = face.frame.axes[:2]
        sliding = replace(load, force=level.T @ load.shear, moment=face.frame.normal * load.torsion)
        alone = holds(pegs, sliding)
    else:
        alone = False
        if face.seam.joint.kind in ("plain", "magnets"):
            found.append('pegs, with joint = "auto" at the seam')
    for glue in GLUES:
        trusted = replace(profile, glue=glue)
        if glue > profile.glue and _factor(judged(joint, load, trusted)[1]) >= profile.safety:
            found.append(f"glue sure to bear {glue:g} MPa, with glue = {glue:g} under [printer]")
            break
    found += _rods(face, load, profile, alone)
    return tuple(found)


def _factor(modes: tuple[Mode, ...]) -> float:
    return min((m.factor for m in modes), default=float("inf"))


def _least(holds: Callable[[float], bool], most: float) -> float | None:
    """The least growth from 1 to `most` that holds, to a hundredth; None if none does."""
    if not holds(most):
        return None
    low = 1.0
    while most - low > 0.01:
        middle = (low + most) / 2
        low, most = (low, middle) if holds(middle) else (middle, most)
    return most


def _larger(
    joint: Joint, pegs: Pegs, holds: Callable[[Pegs], bool], profile: PrinterProfile
) -> list[str]:
    """Wider pegs in the same places, if the face has room; deeper ones, if that is enough."""
    found = []
    grow = _least(lambda s: holds(pegs.scaled(s, s)), 8.0)
    if grow is not None and _has_room(joint, pegs.scaled(grow, 1.0), profile):
        widths = sorted({round(grow * p.width + 0.05, 1) for p in joint.pegs}, reverse=True)
        many = "a peg" if len(joint.pegs) == 1 else "pegs"
        found.append(
            f"{many} of {' and '.join(f'{w:.1f}' for w in widths)} mm, "
            f"{grow * joint.pegs[0].depth:.1f} mm deep"
        )
    grow = _least(lambda s: holds(pegs.scaled(1.0, s)), 4.0)
    if grow is not None:
        deep = max(p.depth for p in joint.pegs)
        found.append(f"pegs {deep + (grow - 1) * max(pegs.depths):.1f} mm deep")
    return found


def _has_room(joint: Joint, pegs: Pegs, profile: PrinterProfile) -> bool:
    """Whether the face is wide enough round each peg for its clearance and wall."""
    for outline in pegs.outlines:
        middle = of_loops([outline]).centre
        need = outradius(outline - middle) + profile.clearance + profile.wall
        if float(joint.interface.region.edge_distance(middle[None])[0]) < need:
            return False
    return True


def _two(pegs: Pegs, face: Interface) -> Pegs:
    """One peg doubled, two and a half widths apart along the face."""
    outline = pegs.outlines[0]
    _, axes = np.linalg.eigh(face_moments(face).second)
    step = 1.25 * float(np.ptp(outline @ axes[:, 1])) * axes[:, 1]
    return replace(pegs, outlines=(outline - step, outline + step), depths=2 * pegs.depths)


def _rods(face: Interface, load: Load, profile: PrinterProfile, alone: bool) -> list[str]:
    """A steel rod that takes the bending and the pull; two where nothing else holds the twist.

    alone : whether pegs hold shear and torsion by themselves.
    """
    share, _ = shut(face, load, profile)
    bending = (1 - share) * float(np.linalg.norm(load.bending))
    shear = float(np.linalg.norm(load.shear))
    if not alone:
        shear += abs(load.torsion) / (np.sqrt(face.area) / 2)
    found = _rod(bending, max(load.axial, 0.0), shear, profile)
    if found is None:
        return []
    across, deep = found
    many = "a steel rod" if alone else "two steel rods"
    return [f"{many} of {across:g} mm, let {deep:g} mm into both pieces and glued"]


def _rod(
    bending: float, pull: float, shear: float, profile: PrinterProfile
) -> tuple[float, float] | None:
    """Diameter and depth in each piece, mm, of a steel rod that holds; None if none does."""
    across = MATERIALS[profile.material].across / profile.safety
    for d in RODS:
        section = np.pi * d**2 / 4
        stresses = Stresses(8 * bending / (section * d), pull / section, 4 / 3 * shear / section)
        if stresses.combined > STEEL / profile.safety:
            continue
        for deep in np.arange(5.0, 20 * d + 1, 5.0):
            glued = pull <= profile.glue / profile.safety * np.pi * d * deep
            if glued and deep >= 3 * d and bearing(bending, shear, d, deep) <= across:
                return d, float(deep)
    return None
