"""Loads: what each piece weighs as printed, and what each joint carries as the figure stands.

The figure stands still on its lowest level, as it is displayed, and only its own weight
acts. Where one joint alone holds a piece, what it carries follows from equilibrium. Where
joints form a ring, they share by stiffness: pieces are taken as rigid bodies that hang
together by springs at their joints' faces, as stiff as a beam of the face's section from the
one piece's mass centre to the other's. This is the rigid-bodies-spring model of T. Kawai,
"New discrete models and their application to seismic response analysis of structures",
Nuclear Engineering and Design 48 (1978).

It is solved for forces, not for shifts: a figure on soft ground shifts as a whole by far more
than its joints give, and forces that are differences of such shifts keep half their digits.
Springs that form no ring carry what they bear to the ground, by sums alone; only the spring
that closes a ring is unknown, and all of them take what makes the work in all springs least,
by Castigliano's theorem of least work: S. Timoshenko, "Strength of Materials", part I (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from heapq import heappop, heappush

import numpy as np

from seamwright.interface import Interface
from seamwright.joint import Joint
from seamwright.mesh import FACES_AT_ONCE, FloatArray, Mesh
from seamwright.moments import Moments, disc, of_loops, rectangle
from seamwright.pieces import Piece
from seamwright.printer import PrinterProfile

GRAVITY = 9.80665
"""m/s²: standard gravity, ISO 80000-3."""

SHEAR_SHARE = 0.37
"""Shear modulus over Young's: 1 / (2 (1 + v)) for v = 0.35, as plastics have (from memory)."""

GROUND = 1e-3
"""What is this near the lowest level, as a share of the height, stands on the ground."""

LOOSE = 1e-4
"""Stiffness of a glued face on whose glue nobody counts, as a share of its own: it takes part
only where nothing else can."""


@dataclass(frozen=True, eq=False)
class Weight:
    """A piece as printed.

    mass : g. centre : (3,) mass centre, mm.
    """

    mass: float
    centre: FloatArray

    @property
    def newtons(self) -> float:
        return self.mass / 1000 * GRAVITY


@dataclass(frozen=True, eq=False)
class Load:
    """What one joint carries.

    Attributes
    ----------
    force, moment : (3,) N and N·mm about `centre` that the joint puts on the piece on its
        side A.
    centre : (3,) centre of the face, mm.
    axes : (3, 3) of the joint's frame; the third points into side A.
    outboard : ids of the pieces that come away from the ground if this joint is cut; none if
        other joints hold them as well.
    """

    force: FloatArray
    moment: FloatArray
    centre: FloatArray
    axes: FloatArray
    outboard: tuple[int, ...]

    @property
    def axial(self) -> float:
        """N; above 0 pulls the face open, below 0 presses it shut."""
        return float(-self.force @ self.axes[2])

    @property
    def shear(self) -> FloatArray:
        """(2,) N along the frame's u and v."""
        return np.asarray(self.axes[:2] @ self.force)

    @property
    def bending(self) -> FloatArray:
        """(2,) N·mm about the frame's u and v."""
        return np.asarray(self.axes[:2] @ self.moment)

    @property
    def torsion(self) -> float:
        """N·mm about the frame's normal."""
        return float(self.axes[2] @ self.moment)

    @property
    def carried(self) -> float:
        """g whose weight goes through this joint."""
        return abs(float(self.force[2])) / GRAVITY * 1000

    @property
    def lever(self) -> float:
        """How far to the side of the face's centre that weight acts, mm: the moment about
        level axes over the force. Where one joint holds all, the mass centre's distance."""
        level = float(np.hypot(*self.moment[:2]))
        return level / abs(float(self.force[2])) if abs(self.force[2]) > 1e-9 else 0.0


def weight(mesh: Mesh, profile: PrinterProfile) -> Weight:
    """Mass and mass centre of a mesh as it is printed, with shell and infill.

    The shell is taken as surface times thickness, which is a little too much at edges, so
    that nothing is made out lighter than it is.
    """
    volume, inside, surface, skin = 0.0, np.zeros(3), 0.0, np.zeros(3)
    about = mesh.bounds.mean(axis=0)
    for start in range(0, len(mesh.faces), FACES_AT_ONCE):
        part = mesh.faces[start : start + FACES_AT_ONCE]
        a, b, c = (mesh.vertices[part[:, i]] - about for i in range(3))
        # Tetrahedra with the box's middle: a quarter of the corners' sum is their centre.
        solid = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6
        area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
        volume += float(solid.sum())
        # Not as a matrix product, which adds in another order on other numbers of threads.
        inside += np.einsum("i,ij->j", solid, a + b + c) / 4
        surface += float(area.sum())
        skin += np.einsum("i,ij->j", area, a + b + c) / 3
    if volume < 0:
        volume, inside = -volume, -inside
    shell = min(surface * profile.shell, volume)
    at_skin = skin / surface if surface > 0 else np.zeros(3)
    printed = shell + profile.infill * (volume - shell)
    if printed <= 0:
        return Weight(0.0, about + at_skin)
    first = shell * at_skin + profile.infill * (inside - shell * at_skin)
    return Weight(printed / 1000 * profile.density, about + first / printed)


def weights(pieces: tuple[Piece, ...], profile: PrinterProfile) -> dict[int, Weight]:
    """By id, each piece as printed."""
    return {p.id: weight(p.mesh, profile) for p in pieces}


def face_moments(face: Interface) -> Moments:
    """Of an interface's flat place; where it has none, of a disc as large as it is."""
    if face.seat is None or not face.region.area > 0:
        return disc(max(face.area, 1e-9), face.frame.to_plane(face.centre[None])[0])
    return of_loops(face.region.loops)


def face_centre(face: Interface, area: Moments) -> FloatArray:
    """(3,) where a joint's load is reckoned, mm."""
    return face.centre if face.seat is None else face.frame.to_world(area.centre)


@dataclass(frozen=True, eq=False)
class _Spring:
    """What ties a body to another, or to the ground.

    ends : bodies by place; the ground comes after the pieces. at : (3,) where, mm.
    give : (6, 6) shift and turn over force and moment, see `_give`. stiff : along its length.
    """

    ends: tuple[int, int]
    at: FloatArray
    give: FloatArray
    stiff: float


def loads(
    pieces: tuple[Piece, ...],
    joints: tuple[Joint, ...],
    masses: dict[int, Weight],
    profile: PrinterProfile,
) -> tuple[Load, ...]:
    """What each joint carries, in order, to the last digit the same on any number of threads.

    Pieces that no joint ties to the ground hang on the lowest of them, see `afloat`.
    """
    number = {p.id: k for k, p in enumerate(pieces)}
    ends = [(number[j.interface.piece_a], number[j.interface.piece_b]) for j in joints]
    centres = np.array([masses[p.id].centre for p in pieces])
    low, height = _stand(pieces)
    on_ground, hung = _held(pieces, ends, low + GROUND * height)
    held = on_ground | hung
    springs = [
        _joint_spring(j, pair, centres, profile) for j, pair in zip(joints, ends, strict=True)
    ]
    for k in sorted(held):
        at, give, stiff = _ground(pieces[k].mesh, centres[k], low, GROUND * height)
        springs.append(_Spring((k, len(pieces)), at, give, stiff))
    borne = _borne(springs, centres, np.array([masses[p.id].newtons for p in pieces]))
    found = []
    for k, (joint, spring) in enumerate(zip(joints, springs, strict=False)):
        away = _cut_off(len(pieces), ends, k, held)
        outboard = tuple(p.id for p, off in zip(pieces, away, strict=True) if off)
        on_a = borne[k]
        found.append(Load(on_a[:3], on_a[3:], spring.at, joint.frame.axes, outboard))
    return tuple(found)


def afloat(pieces: tuple[Piece, ...], joints: tuple[Joint, ...]) -> tuple[int, ...]:
    """Ids of pieces with joints that are taken to be held up, as none ties them to the ground."""
    number = {p.id: k for k, p in enumerate(pieces)}
    ends = [(number[j.interface.piece_a], number[j.interface.piece_b]) for j in joints]
    low, height = _stand(pieces)
    _, hung = _held(pieces, ends, low + GROUND * height)
    jointed = {k for pair in ends for k in pair}
    return tuple(pieces[k].id for k in sorted(hung & jointed))


def _stand(pieces: tuple[Piece, ...]) -> tuple[float, float]:
    """Lowest level and height of all pieces together, mm."""
    low = min(float(p.mesh.bounds[0, 2]) for p in pieces)
    return low, max(float(p.mesh.bounds[1, 2]) for p in pieces) - low


def _joint_spring(
    joint: Joint, ends: tuple[int, int], centres: FloatArray, profile: PrinterProfile
) -> _Spring:
    area = face_moments(joint.interface)
    at = face_centre(joint.interface, area)
    axes = joint.frame.axes
    apart = float(np.abs((centres[list(ends)] - at) @ axes[2]).sum())
    length = max(apart, 0.1 * float(np.sqrt(area.area)))
    glued = profile.glue > 0 and not joint.magnets
    counted = 1.0 if joint.pegs or glued else LOOSE
    return _Spring(ends, at, _give(area, axes, length) / counted, counted * area.area / length)


def _give(area: Moments, axes: FloatArray, length: float) -> FloatArray:
    """(6, 6) shift and turn over force and moment of a beam so long, times Young's modulus.

    Only the shares matter, so the modulus, the same for all, is left out.
    """
    local = np.zeros((6, 6))
    local[0, 0] = local[1, 1] = 1 / (SHEAR_SHARE * area.area)
    local[2, 2] = 1 / area.area
    # A sliver shall give much, not without end.
    second = area.second + 1e-12 * area.polar * np.eye(2)
    (xx, xy), (_, yy) = second
    # The inverse of what bends it, [[yy, -xy], [-xy, xx]].
    local[3:5, 3:5] = second / (xx * yy - xy * xy)
    local[5, 5] = 1 / (SHEAR_SHARE * area.torsion)
    turn = np.kron(np.eye(2), axes)
    return np.asarray(length * turn.T @ local @ turn)


def _ground(
    mesh: Mesh, centre: FloatArray, low: float, near: float
) -> tuple[FloatArray, FloatArray, float]:
    """Where a piece stands, and how the box round its prints gives and how stiff it is."""
    prints = mesh.vertices[mesh.vertices[:, 2] <= low + near]
    if not len(prints):
        prints = mesh.vertices[mesh.vertices[:, 2] <= mesh.bounds[0, 2] + near]
    least, most = prints[:, :2].min(axis=0), prints[:, :2].max(axis=0)
    x, y = most - least + max(near, 1e-9)
    middle = (least + most) / 2
    at = np.array([*middle, prints[:, 2].min()])
    rise = max(float(centre[2] - at[2]), 1e-3 * float(np.hypot(x, y)))
    area = rectangle(float(x), float(y), middle)
    return at, _give(area, np.eye(3), rise), area.area / rise


# --- forces ----------------------------------------------------------------------------------


def _borne(springs: list[_Spring], centres: FloatArray, newtons: FloatArray) -> FloatArray:
    """(S, 6) force and moment about its place that each spring puts on the first of its ends.

    centres, newtons : of the bodies, all of which hang together with the ground by springs.
    """
    ways = _ways_down(springs, len(newtons))
    borne = np.zeros((len(springs), 6))
    for body, way in enumerate(ways[:-1]):
        for k, sign in way:
            # What holds all outboard of it up against its weight.
            borne[k] += sign * newtons[body] * _carried(centres[body], springs[k].at)[:, 2]
    in_tree = {k for way in ways for k, _ in way}
    closing = [k for k in range(len(springs)) if k not in in_tree]
    if not closing:
        return borne
    # What a unit of each closing spring's load, in columns, adds to the loads of all springs.
    each: list[list[tuple[int, FloatArray]]] = [[] for _ in springs]
    for n, closer in enumerate(closing):
        each[closer].append((n, np.eye(6)))
        a, b = (dict(ways[end]) for end in springs[closer].ends)
        for side, own, other in ((-1.0, a, b), (1.0, b, a)):
            for k, sign in own.items():
                if k not in other:
                    moved = _carried(springs[closer].at, springs[k].at)
                    each[k].append((n, side * sign * moved))
    work, against = np.zeros((6 * len(closing),) * 2), np.zeros(6 * len(closing))
    for spring, load, some in zip(springs, borne, each, strict=True):
        if not some:
            continue
        at = np.concatenate([6 * n + np.arange(6) for n, _ in some])
        units = np.concatenate([unit for _, unit in some], axis=1)
        given = np.einsum("ij,jk->ik", spring.give, units)
        work[np.ix_(at, at)] += np.einsum("ij,ik->jk", units, given)
        against[at] -= np.einsum("ij,i->j", given, load)
    closed = _solved(work, against)
    for k, some in enumerate(each):
        for n, unit in some:
            borne[k] += np.einsum("ij,j->i", unit, closed[6 * n : 6 * n + 6])
    return borne


def _carried(where: FloatArray, to: FloatArray) -> FloatArray:
    """(6, 6) what a force and moment at one place come to about another."""
    x, y, z = where - to
    carried = np.eye(6)
    carried[3:, :3] = [[0, -z, y], [z, 0, -x], [-y, x, 0]]
    return carried


def _ways_down(springs: list[_Spring], ground: int) -> list[list[tuple[int, float]]]:
    """For each body the springs on its stiffest way down to the ground, the ground's own empty.

    With each spring, 1 if its first end is the outboard one, else -1. Together they are a tree.
    What closes a ring is then soft and the ring short, so that rounding does little harm.
    """
    meets: list[list[tuple[int, int, float]]] = [[] for _ in range(ground + 1)]
    for k, spring in enumerate(springs):
        a, b = spring.ends
        meets[a].append((k, b, -1.0))
        meets[b].append((k, a, 1.0))
    ways: dict[int, list[tuple[int, float]]] = {}
    nearest: list[tuple[float, int, list[tuple[int, float]]]] = [(0.0, ground, [])]
    while nearest:
        give, body, way = heappop(nearest)
        if body in ways:
            continue
        ways[body] = way
        for k, outer, sign in meets[body]:
            if outer not in ways:
                heappush(nearest, (give + 1 / springs[k].stiff, outer, [(k, sign), *way]))
    return [ways[body] for body in range(ground + 1)]


def _solved(whole: FloatArray, right: FloatArray) -> FloatArray:
    """(N,) solution of (N, N) equations, symmetric and positive definite, by elimination.

    Number by number and not by LAPACK, which adds in another order with another number of
    threads. Such equations need no pivots, nor unknowns of like magnitude: N. J. Higham,
    "Accuracy and Stability of Numerical Algorithms", chapter 10 (from memory).
    """
    left, found = whole.copy(), right.copy()
    for k in range(len(found)):
        share = left[k + 1 :, k] / left[k, k]
        left[k + 1 :, k + 1 :] -= share[:, None] * left[k, k + 1 :]
        found[k + 1 :] -= share * found[k]
    for k in reversed(range(len(found))):
        found[k] = (found[k] - (left[k, k + 1 :] * found[k + 1 :]).sum()) / left[k, k]
    return found


# --- what hangs together ---------------------------------------------------------------------


def _held(
    pieces: tuple[Piece, ...], ends: list[tuple[int, int]], level: float
) -> tuple[set[int], set[int]]:
    """Which pieces, by place, stand on the ground, and which are held up for want of it."""
    feet = [float(p.mesh.bounds[0, 2]) for p in pieces]
    on_ground = {k for k, foot in enumerate(feet) if foot <= level}
    hung: set[int] = set()
    left = set(range(len(pieces))) - _tied(ends, on_ground)
    while left:
        lowest = min(left, key=lambda k: (feet[k], k))
        hung.add(lowest)
        left -= _tied(ends, {lowest})
    return on_ground, hung


def _cut_off(count: int, ends: list[tuple[int, int]], cut: int, held: set[int]) -> list[bool]:
    """Which pieces, by place, nothing ties to what is held if one joint is cut."""
    tied = _tied([e for k, e in enumerate(ends) if k != cut], held)
    return [k not in tied for k in range(count)]


def _tied(ends: list[tuple[int, int]], held: set[int]) -> set[int]:
    """What hangs together with what is held, that included."""
    reached, last = set(held), set(held)
    while last:
        last = {b if a in last else a for a, b in ends if (a in last) != (b in last)} - reached
        reached |= last
    return reached
