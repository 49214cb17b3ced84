"""Magnet pockets: pairs of blind round holes for bought disc magnets that face each other.

Two pairs or more have their poles set so that all attract one way round only. Their pull
is told by whoever sells them; here nothing is counted on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import product

import numpy as np

from seamwright.choice import MAGNETS, SIDES, JointChoice, Side
from seamwright.errors import BadInput
from seamwright.interface import Interface
from seamwright.joint import MAGNET_GLUE, Joint, Magnet, letter
from seamwright.mesh import FloatArray, Mesh
from seamwright.places import Home, homes, spread
from seamwright.printer import PrinterProfile
from seamwright.room import inscribed, spots
from seamwright.seam import place
from seamwright.wall import least_distance

DISC_SHARE = 0.35
"""Diameter of a disc over the radius of the face's largest circle (common practice, no source)."""

DISCS_APART = 2.0
"""Least distance between the middles of two pockets, in diameters: nearer, they pull each
other's neighbours (common practice, no source)."""

LEAST_TURN = 45.0
"""Degrees from home from where on a pull counts as another way round."""


def magnetic(
    number: int,
    face: Interface,
    choice: JointChoice,
    mesh_of: Mapping[int, Mesh],
    bodies: dict[int, list[FloatArray]],
    profile: PrinterProfile,
) -> Joint:
    """A joint held by magnets: as many and as large as asked, else what the face has room for.

    Raises
    ------
    BadInput
        If the discs asked for do not fit; the sentence says which would.
    """
    region = face.region
    _, radius = inscribed(region)
    clearance = profile.clearance if choice.clearance is None else choice.clearance
    deepest = max(t for _, t in MAGNETS.values()) + MAGNET_GLUE + 2 * profile.wall
    (home,) = homes(face, dict(mesh_of), bodies, deepest, radius, JointChoice("loose pegs"))
    wanted = len(choice.at) or choice.count or 2
    sizes = sorted(MAGNETS.values(), key=lambda s: (-s[0], -s[1]))
    asked = [MAGNETS[choice.magnet]] if choice.magnet else _suited(sizes, radius)
    counts = [wanted] if choice.at or choice.count else [2, 1]
    for count in counts:
        for size in asked:
            made = _made(number, face, home, size, count, choice, clearance, profile)
            if made is not None:
                return made
    fits = next(
        (
            (size, count) for count in range(wanted, 0, -1) for size in sizes
            if _made(number, face, home, size, count, choice, clearance, profile)
        ),
        None,
    )  # fmt: skip
    what = f"{choice.magnet} mm" if choice.magnet else "any size"
    would = "none fits: another kind of joint would do"
    if fits:
        (across, thick), count = fits
        many = "one magnet" if count == 1 else f"{count} magnets"
        would = f"{many} of {across:g}x{thick:g} mm would fit"
    raise BadInput(
        f"Joint {letter(number)} (seam '{face.seam.name}', {place(face.centre)}) has no room for "
        f"{wanted} magnet{'s' if wanted > 1 else ''} of {what} with {profile.wall:g} mm of wall "
        f"round each pocket; {would}."
    )


def _suited(sizes: list[tuple[float, float]], radius: float) -> list[tuple[float, float]]:
    """Discs that suit a face, the largest first; the smallest there are if it is tiny."""
    fair = [s for s in sizes if s[0] <= DISC_SHARE * radius]
    return fair or sizes[-2:]


def _made(
    number: int,
    face: Interface,
    home: Home,
    size: tuple[float, float],
    count: int,
    choice: JointChoice,
    clearance: float,
    profile: PrinterProfile,
) -> Joint | None:
    """The joint with magnets of one size, if their walls hold."""
    across, thick = size
    need = across / 2 + clearance + profile.wall
    depth = thick + MAGNET_GLUE + profile.wall
    if choice.at:
        at = face.frame.to_plane(np.asarray(choice.at, dtype=float))
        inside = face.region.contains(at)
    else:
        at = spots(face.region, max(0.1, np.sqrt(face.region.area) / 40))
        inside = np.ones(len(at), dtype=bool)
    room = home.room(at, depth, depth, np.zeros(2))
    good = (room >= need) & inside
    if choice.at:
        chosen = at if bool(good.all()) else None
    elif count == 1:
        chosen = at[int(np.argmax(room))][None] if good.any() else None
    else:
        chosen = spread(at[good], room[good], count) if int(good.sum()) >= count else None
    if chosen is None:
        return None
    gaps = [float(np.linalg.norm(a - b)) for i, a in enumerate(chosen) for b in chosen[:i]]
    if gaps and min(gaps) < DISCS_APART * across + 2 * clearance:
        return None
    joint = Joint(
        letter(number), face, (), "B", clearance, MAGNET_GLUE, 0.0, 0.0, "",
        magnets=tuple(
            Magnet(at, across, thick, north, 0.0)
            for at, north in zip(chosen, poles(chosen, across), strict=True)
        ),
    )  # fmt: skip
    magnets = _proven(joint, home, profile)
    if magnets is None:
        return None
    return replace(joint, magnets=magnets, reason=_reason(magnets, face))


def _proven(joint: Joint, home: Home, profile: PrinterProfile) -> tuple[Magnet, ...] | None:
    """The magnets with their walls measured; None if one is too thin."""
    measured = []
    for magnet in joint.magnets:
        least = np.inf
        for side in SIDES:
            body = joint.body(joint.pocket_rings(magnet), side).triangles
            wall, _ = least_distance(body, home.behind(side).triangles)
            least = min(least, wall, home.reach - magnet.thickness - MAGNET_GLUE)
        if least < profile.wall - 1e-6:
            return None
        measured.append(replace(magnet, wall=float(least)))
    return tuple(measured)


def poles(at: FloatArray, across: float) -> tuple[Side, ...]:
    """Which side of each pair shows its north pole, so that all attract one way round only.

    Of all ways to set them the one is taken that pulls least in any other turn, and of equals
    the one that alternates most.

    Parameters
    ----------
    at : (K, 2) middles, mm. across : diameter, mm.
    """
    alternating = 1.0 - 2.0 * (np.arange(len(at)) % 2)
    ways = np.array([(1.0, *rest) for rest in product((-1.0, 1.0), repeat=len(at) - 1)])
    strays = np.array([_pull(at, across, way) for way in ways])
    alike = np.abs(ways @ alternating)
    best = min(range(len(ways)), key=lambda k: (round(float(strays[k]), 6), -alike[k]))
    return tuple("A" if north > 0 else "B" for north in ways[best])


def _pull(at: FloatArray, across: float, north: FloatArray) -> float:
    """The most that one face turned on the other is attracted, in pulls of one pair.

    Discs attract or repel by how much they cover each other, here as a share of the diameter.
    """
    arms = at - at.mean(axis=0)
    most = -np.inf
    for turn in np.radians(np.arange(LEAST_TURN, 360.0 - LEAST_TURN + 1, 5.0)):
        c, s = np.cos(turn), np.sin(turn)
        apart = np.linalg.norm((arms @ [[c, s], [-s, c]])[:, None] - arms, axis=2)
        covered = np.maximum(1.0 - apart / across, 0.0)
        most = max(most, float(north @ covered @ north))
    return most


def _reason(magnets: tuple[Magnet, ...], face: Interface) -> str:
    """Why, and how their poles go."""
    first = magnets[0]
    many = "one pair" if len(magnets) == 1 else f"{len(magnets)} pairs"
    said = (
        f"{many} of pockets for magnets of {first.diameter:g}x{first.thickness:g} mm, as you "
        f"asked, in a face of {face.region.area:.0f} mm²; least wall "
        f"{min(m.wall for m in magnets):.1f} mm; "
    )
    if len(magnets) == 1:
        return said + "one pair turns freely: mind the marks"
    return said + "their poles are set so that they attract all together one way round only"
