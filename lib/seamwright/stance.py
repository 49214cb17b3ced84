"""Stance: whether the standing figure topples, and what base or ballast would keep it up.

The figure is taken as one rigid body on level ground that does not slip. It tips over an edge
of its footprint, the convex hull of where it touches the ground, once its mass centre is no
longer above it: J. L. Meriam, L. G. Kraige, "Engineering Mechanics: Statics", chapter 3 (from
memory). Pushes are reckoned as if they grew slowly; wind, knocks and soft ground are not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq, linprog
from scipy.spatial import ConvexHull

from seamwright.errors import BadInput
from seamwright.loads import GRAVITY, GROUND, Weight
from seamwright.mesh import FloatArray
from seamwright.order import heading
from seamwright.outline import point_segment_distance
from seamwright.pieces import Piece
from seamwright.printer import PrinterProfile
from seamwright.seam import place

ANGLE = 10.0
"""Degrees that a figure should lean before it tips (common practice, no source)."""

HEAD = 0.93
"""Height of a head's middle as a share of a standing figure's: seven and a half heads to a
figure, the artists' canon (from memory)."""

NARROW = 0.01
"""A footprint narrower than this share of the height is a point or a line: with its mass
centre half way up, a figure tips there at about half a degree."""

FIRM = 0.1
"""Share of the ground's thickness within which an even sole still touches everywhere."""

LAID = 30.0
"""Height of the mass centre of ballast that is laid on the ground, mm: a flat bag of sand or a
slab (common practice, no source)."""

SAND = 1.6
"""g/cm³ of dry sand as poured (from memory)."""

HEAVY = 5.0
"""Ballast of more than so many times the figure's own mass is no remedy (common practice, no
source)."""

DEFER = (
    "Local rules for public display go before this estimate, and whether a figure may stand "
    "near people is for a licensed professional to judge."
)
"""What goes before any number here."""


@dataclass(frozen=True)
class Plate:
    """What a base plate is made of; the default is plywood.

    thickness : mm. density : g/cm³; 0.65 is what birch plywood has (from memory).
    """

    material: str = "plywood"
    thickness: float = 18.0
    density: float = 0.65

    def __post_init__(self) -> None:
        for key in ("thickness", "density"):
            if not 0 < getattr(self, key) < float("inf"):
                raise BadInput(
                    f"Base plate of {self.material}: {key} is {getattr(self, key):g}; "
                    "it must be above 0."
                )


def _heavy(mass: float, digits: int = 1) -> str:
    """A mass in g as it is read: in kg from 100 g on."""
    return f"{mass / 1000:.{digits}f} kg" if mass >= 100 else f"{mass:.0f} g"


def _strong(push: float) -> str:
    """A push in N as it is read."""
    return f"{push:.1f}" if push >= 0.1 or push == 0 else f"{push:.1g}"


def _whole(place: FloatArray) -> FloatArray:
    """A place in whole mm, none of them -0."""
    return np.round(place) + 0.0


@dataclass(frozen=True)
class Base:
    """A base plate under the mass centre, to which the figure is fixed.

    shape : of the plate. across : diameter or side, mm. mass : of the plate, g.
    plate : what it is made of.
    """

    shape: Literal["round", "square"]
    across: float
    mass: float
    plate: Plate

    @property
    def phrase(self) -> str:
        return (
            f"a {self.shape} base plate of {self.plate.thickness:g} mm {self.plate.material}, "
            f"{np.ceil(self.across):.0f} mm {'across' if self.shape == 'round' else 'a side'} "
            f"({_heavy(self.mass)})"
        )


@dataclass(frozen=True, eq=False)
class Ballast:
    """Ballast that would make the figure reach the wanted angle.

    where : what it is and where, in words.
    centre : (3,) of its mass, mm. height : of that above the ground, mm.
    mass : g that is enough; inf where no mass is. room : g that there is room for.
    """

    where: str
    centre: FloatArray
    height: float
    mass: float
    room: float = float("inf")

    @property
    def fits(self) -> bool:
        """Whether there is such a mass, and room for it."""
        return bool(np.isfinite(self.mass) and self.mass <= self.room)

    @property
    def phrase(self) -> str:
        return (
            f"{_heavy(self.mass)} of {self.where}, its middle {self.height:.0f} mm above the ground"
        )


@dataclass(frozen=True, eq=False)
class Stance:
    """How the figure stands.

    Attributes
    ----------
    mass : g of the figure as printed, and of what is fixed to it.
    centre : (3,) mass centre, mm.
    ground : the level it stands on, mm. height : of the figure above it, mm.
    footprint : (N, 2) convex outline on the ground, counter-clockwise, mm.
    margin : from the mass centre to the footprint's nearest edge in plan, mm; below 0 where
        it lies outside and the figure falls by itself.
    towards : (3,) level unit vector: the way it tips most easily.
    wanted : the tipping angle asked for, degrees.
    head : height at which a push is reckoned, mm above the ground.
    even : whether the sole is flat enough to touch all over the footprint.
    bases, ballasts : what would reach the wanted angle, each by itself.
    """

    mass: float
    centre: FloatArray
    ground: float
    height: float
    footprint: FloatArray
    margin: float
    towards: FloatArray
    wanted: float
    head: float
    even: bool
    bases: tuple[Base, ...]
    ballasts: tuple[Ballast, ...]

    @property
    def rise(self) -> float:
        """Height of the mass centre above the ground, mm."""
        return float(self.centre[2]) - self.ground

    @property
    def angle(self) -> float:
        """Degrees the ground may slope in the worst direction before the figure tips."""
        return float(np.degrees(np.arctan2(self.margin, self.rise)))

    @property
    def stands(self) -> bool:
        """Whether the tipping angle is the one asked for, or more."""
        return self.angle >= self.wanted - 1e-9

    def angles(self, directions: FloatArray) -> FloatArray:
        """(N,) tipping angle in each of (N, 2) level directions, degrees.

        On ground that slopes down in a direction, the figure tips when a plumb line from its
        mass centre leaves the footprint that way. Below 0 where it does so on level ground.
        """
        unit = directions / np.linalg.norm(directions, axis=1, keepdims=True)
        outward, room = _edges(self.footprint, self.centre[:2])
        towards = unit @ outward.T
        with np.errstate(divide="ignore", invalid="ignore"):
            way = np.where(towards > 1e-12, room / towards, np.inf).min(axis=1)
        return np.asarray(np.degrees(np.arctan2(way, self.rise)))

    def push(self, height: float) -> float:
        """N of the least level push, slowly grown, that tips the figure.

        Moments about the edge it tips over: F h = m g d. With less grip than F / (m g) on the
        ground it slides first.

        height : of the push above the ground, mm.
        """
        if not height > 0:
            raise BadInput(f"A push at {height:g} mm does not tip anything; give a height above 0.")
        return self.mass / 1000 * GRAVITY * max(self.margin, 0.0) / height

    @property
    def sentence(self) -> str:
        if self.margin < 0:
            return (
                f"The figure weighs {_heavy(self.mass, 2)} and falls over by itself: its mass "
                f"centre, {self.rise:.0f} mm up, lies {-self.margin:.0f} mm outside its "
                f"footprint, {heading(self.towards)}."
            )
        return (
            f"The figure weighs {_heavy(self.mass, 2)} and tips at {self.angle:.1f}° "
            f"({self.wanted:g}° wanted), {heading(self.towards)}: its mass centre is "
            f"{self.rise:.0f} mm up and {self.margin:.0f} mm inside its footprint. A push of "
            f"{_strong(self.push(self.height))} N at its top, {self.height:.0f} mm up, or "
            f"{_strong(self.push(self.head))} N at head height, {self.head:.0f} mm up, tips it "
            "(an estimate)."
        )

    @property
    def remedies(self) -> tuple[str, ...]:
        """What would each by itself reach the wanted angle, as phrases; none if it is reached."""
        if self.stands:
            return ()
        return (*(b.phrase for b in self.bases), *(b.phrase for b in self._light))

    @property
    def _light(self) -> list[Ballast]:
        return [b for b in self.ballasts if b.fits and b.mass <= HEAVY * self.mass]

    @property
    def warning(self) -> str:
        """What is to be said if it does not stand as asked; empty if it does."""
        said = []
        if not self.stands:
            x, y = _whole(self.centre[:2])
            said.append(
                f"{self.sentence} What would reach {self.wanted:g}°: "
                f"{'; '.join(self.remedies)}; a plate goes with its middle under the mass centre "
                f"at x {x:.0f}, y {y:.0f} mm, the figure fixed to it."
            )
            if self.margin < 0:
                said.append(
                    "Ballast that only lowers the mass centre cannot help while that lies outside "
                    "the footprint."
                )
            elif not self._light:
                said.append(
                    "Ballast alone does not reach it, or only with more than "
                    f"{HEAVY:g} times what the figure weighs."
                )
        if not self.even:
            said.append(
                "The sole is round or uneven, so the figure touches the ground on much less than "
                "its footprint: flatten it or fix the figure to a base."
            )
        return " ".join([*said, DEFER]) if said else ""


def stance(
    pieces: tuple[Piece, ...],
    masses: Mapping[int, Weight],
    profile: PrinterProfile,
    *,
    fixed: tuple[Weight, ...] = (),
    wanted: float = ANGLE,
    head: float | None = None,
    plate: Plate | None = None,
) -> Stance:
    """How the figure stands on its lowest level.

    Parameters
    ----------
    pieces : in place, as they stand, mm.
    masses : by id, of the pieces as printed, see `loads.weights`.
    profile : that they are printed with: its shell says what room there is for ballast.
    fixed : what else is fixed to the figure, such as rods, magnets or a lantern.
    wanted : tipping angle asked for, degrees.
    head : height above the ground at which a push is reckoned, mm; `HEAD` of the figure's
        height if None.
    plate : what base plates are reckoned of; plywood if None.

    Raises
    ------
    BadInput
        If the figure touches the ground on a point or a line only, weighs nothing, or a
        value is out of range.
    """
    if not pieces:
        raise BadInput("There is no piece that could stand; give the figure's pieces.")
    if not 0 < wanted <= 45:
        raise BadInput(f"A tipping angle of {wanted:g}° is asked for; give one from 0° to 45°.")
    mass, centre = _together(pieces, masses, fixed)
    low = min(float(p.mesh.bounds[0, 2]) for p in pieces)
    height = max(float(p.mesh.bounds[1, 2]) for p in pieces) - low
    level = HEAD * height if head is None else head
    if not 0 < level <= height:
        raise BadInput(
            f"A push is asked for {level:g} mm above the ground, but the figure is "
            f"{height:.0f} mm tall; give a height within it."
        )
    outline = footprint(_touching(pieces, low, GROUND * height), NARROW * height)
    margin, towards = _margin(outline, centre[:2])
    rise, slope = float(centre[2]) - low, float(np.tan(np.radians(wanted)))
    if not rise > 0:
        raise BadInput("The mass centre lies below the ground; check what is fixed to the figure.")
    found = plate or Plate()
    cover = outline - centre[:2]
    bases = (
        _base("round", float(np.hypot(*cover.T).max()), mass, rise, slope, found),
        _base("square", float(np.abs(cover).max()), mass, rise, slope, found),
    )
    ballasts = tuple(
        _enough(b, mass, centre, low, outline, slope)
        for b in (_laid(outline, low), _poured(pieces, low, GROUND * height, profile))
    )
    even = margin <= 0 or _is_even(_touching(pieces, low, FIRM * GROUND * height), centre, margin)
    return Stance(
        mass, centre, low, height, outline, margin, np.array([*towards, 0.0]), wanted, level,
        even, bases, ballasts,
    )  # fmt: skip


def footprint(points: FloatArray, least: float) -> FloatArray:
    """The (N, 2) convex outline, counter-clockwise, of where a figure touches the ground.

    Parameters
    ----------
    points : (K, 3) where it touches, mm.
    least : what is narrower than this, mm, is too narrow to stand on.

    Raises
    ------
    BadInput
        If that is a point or a line.
    """
    flat = points[:, :2] - points[:, :2].mean(axis=0)
    axes = np.linalg.svd(flat, full_matrices=False)[2] if len(flat) > 1 else np.eye(2)
    long, across = np.sort(np.ptp(flat @ axes.T, axis=0))[::-1]
    outline = np.zeros((0, 2))
    if across > 1e-6 * least:
        outline = points[ConvexHull(flat).vertices, :2]
        outward, _ = _edges(outline, outline[0])
        across = float(np.ptp(outline @ outward.T, axis=0).min())
    if across < least:
        what = "a point" if long < least else f"a line {across:.1f} mm wide"
        raise BadInput(
            f"The figure stands on {what} at {place(points.mean(axis=0))} and cannot keep up by "
            "itself; give it a flat sole or a base."
        )
    return np.asarray(outline)


# --- the figure ------------------------------------------------------------------------------


def _together(
    pieces: tuple[Piece, ...], masses: Mapping[int, Weight], fixed: tuple[Weight, ...]
) -> tuple[float, FloatArray]:
    """Mass, g, and (3,) mass centre of the pieces and of what is fixed to them."""
    for piece in pieces:
        if piece.id not in masses:
            raise BadInput(f"Piece {piece.id} has no mass; weigh all pieces.")
    all_ = [*(masses[p.id] for p in pieces), *fixed]
    grams = np.array([w.mass for w in all_])
    if not (grams >= 0).all() or not 0 < grams.sum() < np.inf:
        raise BadInput("A mass is below 0 or there is none at all; give every mass in grams.")
    centres = np.array([w.centre for w in all_], dtype=np.float64)
    if not np.isfinite(centres).all():
        raise BadInput("A mass centre is not a number; give it in mm.")
    return float(grams.sum()), np.asarray(grams @ centres / grams.sum())


def _touching(pieces: tuple[Piece, ...], low: float, near: float) -> FloatArray:
    """(K, 3) vertices of the pieces no more than `near` mm above the level `low`."""
    return np.concatenate([p.mesh.vertices[p.mesh.vertices[:, 2] <= low + near] for p in pieces])


def _edges(outline: FloatArray, point: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(N, 2) outward normals of a convex outline's edges; (N,) from (2,) a point to each, mm."""
    along = np.roll(outline, -1, axis=0) - outline
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    return outward, np.asarray(((outline - point) * outward).sum(axis=1))


def _margin(outline: FloatArray, point: FloatArray) -> tuple[float, FloatArray]:
    """From a point to a convex outline, mm, and (2,) the way there; below 0 from outside."""
    outward, room = _edges(outline, point)
    nearest = int(np.argmin(room))
    if room[nearest] >= 0:
        return float(room[nearest]), outward[nearest]
    after = np.roll(outline, -1, axis=0)
    gaps = point_segment_distance(point[None], outline, after)
    k = int(np.argmin(gaps))
    a, along = outline[k], after[k] - outline[k]
    foot = a + np.clip((point - a) @ along / (along @ along), 0.0, 1.0) * along
    return -float(gaps[k]), np.asarray((point - foot) / gaps[k])


def _is_even(points: FloatArray, centre: FloatArray, margin: float) -> bool:
    """Whether what touches the ground closely leaves at least half the margin."""
    try:
        firm = footprint(points, NARROW * margin)
    except BadInput:
        return False
    return _margin(firm, centre[:2])[0] >= margin / 2


# --- remedies --------------------------------------------------------------------------------


def _base(
    shape: Literal["round", "square"],
    cover: float,
    mass: float,
    rise: float,
    slope: float,
    plate: Plate,
) -> Base:
    """The least plate that covers the footprint and reaches the wanted slope, itself counted.

    With its middle under the mass centre, its margin is half its width in the worst direction.
    The figure stands on top of it, and its own mass lowers the whole's mass centre.

    cover : half the width that covers the footprint, mm.
    """
    share = np.pi if shape == "round" else 4.0
    thick = plate.thickness

    def grams(half: float) -> float:
        return float(share * half**2 * thick / 1000 * plate.density)

    def short(half: float) -> float:
        own = grams(half)
        return slope * (mass * (rise + thick) + own * thick / 2) / (mass + own) - half

    # The whole's mass centre is never above that of the figure on top of the plate.
    most = slope * (rise + thick)
    half = max(float(brentq(short, 0.0, most, xtol=1e-9)), cover)
    return Base(shape, 2 * half, grams(half), plate)


def _laid(outline: FloatArray, low: float) -> Ballast:
    """Ballast laid on the ground as deep inside the footprint as can be."""
    outward, room = _edges(outline, np.zeros(2))
    # The largest circle in a convex outline: Boyd and Vandenberghe, "Convex Optimization",
    # section 4.3.1 (the Chebyshev centre).
    found = linprog(
        [0, 0, -1], np.column_stack([outward, np.ones(len(room))]), room,
        bounds=[(None, None), (None, None), (0, None)],
    )  # fmt: skip
    at = found.x[:2]
    x, y = _whole(at)
    where = f"ballast laid low at x {x:.0f}, y {y:.0f} mm, inside the footprint"
    return Ballast(where, np.array([*at, low + LAID]), LAID, 0.0)


def _poured(pieces: tuple[Piece, ...], low: float, near: float, profile: PrinterProfile) -> Ballast:
    """Sand poured into the pieces that stand on the ground, printed hollow.

    It is taken to fill them to the top, so its mass centre is not made out lower than it is.
    """
    standing = [p for p in pieces if p.mesh.bounds[0, 2] <= low + near]
    room, first, names = 0.0, np.zeros(3), []
    for piece in standing:
        mesh = piece.mesh
        about = mesh.bounds.mean(axis=0)
        a, b, c = (mesh.vertices[mesh.faces[:, k]] - about for k in range(3))
        parts = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6
        solid = float(parts.sum())
        inside = solid - float(mesh.areas.sum()) * profile.shell
        names.append(str(piece.id))
        if solid > 0 and inside > 0:
            room += inside
            first += inside * (about + parts @ (a + b + c) / 4 / solid)
    many = "pieces" if len(names) > 1 else "piece"
    where = f"sand poured into {many} {' and '.join(names)}, printed hollow"
    centre = first / room if room > 0 else np.array([*standing[0].mesh.bounds.mean(axis=0)])
    return Ballast(where, centre, float(centre[2]) - low, 0.0, room / 1000 * SAND)


def _enough(
    ballast: Ballast, mass: float, centre: FloatArray, low: float, outline: FloatArray, slope: float
) -> Ballast:
    """The same with the least mass that reaches the wanted slope over every edge.

    With d the distances in plan of figure and ballast from an edge and h their heights,
    the common mass centre reaches the slope t if m d + M D >= t (m h + M H), so that
    M >= m (t h - d) / (D - t H).
    """
    _, own = _edges(outline, centre[:2])
    _, there = _edges(outline, ballast.centre[:2])
    need = mass * (slope * (float(centre[2]) - low) - own)
    gain = there - slope * ballast.height
    short = need > 0
    grams = float("inf")
    if (gain[short] > 0).all():
        grams = float((need[short] / gain[short]).max(initial=0.0))
        # So much must not spoil an edge that is well off by itself.
        if not (need - grams * gain <= 1e-9 * mass).all():
            grams = float("inf")
    return Ballast(ballast.where, ballast.centre, ballast.height, grams, ballast.room)
