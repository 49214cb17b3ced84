"""The automatic joint: kind, size, number and place of pegs, with the reason in words.

Proportions marked "common practice, no source" are workshop rules; each scales with
the section, so that a miniature gets a 3 mm peg and a life-size limb one of about 20 mm.
Whatever the user decided is taken as it is, or refused with what would fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from seamwright.choice import AUTO, SIDES, JointChoice
from seamwright.clearance import WIDEST
from seamwright.errors import BadInput
from seamwright.footprint import most_share, unkeyed
from seamwright.interface import Interface
from seamwright.joint import Joint, letter
from seamwright.known import Known, key_of
from seamwright.locking import locking
from seamwright.magnet import magnetic
from seamwright.marks import DEEPEST, Mark, Rooms, marks
from seamwright.mesh import FloatArray
from seamwright.offsets import offset, placed
from seamwright.pieces import Piece
from seamwright.places import DEPTH_SHARES, MOST_TAPER, narrowest, taper
from seamwright.printer import PrinterProfile
from seamwright.proof import mistaken
from seamwright.rod import Bore
from seamwright.room import among, clear_radius, inscribed, obstacles
from seamwright.seam import place
from seamwright.seating import other_seatings
from seamwright.trials import Bench, Fits, Trials, owned
from seamwright.wishes import footprints

WIDTH_SHARE = 0.45
"""Peg width over radius of the largest inscribed circle; 20 mm on a limb of 90 mm across
(common practice, no source)."""

LEAST_SHARE = 0.5
"""How much narrower pegs may become so that the piece they stand on still fits."""

MOST_TURN = 45.0
"""Degrees that pegs may lean from the square of their face: beyond, they print and hold badly
(common practice, no source)."""

_LOCKED = "a flat glued joint: pegs here would run another way than those of"


def joints(
    pieces: tuple[Piece, ...],
    faces: tuple[Interface, ...],
    profile: PrinterProfile,
    fits: Fits | None = None,
    *,
    choices: Sequence[JointChoice] | None = None,
    bores: Sequence[Bore] = (),
    known: Known | None = None,
) -> tuple[Joint, ...]:
    """A joint for every interface, in order; letters count along.

    Parameters
    ----------
    fits : tells whether a piece with these points (N, 3) added still fits the printer.
        Pegs then stand on the side that can carry them, where one can.
    choices : what the user decided, for each interface; the seams' own by default.
    bores : of rods, which everything keeps clear of.
    known : what was found for an earlier result; the joints are the same without it.

    A joint that would lock a ring of pieces, because its pegs run another way than the
    others' between the same two assemblies, has its pegs turned to run as theirs do, or is
    plain where that is too far; it says so. One that was asked to have pegs has them, others
    yield to it, and the assembly order says what fights.

    Raises
    ------
    BadInput
        If the clearance is more than the peg that a face would get is wide, or something that
        the user decided does not fit; the sentence says what would.
    """
    choices = [f.seam.joint for f in faces] if choices is None else choices
    bench = Bench.of(pieces, profile, fits, bores, known or Known())
    ways = [_direction(f, c) for f, c in zip(faces, choices, strict=True)]
    pegged = [
        k for k, (f, c) in enumerate(zip(faces, choices, strict=True))
        if c.kind not in ("plain", "magnets") and f.seat
    ]  # fmt: skip
    firm = [k for k, c in enumerate(choices) if c.asks_pegs]
    fights = locking(faces, pegged, ways, firm)
    for number, (face, choice) in enumerate(zip(faces, choices, strict=True)):
        rival = fights.get(number)
        along = None if rival is None else ways[rival]
        joint = _joint(number, face, choice, bench, rival, along)
        bench.add(joint)
    return _marked(tuple(bench.made), choices, bench, bores)


def is_locked(joint: Joint) -> bool:
    """Whether a joint is plain only because its pegs would run another way than others'."""
    return joint.reason.startswith(_LOCKED)


def _direction(face: Interface, choice: JointChoice) -> FloatArray:
    """(3,) unit, the way a joint's pegs would run, into side A."""
    if choice.direction is None:
        return face.frame.normal
    way = np.asarray(choice.direction, dtype=float)
    way = way / np.linalg.norm(way)
    return np.asarray(way if way @ face.frame.normal >= 0 else -way)


def _slope(face: Interface, way: FloatArray) -> FloatArray:
    """(2,) how far a direction leads sideways in a face's frame, per mm along its normal."""
    u, v, n = face.frame.axes @ way
    return np.array([u / n, v / n]) if np.hypot(u, v) > 1e-9 * n else np.zeros(2)


def _turned(face: Interface, way: FloatArray) -> float:
    """Degrees between a direction and a face's normal."""
    along = abs(float(face.frame.normal @ way))
    return float(np.degrees(np.arccos(min(along, 1.0))))


def _joint(
    number: int,
    face: Interface,
    choice: JointChoice,
    bench: Bench,
    rival: int | None,
    along: FloatArray | None,
) -> Joint:
    """The joint of one interface.

    rival : place of the interface whose pegs this one's would fight; along : their direction.
    """
    profile = bench.profile
    if choice.kind == "plain":
        return _plain(number, face, profile, "a flat glued joint, as you asked")
    if face.seat is None:
        if choice.asks_pegs or choice.kind == "magnets":
            raise BadInput(f"{_called(number, face)} cannot have {_asked(choice)}: {face.why}.")
        return _plain(number, face, profile, f"a glued joint {face.why}")
    if choice.kind == "magnets":
        return _magnetic(number, face, choice, bench)
    way = _direction(face, choice)
    if rival is not None and along is not None:
        as_theirs = along if along @ face.frame.normal >= 0 else -along
        if choice.direction is None and _turned(face, as_theirs) <= MOST_TURN:
            way = as_theirs
        elif choice.asks_pegs:
            rival = None
        else:
            reason = f"{_LOCKED} joint {letter(rival)} and lock the pieces out"
            return _plain(number, face, profile, reason)
    if _turned(face, way) > MOST_TURN:
        raise BadInput(
            f"{_called(number, face)} has its pegs lean {_turned(face, way):.0f}° from the square "
            f"of its face; give a direction within {MOST_TURN:g}° of "
            f"{np.round(face.frame.normal, 3).tolist()}."
        )
    joint = _pegged(number, face, choice, _slope(face, way), bench)
    if rival is not None and joint.pegs:
        turned = f"; turned by {_turned(face, way):.0f}° to run as those of joint {letter(rival)}"
        return replace(joint, reason=joint.reason + turned)
    if choice.asks_pegs and not joint.pegs:
        if not choice.key:
            _refuse_unkeyed(number, face, choice, _slope(face, way), bench)
        raise BadInput(
            f"{_called(number, face)} cannot have {_asked(choice)}: "
            f"{_would_fit(number, face, choice, bench)}."
        )
    return joint


def _refuse_unkeyed(
    number: int, face: Interface, choice: JointChoice, slope: FloatArray, bench: Bench
) -> None:
    """Raise if pegs without a key have room, and would go home in more than one way."""
    keyed = _pegged(number, face, replace(choice, key=True), slope, bench)
    if not keyed.pegs:
        return
    clearance = keyed.clearance
    outlines = [placed(unkeyed(p.shape, p.width), p.outline.mean(axis=0), 0.0) for p in keyed.pegs]
    turns = other_seatings(outlines, [offset(o, clearance) for o in outlines])
    also = f" also seats turned by {turns[0]:.0f}°" if turns else " would seat in other ways too"
    raise BadInput(
        f"{_called(number, face)} without a key{also}; give it its key again, key = true, or "
        "several pegs of different widths."
    )


def _called(number: int, face: Interface) -> str:
    return f"Joint {letter(number)} (seam '{face.seam.name}', {place(face.centre)})"


def _asked(choice: JointChoice) -> str:
    """What a user asked for, in words."""
    many = "" if choice.count is None else f"{choice.count} "
    shape = f"{choice.footprint} " if choice.footprint else ""
    what = choice.kind if choice.kind in ("magnets", "loose pegs") else "pegs"
    wide = "" if choice.width is None else f" of {choice.width:g} mm"
    deep = "" if choice.depth is None else f", {choice.depth:g} mm deep"
    return f"{many}{shape}{what}{wide}{deep}"


def _would_fit(number: int, face: Interface, choice: JointChoice, bench: Bench) -> str:
    """What of a wish would have room: the same with the sizes left open, or less of it."""
    open_ = replace(choice, width=None, depth=None)
    tries = [open_, replace(open_, at=()), replace(open_, at=(), count=None)]
    tries.append(JointChoice(choice.kind))
    for tried in tries:
        if tried == choice:
            continue
        slope = _slope(face, _direction(face, tried))
        joint = _pegged(number, face, tried, slope, bench)
        if joint.pegs:
            peg = joint.pegs[0]
            shape = f"{peg.shape} " if choice.footprint not in (None, peg.shape) else ""
            many = f"{len(joint.pegs)} {shape}{'peg' if len(joint.pegs) == 1 else 'pegs'}"
            elsewhere = " in other places" if choice.at and not tried.at else ""
            return f"{many} of {peg.width:.1f} mm, {peg.depth:.1f} mm deep, would fit{elsewhere}"
    return "there is room for none; a plain joint or another seam would do"


def _plain(number: int, face: Interface, profile: PrinterProfile, reason: str) -> Joint:
    return Joint(
        letter(number), face, (), "B",
        profile.clearance, profile.seating_gap, profile.draft, 0.0, reason,
    )  # fmt: skip


def _magnetic(number: int, face: Interface, choice: JointChoice, bench: Bench) -> Joint:
    """A joint held by magnets."""
    key = bench.key(face, "magnets", replace(choice, marks=True))
    joint = bench.known.of(
        key,
        lambda: magnetic(number, face, choice, bench.mesh_of, bench.bodies, bench.profile),
    )
    return bench.known.put(key, owned(joint, number, face))


def _pegged(
    number: int, face: Interface, choice: JointChoice, slope: FloatArray, bench: Bench
) -> Joint:
    """The best set of pegs for one interface, or a plain joint if there is no room.

    A somewhat smaller set on a side that can carry it goes before a larger one that cannot
    be printed; if neither side can, the best set is taken and the fit check will say so.
    """
    trials = _trials(number, face, choice, slope, bench)
    bench.around[id(face)] = trials
    joint = _best(trials, bench)
    trials.leave(_floor(bench.profile))
    return joint


def _trials(
    number: int, face: Interface, choice: JointChoice, slope: FloatArray, bench: Bench
) -> Trials:
    """What can be tried on one interface.

    Raises
    ------
    BadInput
        If what was decided cannot be tried at all.
    """
    profile, region = bench.profile, face.region
    _, radius = bench.known.of(key_of("inscribed", region.loops), lambda: inscribed(region))
    clearance = profile.clearance if choice.clearance is None else choice.clearance
    least = narrowest(profile)
    widest = choice.width or float(np.clip(WIDTH_SHARE * radius, least, WIDEST))
    _require_keyed(number, face, clearance, widest, choice, least)
    # A peg's width more than a socket and its wall, so that the wall can be told.
    base = min(radius, WIDEST) if choice.footprint == "section" else widest
    reach = max(DEPTH_SHARES[0] * base, choice.depth or 0.0) + base
    reach += profile.seating_gap + profile.wall
    fixed = face.frame.to_plane(np.array(choice.at)) if choice.at else None
    if fixed is not None and not region.contains(fixed).all():
        out = int(np.argmin(region.contains(fixed)))
        raise BadInput(
            f"{_called(number, face)}: {place(choice.at[out])} lies beside its face; give places "
            "on it."
        )
    return Trials(
        number, face, choice, slope, radius, clearance, widest, reach, fixed, bench.mesh_of,
        {n: list(bench.bodies[n]) for n in (face.piece_a, face.piece_b)}, profile, bench.known,
        bench.key(face, "pegs", replace(choice, marks=True), slope),
    )  # fmt: skip


def _best(trials: Trials, bench: Bench) -> Joint:
    """The first set of pegs that holds, is no other joint's double and can be carried."""
    number, face, profile = trials.number, trials.face, bench.profile
    burden: Joint | None = None
    loose = 0.0
    alike: list[tuple[int, int]] = []
    thin = False
    for n, wish in trials.wishes():
        if wish.slack and not thin:
            continue
        thin = False
        for k in range(trials.count(n)):
            joint = trials.planned(n, k)
            if joint is None:
                loose = max(loose, wish.width)
                continue
            if any(mistaken(joint, other, bench.known) for other in bench.made):
                alike.append((n, k))
                continue
            joint = trials.proven(n, k)
            if joint is None:
                thin = True
                continue
            enough = burden is None or wish.width >= LEAST_SHARE * burden.pegs[0].width
            if enough and (joint.loose or bench.carries(joint)):
                return joint
            burden = burden or joint
    if burden is not None:
        return burden
    # Better one that needs a look at its letter than none.
    for n, k in alike:
        joint = trials.proven(n, k)
        if joint is not None:
            return joint
    why = _why_none(trials.radius, trials.widest, loose, trials.clearance, profile)
    return _plain(number, face, profile, why)


def _require_keyed(
    number: int,
    face: Interface,
    clearance: float,
    widest: float,
    choice: JointChoice,
    least: float,
) -> None:
    """Raise if a clearance or a wished width is beyond what can be made."""
    # Six widths of 0.4 mm are a little more than 2.4 mm.
    if choice.width is not None and choice.width < least - 1e-9:
        raise BadInput(
            f"{_called(number, face)}: a peg of {choice.width:g} mm is thinner than prints sound; "
            f"give {least:.1f} mm or more."
        )
    if clearance > widest:
        most = _most_clearance(widest, choice)
        raise BadInput(
            f"A clearance of {clearance:g} mm per side is more than the {widest:.1f} mm "
            f"peg that seam '{face.seam.name}' would get; give at most "
            f'{most:g} mm, or the seam joint = "plain".'
        )


def _why_none(
    radius: float, widest: float, loose: float, clearance: float, profile: PrinterProfile
) -> str:
    """Why a face gets no pegs."""
    if taper(DEPTH_SHARES[-1] * widest, profile.draft, profile) > MOST_TAPER * widest:
        return (
            f"a flat glued joint: a draft of {profile.draft:g}° would bring even the shortest peg "
            "here to a point; use a smaller draft"
        )
    if loose:
        most = _most_clearance(loose, AUTO)
        return (
            f"a flat glued joint: with {clearance:g} mm of clearance no peg small enough "
            f"for this face would go home one way only; {most:g} mm or less would do"
        )
    least = narrowest(profile)
    needed = 2 * (least * 0.5 + clearance + profile.relief + profile.wall)
    return (
        f"a flat glued joint: no room for a peg of {least:.1f} mm with its "
        f"clearance and {profile.wall:.1f} mm of wall, which need {needed:.1f} mm across all "
        f"the way down; the face's largest circle is {2 * radius:.1f} mm across"
    )


def _most_clearance(width: float, choice: JointChoice) -> float:
    """The most clearance per side, whole hundredths of a mm, at which a peg of this width is keyed.

    Of one that follows its section that is only known once it is made: a square's stands for it.
    """
    share = max(most_share(shape, variant) for shape, variant in footprints(width, choice, 1))
    return float(np.floor(100 * (share or most_share("square")) * width + 1e-9) / 100)


# --- marks -----------------------------------------------------------------------------------


def _marked(
    made: tuple[Joint, ...],
    choices: Sequence[JointChoice],
    bench: Bench,
    bores: Sequence[Bore],
) -> tuple[Joint, ...]:
    """The joints with their letters and witness marks, where there is room."""
    return tuple(
        replace(joint, marks=_marks_of(joint, made, bench, bores)) if choice.marks else joint
        for joint, choice in zip(made, choices, strict=True)
    )


def _marks_of(
    joint: Joint, made: Sequence[Joint], bench: Bench, bores: Sequence[Bore]
) -> tuple[Mark, Mark] | None:
    """A joint's letter and witness mark on either side, clear of all that opens into its faces."""
    face = joint.interface
    if face.seat is None:
        return None
    taken = [
        mouth
        for other in made
        if other.interface.seat and (other.interface.a is face.a or other.interface.b is face.b)
        for mouth in other.mouths()
    ]
    taken += [
        face.frame.to_plane(ring)
        for bore in bores
        for ring, mouth in zip(bore.rings, bore.mouths, strict=False)
        if mouth.patch is face.a or mouth.patch is face.b
    ]
    trials = bench.around.get(id(face))
    tried = None if trials is None else trials.key
    return bench.known.of(
        bench.key(face, "marks", joint.letter, taken, tried),
        lambda: marks(
            face.region, taken, joint.letter, bench.profile, _rooms(joint, trials, bench)
        ),
    )


def _floor(profile: PrinterProfile) -> float:
    """How much material is wanted behind a face for marks, mm."""
    return DEEPEST + profile.shell


def _rooms(joint: Joint, trials: Trials | None, bench: Bench) -> Rooms:
    """How far places on a face are from where there is not enough behind it for marks."""
    face, floor = joint.interface, _floor(bench.profile)
    behind = []
    for side, patch in zip(SIDES, (face.a, face.b), strict=True):
        down, bodies = joint.down(side), tuple(bench.bodies[joint.piece(side)])
        if trials is None:
            mesh = bench.mesh_of[joint.piece(side)]
            found = obstacles(
                mesh, patch.faces, face.frame, down, face.region, 2 * floor, 1.0, bodies
            )
            behind.append(found)
        else:
            # What was looked at for the pegs, and what has been added since.
            behind += [trials.behind(side, floor), among(bodies, face.frame, down, 2 * floor, 1.0)]

    def rooms(at: FloatArray) -> FloatArray:
        return np.asarray(np.min([clear_radius(at, o, floor) for o in behind], axis=0))

    return rooms
