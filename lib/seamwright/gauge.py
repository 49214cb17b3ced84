"""The gauge: a bar of sockets of growing clearance and one peg, to find a printer's own.

Peg and sockets are joints like any other, sized by the same profile and imprinted by the
same code, so that what is tested is what is printed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np

from seamwright import __version__
from seamwright.checks import Check, require_closed, require_files_hold
from seamwright.clearance import WIDEST, grade, most
from seamwright.errors import BadInput
from seamwright.files import as_written, write_both, write_folder_whole
from seamwright.fit import fit
from seamwright.footprint import grooved
from seamwright.gaps import require_gaps
from seamwright.imprint import imprinted
from seamwright.interface import Interface, Seat
from seamwright.job import Job
from seamwright.joint import Joint, Peg, letter
from seamwright.mesh import FloatArray, Mesh
from seamwright.offsets import offset
from seamwright.patch import patches
from seamwright.pieces import Piece
from seamwright.places import DEPTH_SHARES, MOST_TAPER, narrowest, taper
from seamwright.platform import platform_of
from seamwright.printer import PrinterProfile
from seamwright.proof import GROOVES_TRIED, groove
from seamwright.seam import Seam
from seamwright.seating import other_seatings
from seamwright.wishes import footprint_of

WIDTH = 12.0
"""Width of the gauge's peg unless given, mm: a limb of about 55 mm gets such a peg."""

SOCKETS = 7
"""How many sockets: the profile's clearance and three steps to either side of it."""

FILAMENT_STEP, RESIN_STEP = 5, 2
"""Hundredths of a mm from socket to socket: a quarter of the default clearance, a fifth of it
(common practice, no source)."""

FINE_NOZZLE = 0.2
"""Nozzles finer than this, mm, are a resin printer's pixels."""

STROKE = 1.0
"""Least width of an engraved stroke, mm: two and a half nozzles of 0.4 mm leave a groove that
stays open (common practice, no source)."""

ENGRAVED = 1.0
"""Depth of the marks, mm, or three layers if that is more: deep enough to throw a shadow
(common practice, no source)."""

BAR, PEG = 1, 2
"""Piece numbers of the gauge's two halves, as in its files."""

_SEGMENTS = (
    "abcdef",
    "bc",
    "abdeg",
    "abcdg",
    "bcfg",
    "acdfg",
    "acdefg",
    "abc",
    "abcdefg",
    "abcdfg",
)
"""Strokes of 0 to 9: a on top, b and c down the right, d at the bottom, e and f up the left,
g across the middle."""


@dataclass(frozen=True, eq=False)
class Gauge:
    """A fit gauge as it is printed: both halves lie on z = 0.

    Attributes
    ----------
    profile : that it was made for.
    bar : its sockets open upward; marks are read from the front, -y, numbers growing with x.
    peg : stands on a handle with the same cut-off key, which shows the way it goes in.
    joints : one for each socket, in the bar's coordinates; each has the peg in its place.
    """

    profile: PrinterProfile
    bar: Mesh
    peg: Mesh
    joints: tuple[Joint, ...]

    @property
    def mass(self) -> float:
        """Grams of both halves printed solid."""
        return (self.bar.volume + self.peg.volume) / 1000 * self.profile.density

    def seated(self, number: int) -> Mesh:
        """The peg's half put home in socket 0, 1, 2 …: turned over about x and moved there."""
        joint = self.joints[number]
        (peg,) = joint.pegs
        points = self.peg.vertices * [1.0, -1.0, -1.0]
        corner = offset(peg.outline, self.profile.wall).min(axis=0)
        home = np.array([*corner, joint.frame.origin[2] - peg.depth])
        return Mesh(points - points.min(axis=0) + home, self.peg.faces, self.peg.tag)


def hundredths(profile: PrinterProfile) -> tuple[int, ...]:
    """The clearances of the sockets in hundredths of a mm, growing, the profile's in the middle.

    Near 0 they start at one step: nothing goes home without clearance.
    """
    step = RESIN_STEP if profile.nozzle < FINE_NOZZLE else FILAMENT_STEP
    first = max(step, round(100 * profile.clearance) - SOCKETS // 2 * step)
    return tuple(first + k * step for k in range(SOCKETS))


def typical_width(joints: tuple[Joint, ...]) -> float:
    """The middle one of all pegs' widths, mm, to the tenth.

    Raises
    ------
    BadInput
        If there are no pegs.
    """
    widths = sorted(p.width for j in joints for p in j.pegs)
    if not widths:
        raise BadInput("The job's joints have no pegs to size the gauge by; give a width in mm.")
    return round(widths[len(widths) // 2], 1)


def gauge(profile: PrinterProfile, width: float = WIDTH) -> Gauge:
    """The gauge of a printer.

    Parameters
    ----------
    width : across the peg, mm.

    Raises
    ------
    BadInput
        If such a peg cannot be printed, would come to a point or also seat in another way,
        or the bar does not fit the printer.
    """
    marks = hundredths(profile)
    depth = DEPTH_SHARES[-1] * width
    clip = _required_groove(profile, width, depth, marks[-1] / 100)
    kind, outline = footprint_of(width, 0.0)
    layout = _layout(profile, outline, marks)
    if layout is None:
        raise BadInput(_too_large(profile, width))
    height = depth + profile.seating_gap + profile.wall
    blank = _bar(layout, marks, height, profile)
    first = outline + layout.centres[0]
    handle = _prism(offset(first, profile.wall), height, height + max(width, 10.0))
    face = _interface(blank, handle, height)
    joints = tuple(
        Joint(
            letter(k), face,
            (Peg(kind, outline + at, width, depth, profile.wall, clip),), "B",
            mark / 100, profile.seating_gap, profile.draft, min(profile.lead_in, width / 6),
            f"socket {k + 1} of the gauge", relief=min(profile.relief, depth / 4),
        )
        for k, (mark, at) in enumerate(zip(marks, layout.centres, strict=True))
    )  # fmt: skip
    bar = imprinted(Piece(BAR, blank), joints)
    peg = imprinted(Piece(PEG, handle), joints[:1])
    points = peg.vertices * [1.0, -1.0, -1.0]
    laid = Mesh(points - points.min(axis=0), peg.faces, peg.tag)
    made = Gauge(profile, bar, laid, joints)
    if not (_fits(bar.size, profile) and _fits(laid.size, profile)):
        raise BadInput(_too_large(profile, width))
    return made


def checked(made: Gauge) -> tuple[Check, ...]:
    """What of a gauge was verified: closed meshes, and each gap by a distance query.

    Raises
    ------
    CheckFailed
        If something does not hold.
    """
    both = (Piece(BAR, made.bar), Piece(PEG, made.peg))
    closed = require_closed(both, as_written)
    for k, joint in enumerate(made.joints):
        require_gaps((both[0], Piece(PEG, made.seated(k))), (joint,))
    return closed, Check("gaps", f"{len(made.joints)} sockets have the clearance they are marked")


def what_to_do(made: Gauge, job: Path) -> tuple[str, ...]:
    """How to use the gauge, in sentences; `job` is the file to give again."""
    marks = [round(100 * j.clearance) for j in made.joints]
    key = "cut-off corners" if made.joints[0].pegs[0].shape == "square" else "flats"
    return (
        "Print both halves of the gauge as they lie, with the settings and material of the figure.",
        f"Try the peg by hand from socket {SOCKETS}, the widest, down to socket 1 (each has as "
        f"many dots); the {key} of handle and socket go together.",
        "The tightest in which it goes all the way home without force is the one that fits.",
        f"Its number is the clearance in hundredths of a mm: {marks[0]} is {marks[0] / 100:.2f} "
        f"mm, {marks[-1]} is {marks[-1] / 100:.2f} mm.",
        f"Then: python -m seamwright {job.name} --fitted {marks[len(marks) // 2] / 100:.2f} "
        "(with your number) writes a job with it.",
    )


def write_gauge(
    made: Gauge, checks: tuple[Check, ...], steps: tuple[str, ...], target: Path, *, replace: bool
) -> None:
    """Write the gauge's folder, whole or not at all: stl/, 3mf/, what-to-do.txt, report.json.

    Raises
    ------
    BadInput
        If the folder exists (without `replace`) or cannot be written.
    CheckFailed
        If a file does not hold what it should; the folder is then not there.
    """

    def fill(folder: Path) -> None:
        pieces = (Piece(BAR, made.bar), Piece(PEG, made.peg))
        read_back = {
            piece.id: write_both(piece.mesh, folder, stem, name=stem, number=piece.id)
            for piece, stem in zip(pieces, ("gauge-bar", "gauge-peg"), strict=True)
        }
        held = require_files_hold(pieces, read_back)
        lines = "\n".join(steps) + "\n"
        (folder / "what-to-do.txt").write_text(lines, encoding="utf-8", newline="\n")
        text = json.dumps(_report(made, (*checks, held)), indent=2, ensure_ascii=False) + "\n"
        (folder / "report.json").write_text(text, encoding="utf-8")

    write_folder_whole(target, replace, fill)


def fitted(job: Job, clearance: float) -> Job:
    """The job with the clearance that fitted, mm, in its printer profile.

    Raises
    ------
    BadInput
        If it is not above 0, or so wide that no peg would be keyed.
    """
    limit = most(WIDEST)
    if not 0 < clearance <= limit:
        hint = ""
        if limit < clearance <= 100 * limit:
            hint = f"; the gauge's numbers are hundredths, so {clearance:g} is {clearance / 100:g}"
        raise BadInput(
            f"A fitted clearance of {clearance:g} mm cannot be: give mm above 0 and at most "
            f"{limit:g}{hint}."
        )
    return replace(job, printer=replace(job.printer, clearance=clearance))


def _required_groove(profile: PrinterProfile, width: float, depth: float, widest: float) -> float:
    """The groove of a peg that goes home one way only in the widest socket, mm; refuses one that
    does not, or that could not be printed."""
    low = narrowest(profile)
    if not low <= width <= WIDEST:
        raise BadInput(
            f"The gauge's peg is {width:g} mm wide; {profile.name} makes pegs of {low:g} to "
            f"{WIDEST:g} mm."
        )
    if taper(depth, profile.draft, profile) > MOST_TAPER * width:
        raise BadInput(
            f"A draft of {profile.draft:g}° would bring the gauge's {width:g} mm peg to a point; "
            "use a smaller draft."
        )
    _, outline = footprint_of(width, 0.0)
    mouth = offset(outline, widest / np.cos(np.radians(profile.draft)))
    for clip in (share * groove(width) for share in GROOVES_TRIED):
        if not other_seatings([grooved(outline, clip) if clip else outline], [mouth]):
            return clip
    raise BadInput(
        f"In the gauge's widest socket, of {widest:.2f} mm, a {width:g} mm peg would go home "
        "in more than one way; make the gauge's peg wider or the clearance smaller."
    )


# --- the bar ---------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Layout:
    """Where everything goes on the bar.

    size : x and y of the bar, mm.
    centres : (K, 2) of the sockets, mm.
    stroke : width of engraved strokes, mm; the marks scale with it.
    below : from a socket's centre to the foot of its number, mm.
    """

    size: tuple[float, float]
    centres: FloatArray
    stroke: float
    below: float


# Measures of the marks in strokes.
_TALL, _BROAD, _APART, _DOT, _DOTS_APART = 6.0, 3.6, 1.2, 1.3, 2.2


def _layout(profile: PrinterProfile, outline: FloatArray, marks: tuple[int, ...]) -> _Layout | None:
    """Sockets in one row, or in as few as fit the printer; numbers and dots in front of each."""
    stroke = max(STROKE, 2.5 * profile.nozzle)
    lean = np.cos(np.radians(profile.draft))
    half = float(np.abs(outline).max()) + 1.1 * marks[-1] / 100 / lean + profile.relief
    number = (len(str(marks[-1])) * (_BROAD + _APART) - _APART) * stroke
    dots = ((len(marks) - 1) * _DOTS_APART + _DOT) * stroke
    pitch = max(2 * half + profile.wall, number + 2 * stroke, dots + 2 * stroke)
    below = half + profile.wall + _TALL * stroke
    row = profile.wall + (_DOT + 1) * stroke + below + half
    for rows in range(1, len(marks) + 1):
        columns = -(-len(marks) // rows)
        size = (columns * pitch + profile.wall, rows * row + profile.wall)
        if _fits(np.array([*size, 0.0]), profile):
            n = np.arange(len(marks))
            x = profile.wall / 2 + (n % columns + 0.5) * pitch
            y = (rows - n // columns) * row - half
            return _Layout(size, np.stack([x, y], axis=1), stroke, below)
    return None


def _fits(size: FloatArray, profile: PrinterProfile) -> bool:
    """Whether a box fits the printer as it lies, or after a quarter turn about z."""
    platform = platform_of(profile)
    x, y, z = size
    corners = np.array([[i * x, j * y, k * z] for k in (0, 1) for j in (0, 1) for i in (0, 1)])
    ways = (corners, corners[:, [1, 0, 2]])
    return any(fit(way, platform, allow="upright").way != "none" for way in ways)


def _too_large(profile: PrinterProfile, width: float) -> str:
    return (
        f"A gauge with a {width:g} mm peg does not fit {profile.name}, which has "
        f"{platform_of(profile).words} inside its margins; give a narrower peg."
    )


def _bar(layout: _Layout, marks: tuple[int, ...], height: float, profile: PrinterProfile) -> Mesh:
    """The bar with its marks engraved; its top is tagged as a seam face."""
    engraved = min(max(ENGRAVED, 3 * profile.layer_height), height / 2)
    outlines = []
    for number, (mark, at) in enumerate(zip(marks, layout.centres, strict=True), start=1):
        foot = at - [0.0, layout.below]
        outlines += [p + foot for p in _number(mark, layout.stroke)]
        outlines += [p + foot for p in _dots(number, layout.stroke)]
    drawn = manifold3d.CrossSection(outlines, manifold3d.FillRule.Positive)
    block = manifold3d.Manifold.cube((*layout.size, height))
    # Through the top, so that no two faces lie in it.
    tool = manifold3d.Manifold.extrude(drawn, 2 * engraved).translate((0, 0, height - engraved))
    out = (block - tool).to_mesh64()
    points, faces = np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts)
    top = np.abs(points[:, 2] - height) < 1e-6
    points = np.where(top[:, None] & [False, False, True], height, points)
    return Mesh.of(points, faces, top[faces].all(axis=1))


def _number(mark: int, stroke: float) -> list[FloatArray]:
    """(4, 2) outlines of a number's strokes; its foot is centred on the origin."""
    text = str(mark)
    left = -(len(text) * (_BROAD + _APART) - _APART) / 2
    strokes: list[FloatArray] = []
    for k, digit in enumerate(text):
        at = np.array([left + k * (_BROAD + _APART), 0.0])
        strokes += [stroke * (at + _stroke(name)) for name in _SEGMENTS[int(digit)]]
    return strokes


def _stroke(name: str) -> FloatArray:
    """(4, 2) one segment of a digit, in strokes from the digit's lower left corner."""
    w, h, m = _BROAD, _TALL, _TALL / 2
    x0, y0, x1, y1 = {
        "a": (0, h - 1, w, h), "b": (w - 1, m, w, h), "c": (w - 1, 0, w, m), "d": (0, 0, w, 1),
        "e": (0, 0, 1, m), "f": (0, m, 1, h), "g": (0, m - 0.5, w, m + 0.5),
    }[name]  # fmt: skip
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=float)


def _dots(number: int, stroke: float) -> list[FloatArray]:
    """(16, 2) outlines of as many dots, in a row in front of the number's foot."""
    turn = 2 * np.pi * np.arange(16) / 16
    dot = _DOT / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    x = _DOTS_APART * (np.arange(number) - (number - 1) / 2)
    return [stroke * (dot + np.array([at, -1 - _DOT / 2])) for at in x]


# --- the peg ---------------------------------------------------------------------------


def _prism(outline: FloatArray, low: float, high: float) -> Mesh:
    """A convex (N, 2) outline from one height to another; its lower end is tagged."""
    n = len(outline)
    points = np.concatenate([np.column_stack([outline, np.full(n, z)]) for z in (low, high)])
    here = np.arange(n)
    after = (here + 1) % n
    fan = np.stack([np.zeros(n - 2, dtype=int), here[1:-1], here[2:]], axis=1)
    sides = [
        np.stack([here, after, after + n], axis=1),
        np.stack([here, after + n, here + n], axis=1),
    ]
    faces = np.concatenate([fan[:, ::-1], fan + n, *sides])
    return Mesh.of(points, faces, np.arange(len(faces)) < n - 2)


def _interface(bar: Mesh, handle: Mesh, height: float) -> Interface:
    """Where the handle's underside meets the bar's top, as if a seam had parted them."""
    seam = Seam(1, "gauge", (0.0, 0.0, height), (0.0, 0.0, 1.0))
    (above,) = patches(handle, 1, seam.frame)
    # Islands within a 0, 6, 8 or 9 are patches of their own.
    below = max(patches(bar, 1, seam.frame), key=lambda p: p.region.area)
    region = above.region
    centre = seam.frame.to_world(region.centroid)
    return Interface(seam, PEG, BAR, seam.frame, region.area, centre, Seat(above, below, region))


def _report(made: Gauge, checks: tuple[Check, ...]) -> dict[str, Any]:
    """The gauge's report: its peg, its sockets and what was checked."""
    (peg,) = made.joints[0].pegs
    return {
        "seamwright": __version__,
        "printer": made.profile.name,
        "peg": {
            "shape": peg.shape,
            "width_mm": peg.width,
            "depth_mm": round(peg.depth, 3),
            "draft_degrees": made.profile.draft,
            "seating_gap_mm": made.profile.seating_gap,
        },
        "solid_mass_g": round(made.mass, 1),
        "sockets": [
            {
                "dots": number,
                "mark": str(round(100 * joint.clearance)),
                "clearance_mm": joint.clearance,
                "clearance_grade": grade(joint.clearance, peg.width),
            }
            for number, joint in enumerate(made.joints, start=1)
        ],
        "checks": [{"check": c.name, "found": c.found} for c in checks],
    }
