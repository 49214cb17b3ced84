"""The automatic joint: kind, size, number and place of pegs, with the reason in words.

Proportions marked "common practice, no source" are workshop rules; each scales with
the section, so that a miniature gets a 3 mm peg and a life-size limb one of about 20 mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from seamwright.clearance import WIDEST, in_words, most
from seamwright.errors import BadInput, CheckFailed
from seamwright.footprint import d_shape, other_seatings, outradius, placed, square
from seamwright.interface import Interface
from seamwright.joint import Joint, Peg, letter
from seamwright.mesh import FloatArray, Mesh
from seamwright.outline import Region
from seamwright.pieces import Piece
from seamwright.printer import PrinterProfile
from seamwright.room import Obstacles, clear_radius, inscribed, obstacles, spots
from seamwright.wall import least_distance

WIDTH_SHARE = 0.45
"""Peg width over radius of the largest inscribed circle; 20 mm on a limb of 90 mm across
(common practice, no source)."""

DEPTH_SHARES = (1.25, 1.1, 1.0, 0.85, 0.7, 0.6)
"""Peg depths tried, as shares of the width, deepest first (common practice, no source)."""

ROOT_SHARE = 0.5
"""Material wanted behind a peg's root, as a share of its width (common practice, no source)."""

D_BELOW = 6.0
"""Pegs narrower than this, mm, are D shaped: small square corners do not print crisply
(common practice, no source)."""

SECOND_SHARE = 0.75
"""Width of the odd peg of a set over the others', so that the set goes home one way only."""

MOST_TAPER = 0.12
"""Most that sides may come in by the draft, as a share of the width: beyond about 0.13 a D's
shortest edges would turn over."""

LEAST_SHARE = 0.5
"""How much narrower pegs may become so that the piece they stand on still fits."""

TWO_PEGS_FROM, THREE_PEGS_FROM = 8_000.0, 25_000.0
"""Areas, mm², from which a face gets two and three pegs: about 100 and 180 mm across
(common practice, no source)."""

LONG_FACE = 8.0
"""Area over the square of the inscribed radius from which a face counts as long; a disc has π."""


_LOCKED = "a flat glued joint: pegs here would run another way than those of"

Fits = Callable[[int, FloatArray], bool]
"""Whether the piece of this id, with points (N, 3) added, fits the printer."""


@dataclass(frozen=True, eq=False)
class _Side:
    """One candidate for the sockets' side, with what stands in the way on both.

    reach : how far behind the face, and beside it, that was collected, mm.
    """

    name: Literal["A", "B"]
    behind: Obstacles
    root: Obstacles
    reach: float


@dataclass(frozen=True, eq=False)
class _Plan:
    """A set of pegs that has room."""

    side: _Side
    centres: FloatArray
    widths: tuple[float, ...]
    depth_share: float

    @property
    def score(self) -> float:
        """Strength goes with the cube of a peg's width, hold with its depth."""
        return sum(w**3 for w in self.widths) * self.depth_share


def joints(
    pieces: tuple[Piece, ...],
    faces: tuple[Interface, ...],
    profile: PrinterProfile,
    fits: Fits | None = None,
) -> tuple[Joint, ...]:
    """A joint for every interface, in order; letters count along.

    Parameters
    ----------
    fits : tells whether a piece with these points (N, 3) added still fits the printer.
        Pegs then stand on the side that can carry them, where one can.

    A joint that would lock a ring of pieces, because its pegs run another way than the
    others' between the same two assemblies, is plain and says so.

    Raises
    ------
    BadInput
        If the clearance is more than the peg that a face would get is wide.
    """
    mesh_of = {p.id: p.mesh for p in pieces}
    plain = _locking(faces)
    bodies: dict[int, list[FloatArray]] = {p.id: [] for p in pieces}
    tips: dict[int, list[FloatArray]] = {p.id: [] for p in pieces}
    made = []

    def carries(joint: Joint) -> bool:
        ends = [*tips[joint.peg_piece], *_ends(joint)]
        return fits is None or fits(joint.peg_piece, np.concatenate(ends))

    for number, face in enumerate(faces):
        if face.seam.joint == "plain":
            joint = _plain(number, face, profile, "a flat glued joint, as the seam asks")
        elif face.seat is None:
            joint = _plain(number, face, profile, f"a glued joint {face.why}")
        elif number in plain:
            reason = f"{_LOCKED} joint {letter(plain[number])} and lock the pieces out"
            joint = _plain(number, face, profile, reason)
        else:
            joint = _pegged(number, face, mesh_of, bodies, profile, carries)
        made.append(joint)
        tips[joint.peg_piece] += _ends(joint)
        for peg in joint.pegs:
            bodies[joint.socket_piece].append(joint.body(joint.socket_rings(peg)))
    return tuple(made)


def is_locked(joint: Joint) -> bool:
    """Whether a joint is plain only because its pegs would run another way than others'."""
    return joint.reason.startswith(_LOCKED)


def _locking(faces: tuple[Interface, ...]) -> dict[int, int]:
    """Interfaces that cannot carry pegs because a ring of pieces could not be closed.

    Pieces are put together seam by seam. Which seam comes first matters: halves that a
    seam divides must be joined before what it stops at. A few orders are tried, and the
    one that leaves the least area without pegs is kept.

    Returns
    -------
    Each such interface with the one it fights.
    """
    pegged = [k for k, f in enumerate(faces) if f.seam.joint != "plain" and f.seat]
    total: dict[int, float] = {}
    for k in pegged:
        total[faces[k].seam.id] = total.get(faces[k].seam.id, 0.0) + faces[k].area
    seams = {faces[k].seam.id: faces[k].seam for k in pegged}
    orders = [
        sorted(total, key=lambda n: (total[n], n)),
        sorted(total, key=lambda n: (-total[n], n)),
        sorted(total, key=lambda n: (-len(seams[n].stops_at), total[n], n)),
    ]
    found = [_fights(faces, pegged, order) for order in orders]
    return min(found, key=lambda fights: sum(faces[k].area for k in fights))


def _fights(
    faces: tuple[Interface, ...], pegged: list[int], seam_order: list[int]
) -> dict[int, int]:
    """What fights what when the seams are closed in this order.

    When an interface joins two assemblies, every interface between the same two must
    slide home along one direction: the one with the most area; the others fight it.
    """
    order = sorted(pegged, key=lambda k: (seam_order.index(faces[k].seam.id), -faces[k].area, k))
    group = {p: p for f in faces for p in (f.piece_a, f.piece_b)}
    fights: dict[int, int] = {}
    for k in order:
        a, b = group[faces[k].piece_a], group[faces[k].piece_b]
        if a == b:
            continue
        meeting = [j for j in order if {group[faces[j].piece_a], group[faces[j].piece_b]} == {a, b}]
        winner = max(meeting, key=lambda j: (_area_along(faces, meeting, j), -j))
        fights.update((j, winner) for j in meeting if not _parallel(faces[j], faces[winner]))
        group = {p: a if g == b else g for p, g in group.items()}
    return fights


def _parallel(a: Interface, b: Interface) -> bool:
    """Whether pegs of both slide home along the same line, to half a degree."""
    along = abs(float(a.frame.normal @ b.frame.normal))
    return along >= float(np.cos(np.radians(0.5)))


def _area_along(faces: tuple[Interface, ...], among: list[int], k: int) -> float:
    """mm² of all interfaces among the given that slide home as interface k does."""
    return float(sum(faces[j].area for j in among if _parallel(faces[j], faces[k])))


def _plain(number: int, face: Interface, profile: PrinterProfile, reason: str) -> Joint:
    return Joint(
        letter(number), face, (), "B",
        profile.clearance, profile.seating_gap, profile.draft, 0.0, reason,
    )  # fmt: skip


def _pegged(
    number: int,
    face: Interface,
    mesh_of: dict[int, Mesh],
    bodies: dict[int, list[FloatArray]],
    profile: PrinterProfile,
    carries: Callable[[Joint], bool],
) -> Joint:
    """The best set of pegs for one interface, or a plain joint if there is no room.

    A somewhat smaller set on a side that can carry it goes before a larger one that cannot
    be printed; if neither side can, the best set is taken and the fit check will say so.
    """
    region = face.region
    _, radius = inscribed(region)
    count = _wanted(region, radius)
    widest = float(np.clip(WIDTH_SHARE * radius, narrowest(profile), WIDEST))
    if profile.clearance > widest:
        raise BadInput(
            f"A clearance of {profile.clearance:g} mm per side is more than the {widest:.1f} mm "
            f"peg that seam '{face.seam.name}' would get; give at most "
            f'{most(widest, footprint_of(widest, 0.0)[0]):g} mm, or the seam joint = "plain".'
        )
    sides = _sides(face, mesh_of, bodies, profile, widest, radius)
    needed = 2 * (narrowest(profile) * 0.5 + profile.clearance + profile.wall)
    burden: Joint | None = None
    loose = 0.0
    for pegs in range(count, 0, -1):
        width = widest
        while width >= narrowest(profile):
            plans = [p for s in sides for p in _plans(region, s, pegs, width, radius, profile)]
            for plan in sorted(plans, key=lambda p: -p.score):
                joint = _proven(number, face, plan, profile, radius)
                if isinstance(joint, str):
                    loose = max(loose, width if joint == _TURNS else 0.0)
                    continue
                enough = burden is None or width >= LEAST_SHARE * burden.pegs[0].width
                if enough and carries(joint):
                    return joint
                burden = burden or joint
            width *= 0.85
    if burden is not None:
        return burden
    if taper(DEPTH_SHARES[-1] * widest, profile) > MOST_TAPER * widest:
        return _plain(
            number, face, profile,
            f"a flat glued joint: a draft of {profile.draft:g}° would bring even the shortest peg "
            "here to a point; use a smaller draft",
        )  # fmt: skip
    if loose:
        return _plain(
            number, face, profile,
            f"a flat glued joint: with {profile.clearance:g} mm of clearance no peg small enough "
            "for this face would go home one way only; "
            f"{most(loose, footprint_of(loose, 0.0)[0]):g} mm or less would do",
        )  # fmt: skip
    return _plain(
        number, face, profile,
        f"a flat glued joint: no room for a peg of {narrowest(profile):.1f} mm with its "
        f"clearance and {profile.wall:.1f} mm of wall, which need {needed:.1f} mm across all "
        f"the way down; the face's largest circle is {2 * radius:.1f} mm across",
    )  # fmt: skip


def _ends(joint: Joint) -> list[FloatArray]:
    """The (N, 3) corners of each peg's end, mm."""
    return [joint.placed_ring(joint.peg_rings(p)[-1]) for p in joint.pegs]


def _wanted(region: Region, radius: float) -> int:
    """How many pegs a face of this size and shape should get."""
    if region.area >= THREE_PEGS_FROM:
        return 3
    long = region.area > LONG_FACE * radius**2
    return 2 if region.area >= TWO_PEGS_FROM or long else 1


def narrowest(profile: PrinterProfile) -> float:
    """The thinnest peg that prints sound, mm: six nozzle widths and at least 2 mm
    (common practice, no source)."""
    return max(6 * profile.nozzle, 2.0)


def _sides(
    face: Interface,
    mesh_of: dict[int, Mesh],
    bodies: dict[int, list[FloatArray]],
    profile: PrinterProfile,
    widest: float,
    radius: float,
) -> list[_Side]:
    """Both sides as homes for the sockets; the piece with more material behind comes first."""
    frame, region = face.frame, face.region
    # A peg's width more than a socket and its wall, so that the wall can be told.
    deepest = (DEPTH_SHARES[0] + 1.0) * widest + profile.seating_gap + profile.wall
    spacing = float(np.clip(radius / 15, 0.1, 3.0))
    around = {
        name: obstacles(
            mesh_of[piece], own, frame, into, region, deepest, spacing, tuple(bodies[piece])
        )
        for name, piece, own, into in (
            ("B", face.piece_b, face.b.faces, -frame.normal),
            ("A", face.piece_a, face.a.faces, frame.normal),
        )
    }
    return [
        _Side("B", around["B"], around["A"], deepest),
        _Side("A", around["A"], around["B"], deepest),
    ]


def _plans(
    region: Region, side: _Side, pegs: int, width: float, radius: float, profile: PrinterProfile
) -> list[_Plan]:
    """Where `pegs` pegs of this width have room on one side, at the deepest depth that does."""
    at = spots(region, max(radius / 8, np.sqrt(region.area) / 40))
    need = outradius(footprint_of(width, 0.0)[1]) + profile.clearance + profile.wall
    rooted = clear_radius(at, side.root, ROOT_SHARE * width)
    for share in DEPTH_SHARES:
        if taper(share * width, profile) > MOST_TAPER * width:
            continue
        depth = share * width + profile.seating_gap + profile.wall
        room = np.minimum(rooted, clear_radius(at, side.behind, depth))
        good = room >= need
        if not good.any():
            continue
        if pegs == 1:
            best = at[int(np.argmax(room))]
            return [_Plan(side, best[None], (width,), share)]
        spread = _spread(at[good], room[good], pegs)
        apart = min(float(np.linalg.norm(a - b)) for i, a in enumerate(spread) for b in spread[:i])
        if apart >= 2.5 * width:
            widths = (width,) * (pegs - 1) + (max(SECOND_SHARE * width, narrowest(profile)),)
            return [_Plan(side, spread, widths, share)]
    return []


def taper(depth: float, profile: PrinterProfile) -> float:
    """How far a socket's sides come in from mouth to bottom, mm."""
    return float(np.tan(np.radians(profile.draft))) * (depth + profile.seating_gap)


def _spread(at: FloatArray, room: FloatArray, pegs: int) -> FloatArray:
    """(pegs, 2) places far from each other: the roomiest of those far out.

    Farthest-point choice from both ends of the long direction; the odd peg, if any, then
    goes as far as it can from the line of the first two.
    """
    middle = at - at.mean(axis=0)
    axis = np.linalg.svd(middle, full_matrices=False)[2][0] if len(at) > 1 else np.array([1.0, 0])
    along = middle @ axis
    roomy = room / room.max()
    reach = max(float(np.ptp(along)), 1e-9)
    first = int(np.argmax(along / reach + 0.2 * roomy))
    second = int(np.argmax(-along / reach + 0.2 * roomy))
    chosen = [first, second]
    if pegs == 3:
        nearest = np.min([np.linalg.norm(at - at[k], axis=1) for k in chosen], axis=0)
        across = np.abs(middle @ np.array([-axis[1], axis[0]]))
        chosen.append(int(np.argmax(nearest + across)))
    return np.asarray(at[chosen])


def footprint_of(width: float, turn: float) -> tuple[Literal["square", "D"], FloatArray]:
    """Kind and outline about the origin of a peg of this width."""
    kind: Literal["square", "D"] = "D" if width < D_BELOW else "square"
    outline = d_shape(width) if kind == "D" else square(width)
    return kind, placed(outline, np.zeros(2), turn)


_THIN, _TURNS = "the wall is too thin", "it seats in other ways too"


def _proven(
    number: int, face: Interface, plan: _Plan, profile: PrinterProfile, radius: float
) -> Joint | str:
    """The planned joint if its wall holds exactly and it goes home one way only; else why not."""
    turn = _long_direction(face.region)
    pegs = []
    for centre, width in zip(plan.centres, plan.widths, strict=True):
        kind, outline = footprint_of(width, turn)
        pegs.append(Peg(kind, outline + centre, width, plan.depth_share * width, 0.0))
    joint = Joint(
        letter(number), face, tuple(pegs), plan.side.name,
        profile.clearance, profile.seating_gap, profile.draft,
        min(profile.lead_in, min(plan.widths) / 6), "",
    )  # fmt: skip
    measured = []
    bodies = [joint.body(joint.socket_rings(p)) for p in pegs]
    for k, peg in enumerate(pegs):
        others = [b for j, b in enumerate(bodies) if j != k]
        wall, _ = least_distance(bodies[k], np.concatenate([plan.side.behind.triangles, *others]))
        if wall < profile.wall - 1e-6:
            return _THIN
        # Beyond what was collected there may be something nearer.
        known = plan.side.reach - peg.depth - profile.seating_gap
        measured.append(replace(peg, wall=min(wall, known)))
    mouths = [joint.socket_rings(p)[0][0] for p in pegs]
    if other_seatings([p.outline for p in pegs], mouths):
        return _TURNS
    return replace(joint, pegs=tuple(measured), reason=_reason(joint, measured, radius))


def _long_direction(region: Region) -> float:
    """Turn, in degrees, that lays a footprint along the region's long direction."""
    middle = region.outline - region.outline.mean(axis=0)
    axis = np.linalg.svd(middle, full_matrices=False)[2][0]
    return float(np.degrees(np.arctan2(axis[1], axis[0])))


def _reason(joint: Joint, pegs: list[Peg], radius: float) -> str:
    """Why this joint is as it is."""
    first, face = pegs[0], joint.interface
    many = {1: "one", 2: "two", 3: "three"}[len(pegs)]
    shape = "D-shaped" if first.shape == "D" else "keyed square"
    sizes = f"{first.width:.1f} mm"
    if len(pegs) > 1:
        sizes = f"{first.width:.1f} and {pegs[-1].width:.1f} mm"
    return (
        f"{many} {shape} peg{'s' if len(pegs) > 1 else ''} of {sizes}, {first.depth:.1f} mm deep, "
        f"for a {'pad' if face.seam.line else 'face'} of {face.region.area:.0f} mm² whose "
        f"largest circle is "
        f"{2 * radius:.1f} mm across; least wall {min(p.wall for p in pegs):.1f} mm; "
        f"{in_words(joint.clearance, first.width)} of ISO 286-1"
    )


def require_one_way(made: tuple[Joint, ...]) -> None:
    """Check every joint once more as it stands.

    Raises
    ------
    CheckFailed
        If a joint's pegs can seat in more than one way.
    """
    for joint in made:
        mouths = [joint.socket_rings(p)[0][0] for p in joint.pegs]
        turns = other_seatings([p.outline for p in joint.pegs], mouths) if joint.pegs else []
        if turns:
            raise CheckFailed(
                f"Joint {joint.letter} also seats turned by {turns[0]:.0f}°; "
                "change its key or size."
            )
