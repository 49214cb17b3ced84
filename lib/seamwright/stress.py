"""Stresses in a joint under its load, by beam theory, and every way it could give.

On the safe side wherever there is a choice:

- Weight that presses a face shut is carried by the face, with as much of the bending as
  leaves no part of the face pulled; the pegs carry all the rest. Any such division that is
  in balance and nowhere too much is safe: the lower-bound theorem of D. C. Drucker,
  W. Prager, H. J. Greenberg, "Extended limit design theorems for continuous media",
  Quarterly of Applied Mathematics 9 (1952).
- Glue counts between pegs and sockets, and on the face only where there are no pegs.
- A peg is its printed shell: infill is not counted, nor friction where there are pegs. Its
  layers lie across it, so that bending parts them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from seamwright.interface import Interface
from seamwright.joint import Joint
from seamwright.loads import Load, face_moments
from seamwright.mesh import FloatArray
from seamwright.moments import Moments, eroded, of_loops, together
from seamwright.outline import loop_length
from seamwright.printer import MATERIALS, PrinterProfile

PEAK_SOLID, PEAK_HOLLOW = 1.5, 2.5
"""Greatest shear stress over the mean, V Q / (I b): 3/2 for a rectangle, 4/3 for a circle; 2 for
a thin round tube (R. G. Budynas, J. K. Nisbett, "Shigley's Mechanical Engineering Design",
table 3-2; from memory), 9/4 for a thin square one and 2.36 for a thin D by the same formula."""

FRICTION = 0.2
"""Of plastic on plastic, at the low end (from memory)."""

STEEL = 235.0
"""MPa at which the plainest structural steel yields, S235 of EN 10025-2."""

NEGLIGIBLE = 1e-4
"""MPa, 0.01 g on a square millimetre: less is rounding and counts as nothing."""

Weakness = Literal[
    "peg root", "socket wall", "glue in the socket", "glued face", "face pressed shut",
    "magnets", "rod", "rod's channel", "glue round the rod",
]  # fmt: skip


@dataclass(frozen=True)
class Mode:
    """One way a joint could give.

    stress : greatest there, MPa. limit : at which it gives, MPa.
    """

    where: Weakness
    stress: float
    limit: float

    @property
    def factor(self) -> float:
        """How many times the load it takes; infinite where there is none."""
        return self.limit / self.stress if self.stress > NEGLIGIBLE else float("inf")


@dataclass(frozen=True)
class Stresses:
    """At the pegs' roots, or in the glue of a face without pegs, MPa, all 0 or more.

    combined : by von Mises, never less than the greatest principal stress:
        the root of the square of bending + direct plus three times that of shear + torsion.
    """

    bending: float = 0.0
    direct: float = 0.0
    shear: float = 0.0
    torsion: float = 0.0

    @property
    def combined(self) -> float:
        pulled, sheared = self.bending + self.direct, self.shear + self.torsion
        return float(np.sqrt(pulled**2 + 3 * sheared**2))


@dataclass(frozen=True, eq=False)
class Pegs:
    """A set of pegs to be judged.

    outlines : (N, 2) mm each. depths : mm, without the lead-in.
    shell : mm; infinite if printed solid. limit : stress at which a root parts, MPa.
    """

    outlines: tuple[FloatArray, ...]
    depths: tuple[float, ...]
    shell: float
    limit: float

    def scaled(self, wider: float, deeper: float) -> Pegs:
        grown = []
        for outline in self.outlines:
            middle = of_loops([outline]).centre
            grown.append(middle + wider * (outline - middle))
        return replace(self, outlines=tuple(grown), depths=tuple(deeper * d for d in self.depths))


def judged(joint: Joint, load: Load, profile: PrinterProfile) -> tuple[Stresses, tuple[Mode, ...]]:
    """Stresses in one joint under a load, and every way it could give."""
    if joint.pegs:
        return pegged(joint.interface, pegs_of(joint, profile), load, profile)
    if joint.magnets:
        # It is to come apart, so there is no glue; and nothing is counted on the magnets' pull.
        stresses, modes = glued_only(joint.interface, load, replace(profile, glue=0.0))
        named = (replace(m, where="magnets") if m.where == "glued face" else m for m in modes)
        return stresses, tuple(named)
    return glued_only(joint.interface, load, profile)


def rodded(
    joint: Joint, load: Load, diameter: float, deep: float, profile: PrinterProfile
) -> tuple[Stresses, tuple[Mode, ...]] | None:
    """A joint that a steel rod goes through: it takes the bending and the pull, and the shear too
    if there are no pegs. One rod does not hold a twist: None if nothing else does.

    deep : how far the rod goes into the piece that it goes into least, mm.
    """
    face = joint.interface
    twisted = abs(load.torsion) / face.area**1.5 > NEGLIGIBLE
    if not joint.pegs and twisted:
        return None
    share, pressed = shut(face, load, profile)
    bending = (1 - share) * float(np.linalg.norm(load.bending))
    pull, shear = max(load.axial, 0.0), float(np.linalg.norm(load.shear))
    section = np.pi * diameter**2 / 4
    # A round section: Z = pi d³ / 32 in bending, peak shear 4/3 of the mean (Shigley, table 3-2).
    in_steel = Stresses(8 * bending / (section * diameter), pull / section, 4 / 3 * shear / section)
    across = MATERIALS[profile.material].across
    modes = [
        Mode("rod", in_steel.combined, STEEL),
        Mode("rod's channel", bearing(bending, shear, diameter, deep), across),
        Mode("glue round the rod", pull / (np.pi * diameter * deep), profile.glue),
        pressed,
    ]
    if joint.pegs:
        level = face.frame.axes[:2]
        sliding = replace(load, force=level.T @ load.shear, moment=face.frame.normal * load.torsion)
        modes += pegged(face, pegs_of(joint, profile), sliding, profile)[1]
    return in_steel, tuple(m for m in modes if m.stress > NEGLIGIBLE)


# --- the face -----------------------------------------------------------------------------


def _reach(face: Interface, area: Moments) -> FloatArray:
    """(N, 2) the outline of a face about its centre, mm; a circle where it has no flat place."""
    if face.seat is not None:
        return np.asarray(face.region.outline - area.centre)
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return np.asarray(np.sqrt(area.area / np.pi) * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def shut(face: Interface, load: Load, profile: PrinterProfile) -> tuple[float, Mode]:
    """Share of the bending that a face under pressure takes without opening, and its stress.

    As long as the pressure's middle lies in the core of the area, no part is pulled: the core
    of a section, as in S. Timoshenko, "Strength of Materials", part I (from memory).
    """
    area = face_moments(face)
    reach = _reach(face, area)
    bent = reach @ area.slopes(load.bending)
    pressed = max(-load.axial, 0.0) / area.area
    opening = float(bent.max())
    share = 1.0 if opening <= pressed else pressed / opening
    # What stands behind the face: its rim's shell, and infill.
    rim = face.region.perimeter if face.seat is not None else loop_length(reach)
    shell = min(rim * profile.shell / area.area, 1.0)
    printed = shell + profile.infill * (1 - shell)
    stress = pressed - share * float(bent.min()) if pressed > 0 else 0.0
    limit = MATERIALS[profile.material].across * printed
    return share, Mode("face pressed shut", stress, limit)


def glued_only(
    face: Interface, load: Load, profile: PrinterProfile
) -> tuple[Stresses, tuple[Mode, ...]]:
    """A joint without pegs: at rest by its weight and friction, or held by glue alone."""
    area = face_moments(face)
    share, pressed = shut(face, load, profile)
    sheared = float(np.linalg.norm(load.shear))
    grip = FRICTION * max(-load.axial, 0.0)
    # A disc pressed evenly grips at two thirds of its radius.
    turn = abs(load.torsion) / (2 / 3 * np.sqrt(area.area / np.pi))
    if load.axial <= 0 and share == 1.0 and sheared + turn <= grip:
        return Stresses(), (pressed,)
    reach = _reach(face, area)
    bent = float((reach @ area.slopes(load.bending)).max())
    # The area's polar moment, as for bolts and welds in torsion: Shigley, chapters 8 and 9.
    rim = float(np.linalg.norm(reach, axis=1).max())
    stresses = Stresses(
        bending=max(bent + min(load.axial, 0.0) / area.area, 0.0),
        direct=max(load.axial, 0.0) / area.area,
        shear=PEAK_SOLID * sheared / area.area,
        torsion=abs(load.torsion) * rim / area.polar,
    )
    modes = (pressed,) if pressed.stress > NEGLIGIBLE else ()
    return stresses, (Mode("glued face", stresses.combined, profile.glue), *modes)


# --- pegs ---------------------------------------------------------------------------------


def pegs_of(joint: Joint, profile: PrinterProfile) -> Pegs:
    """A joint's pegs, printed as the profile says: standing, or lying if they are loose."""
    return Pegs(
        tuple(p.solid for p in joint.pegs), tuple(p.depth - joint.lead_in for p in joint.pegs),
        profile.shell if profile.infill < 1 else float("inf"),
        # A loose peg prints lying down, its layers along it.
        getattr(MATERIALS[profile.material], "along" if joint.loose else "across"),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Root:
    """One peg's section at its root.

    area : of what is printed there. round : radius of a circle about its centre inside it, mm.
    stiffness : torsion constant, mm⁴. modulus : of torsion, mm³.
    """

    area: Moments
    round: float
    stiffness: float
    modulus: float
    peak: float
    around: float


def root(outline: FloatArray, shell: float) -> Root:
    """A peg's section: all of a convex outline, or a shell along it.

    In torsion a solid section is taken as the circle within it, t = 2 T / (pi r³), and a
    hollow one by Bredt's formula, t = T / (2 A t), corrected for a thick wall as a round
    tube's is: Shigley, sections 3-12 and 3-13 (from memory). The stress in a circle within
    a section is in balance with the torque, so no less than that torque is held.
    """
    whole = of_loops([outline])
    edge = np.roll(outline, -1, axis=0) - outline
    normal = np.stack([edge[:, 1], -edge[:, 0]], axis=1) / np.linalg.norm(edge, axis=1)[:, None]
    r = float(((outline - whole.centre) * normal).sum(axis=1).min())
    around = loop_length(outline)
    stiffness, modulus = np.pi * r**4 / 2, np.pi * r**3 / 2
    hole = eroded(outline, shell) if np.isfinite(shell) else np.zeros((0, 2))
    if len(hole) < 3:
        return Root(whole, r, stiffness, modulus, PEAK_SOLID, around)
    middle = eroded(outline, shell / 2)
    enclosed = of_loops([middle]).area
    inner, mean = r - shell, r - shell / 2
    thick = (r**2 + inner**2) / (2 * r * mean)
    return Root(
        whole.less(of_loops([hole])), r,
        min(stiffness, 4 * enclosed**2 * shell / loop_length(middle)),
        min(modulus, 2 * enclosed * shell * thick), PEAK_HOLLOW, around,
    )  # fmt: skip


def pegged(
    face: Interface, pegs: Pegs, load: Load, profile: PrinterProfile
) -> tuple[Stresses, tuple[Mode, ...]]:
    """A joint with pegs: what the face does not take bends, pulls, shears and twists them."""
    share, pressed = shut(face, load, profile)
    roots = [root(outline, pegs.shell) for outline in pegs.outlines]
    areas = [r.area for r in roots]
    # Only where glue keeps each from sliding out do several pegs bend as one section.
    set_of = together(areas)
    if not profile.glue > 0:
        second = np.asarray(sum((a.second for a in areas), np.zeros((2, 2))))
        set_of = Moments(set_of.area, set_of.centre, second)
    x, y = face_moments(face).centre - set_of.centre
    u, v = load.shear
    pull = max(load.axial, 0.0)
    bending = (1 - share) * load.bending + pull * np.array([-y, x])
    torsion = load.torsion + x * v - y * u
    slopes = set_of.slopes(bending)
    # Twist is held by each peg's own torsion and by pairs of shear forces, as in a group of
    # bolts: Shigley, section 8-12 (from memory).
    off = [a.centre - set_of.centre for a in areas]
    stiff = [r.stiffness for r in roots]
    polar = sum(stiff) + sum(a.area * float(o @ o) for a, o in zip(areas, off, strict=True))
    sheared = float(np.hypot(u, v)) / set_of.area
    stresses, modes = [], []
    for outline, depth, r, o in zip(pegs.outlines, pegs.depths, roots, off, strict=True):
        beside = sheared + abs(torsion) * float(np.linalg.norm(o)) / polar
        glued = profile.glue > 0
        lever = outline - (set_of.centre if glued else r.area.centre)
        stresses.append(
            Stresses(
                bending=float(np.abs(lever @ slopes).max()),
                direct=pull / set_of.area,
                shear=r.peak * beside,
                torsion=abs(torsion) * r.stiffness / polar / r.modulus,
            )
        )
        own = float(np.linalg.norm(r.area.second @ slopes))
        out = (pull / set_of.area + (float(abs(o @ slopes)) if glued else 0.0)) * r.area.area
        modes += [
            Mode("socket wall", bearing(own, beside * r.area.area, 2 * r.round, depth),
                 MATERIALS[profile.material].across),
            Mode("glue in the socket", out / (r.around * depth), profile.glue),
        ]  # fmt: skip
    worst = max(stresses, key=lambda s: s.combined)
    modes = [Mode("peg root", worst.combined, pegs.limit), *modes, pressed]
    return worst, tuple(m for m in modes if m.stress > NEGLIGIBLE)


def bearing(bending: float, shear: float, width: float, depth: float) -> float:
    """Greatest pressure of a peg on its socket, MPa.

    Pressure that grows evenly along the depth d from one side to the other is in balance
    with M and V at the mouth if it is 4 V / (w d) + 6 M / (w d²) at its greatest: statics.
    """
    return 4 * shear / (width * depth) + 6 * bending / (width * depth**2)
