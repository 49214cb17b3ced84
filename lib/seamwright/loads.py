"""Loads: what each piece weighs as printed, and what each joint carries as the figure stands.

The figure stands still on its lowest level, as it is displayed, and only its own weight
acts. Where one joint alone holds a piece, what it carries follows from equilibrium. Where
joints form a ring, they share by stiffness: pieces are taken as rigid bodies that hang
together by springs at their joints' faces, as stiff as a beam of the face's section from the
one piece's mass centre to the other's. This is the rigid-bodies-spring model of T. Kawai,
"New discrete models and their application to seismic response analysis of structures",
Nuclear Engineering and Design 48 (1978).
"""

from __future__ import annotations

from dataclasses import dataclass

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
        inside += solid @ (a + b + c) / 4
        surface += float(area.sum())
        skin += area @ (a + b + c) / 3
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


def loads(
    pieces: tuple[Piece, ...],
    joints: tuple[Joint, ...],
    masses: dict[int, Weight],
    profile: PrinterProfile,
) -> tuple[Load, ...]:
    """What each joint carries, in order.

    Pieces that no joint ties to the ground hang on the lowest of them, see `afloat`.
    """
    number = {p.id: k for k, p in enumerate(pieces)}
    ends = [(number[j.interface.piece_a], number[j.interface.piece_b]) for j in joints]
    centres = np.array([masses[p.id].centre for p in pieces])
    low, height = _stand(pieces)
    on_ground, hung = _held(pieces, ends, low + GROUND * height)
    held = on_ground | hung
    size = max(height, 1e-9)
    whole = np.zeros((len(pieces), 6, len(pieces), 6))
    for k in sorted(held):
        at, stiff = _ground(pieces[k].mesh, centres[k], low, GROUND * height)
        move = _moves(at - centres[k], size)
        whole[k, :, k] += move.T @ stiff @ move
    springs = []
    for joint, (a, b) in zip(joints, ends, strict=True):
        area = face_moments(joint.interface)
        at = face_centre(joint.interface, area)
        axes = joint.frame.axes
        apart = float(np.abs((centres[[a, b]] - at) @ axes[2]).sum())
        glued = profile.glue > 0 and not joint.magnets
        counted = 1.0 if joint.pegs or glued else LOOSE
        stiff = counted * _stiffness(area, axes, max(apart, 0.1 * np.sqrt(area.area)))
        ma, mb = _moves(at - centres[a], size), _moves(at - centres[b], size)
        for i, mi, si in ((a, ma, 1.0), (b, mb, -1.0)):
            for j, mj, sj in ((a, ma, 1.0), (b, mb, -1.0)):
                whole[i, :, j] += si * sj * mi.T @ stiff @ mj
        springs.append((at, stiff, ma, mb))
    pull = np.zeros((len(pieces), 6))
    pull[:, 2] = [-masses[p.id].newtons for p in pieces]
    square = 6 * len(pieces)
    shift = np.linalg.solve(whole.reshape(square, square), pull.ravel()).reshape(-1, 6)
    found = []
    for k, (joint, (at, stiff, ma, mb)) in enumerate(zip(joints, springs, strict=True)):
        a, b = ends[k]
        on_a = -stiff @ (ma @ shift[a] - mb @ shift[b])
        away = _cut_off(len(pieces), ends, k, held)
        outboard = tuple(p.id for p, off in zip(pieces, away, strict=True) if off)
        found.append(Load(on_a[:3], on_a[3:], at, joint.frame.axes, outboard))
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


def _moves(arm: FloatArray, size: float) -> FloatArray:
    """(6, 6) shift and turn at `arm` from a body's centre, from the body's shift and turn.

    Turns of bodies are counted in 1 / size, so that all unknowns are of like magnitude.
    """
    x, y, z = arm
    move = np.eye(6)
    move[3:, 3:] /= size
    # The shift by a turn is turn x arm.
    move[:3, 3:] = np.array([[0, z, -y], [-z, 0, x], [y, -x, 0]]) / size
    return move


def _stiffness(area: Moments, axes: FloatArray, length: float) -> FloatArray:
    """(6, 6) force and moment over shift and turn of a beam so long, over Young's modulus.

    Only the shares matter, so the modulus, the same for all, is left out.
    """
    local = np.zeros((6, 6))
    local[0, 0] = local[1, 1] = SHEAR_SHARE * area.area
    local[2, 2] = area.area
    (xx, xy), (_, yy) = area.second
    local[3:5, 3:5] = [[yy, -xy], [-xy, xx]]
    local[5, 5] = SHEAR_SHARE * area.torsion
    turn = np.kron(np.eye(2), axes)
    return np.asarray(turn.T @ local @ turn / length)


def _ground(
    mesh: Mesh, centre: FloatArray, low: float, near: float
) -> tuple[FloatArray, FloatArray]:
    """Where a piece stands, and the stiffness it stands with: of the box round its prints."""
    prints = mesh.vertices[mesh.vertices[:, 2] <= low + near]
    if not len(prints):
        prints = mesh.vertices[mesh.vertices[:, 2] <= mesh.bounds[0, 2] + near]
    least, most = prints[:, :2].min(axis=0), prints[:, :2].max(axis=0)
    x, y = most - least + max(near, 1e-9)
    middle = (least + most) / 2
    at = np.array([*middle, prints[:, 2].min()])
    rise = max(float(centre[2] - at[2]), 1e-3 * float(np.hypot(x, y)))
    return at, _stiffness(rectangle(float(x), float(y), middle), np.eye(3), rise)


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
