"""The whole way, from a job to a result folder: what the command, the batch and the panel run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Literal

import numpy as np
from scipy.spatial import ConvexHull

from seamwright.checks import (
    Check,
    ShellLine,
    require_all_shells,
    require_closed,
    require_fit,
    require_volume,
)
from seamwright.cure import cures
from seamwright.errors import BadInput, Misfit, Progress
from seamwright.figure import require_solid, true_size
from seamwright.files import (
    as_written,
    read_figure,
)
from seamwright.fit import Fit, fit
from seamwright.flaws import old_flaws, overlapping_shells
from seamwright.gaps import require_gaps
from seamwright.imprint import imprinted, jointed
from seamwright.inspection import Inspection, inspect
from seamwright.interface import Interface, choices, interfaces
from seamwright.job import Job
from seamwright.joint import Joint
from seamwright.known import Known, key_of
from seamwright.loads import Weight, afloat, weight
from seamwright.loose import LoosePeg, loose_pegs
from seamwright.markings import (
    Markings,
    after_mending,
    at_true_size,
    crossed,
    markings_of_file,
    required,
    with_balls,
)
from seamwright.mend import mend
from seamwright.mesh import FloatArray, Mesh
from seamwright.order import Order, order
from seamwright.pieces import Piece, slivers, take_apart
from seamwright.platform import Platform, platform_of
from seamwright.printer import PrinterProfile
from seamwright.proof import require_one_way
from seamwright.rod import END_GAP, Bore, bores
from seamwright.seam import place
from seamwright.sizing import joints as sized_joints
from seamwright.span import Spans, spans
from seamwright.strength import Strength, strengths
from seamwright.strength import warnings as weak_joints
from seamwright.trials import Fits

_WAYS: tuple[Literal["turned", "any"], ...] = ("turned", "any")

FINEST = 0.01
"""mm between the places files can tell apart, at most: a tenth of what a layer can show."""


@dataclass(frozen=True, eq=False)
class Figure:
    """A figure ready to be parted: at true size, mended, marked, and what was found on the way."""

    mesh: Mesh
    inspection: Inspection
    mended: tuple[str, ...]
    markings: Markings


@dataclass(frozen=True, eq=False)
class Result:
    """Everything made from one job, checked, still in memory.

    blanks : the pieces without pegs, sockets and bores.
    misfit : what there is to say of pieces that fit no printer, if that was no reason to stop.
    known : what was found on the way, for the next result, see `make`.
    """

    job: Job
    figure: Figure
    pieces: tuple[Piece, ...]
    joints: tuple[Joint, ...]
    fits: dict[int, Fit]
    ledger: tuple[ShellLine, ...]
    checks: tuple[Check, ...]
    warnings: tuple[str, ...] = ()
    weights: Mapping[int, Weight] = field(default_factory=dict)
    strengths: tuple[Strength, ...] = ()
    order: Order = field(default_factory=Order)
    loose: tuple[LoosePeg, ...] = ()
    bores: tuple[Bore, ...] = ()
    blanks: tuple[Piece, ...] = ()
    misfit: Misfit | None = None
    known: Known = field(default_factory=Known, repr=False)

    def require_fitting(self) -> None:
        """Raise `Misfit` if a piece fits no printer: such a result is only to be looked at."""
        if self.misfit is not None:
            raise Misfit(str(self.misfit), self.misfit.pieces)

    @property
    def printable(self) -> tuple[Piece, ...]:
        """The pieces, and the loose pegs with the numbers that follow."""
        pegs = enumerate(self.loose, start=len(self.pieces) + 1)
        return (*self.pieces, *(Piece(n, peg.mesh) for n, peg in pegs))


def load(job: Job, folder: Path) -> tuple[Mesh, str]:
    """The figure's mesh as in its file, and its unit. `folder` is where the job lies.

    Raises
    ------
    BadInput
        If the job names no file, or neither job nor file says what the unit is.
    """
    if job.figure.file is None:
        raise BadInput(
            f"Job '{job.name}' names no figure file; add file = \"…\" under [figure], or run it "
            "through Blender on an object."
        )
    path = folder / job.figure.file
    read = read_figure(path)
    if read.unit and job.figure.unit not in (None, read.unit):
        raise BadInput(
            f"'{path}' carries its own unit; take unit = \"{job.figure.unit}\" out of [figure]."
        )
    unit = read.unit or job.figure.unit
    if unit is None:
        raise BadInput(
            f"'{path}' carries no unit; add unit = \"mm\" (or cm, m, in, ft) under [figure]."
        )
    return read.mesh, unit


def load_marked(job: Job, folder: Path) -> tuple[Mesh, str, Markings]:
    """As `load`, and what of the job's keep-clear area the file carries."""
    mesh, unit = load(job, folder)
    choice = job.figure
    path = folder / str(choice.file)
    return mesh, unit, markings_of_file(mesh, path, choice.keep_clear, choice.natural_lines)


def prepare(
    source: Mesh,
    unit: str,
    job: Job,
    markings: Markings | None = None,
    progress: Progress | None = None,
) -> Figure:
    """Bring a figure to true size, inspect it, and mend it unless the job says not to.

    Parameters
    ----------
    markings : on the source, as `load_marked` gives them; the job's balls are added here.

    Raises
    ------
    BadInput
        If the figure cannot be used, or the job marks what was not read with the source.
    Cancelled
        If `progress` raises it.
    """
    choice = job.figure
    require_solid(source, f"Figure '{job.name}'")
    sized = true_size(
        source, unit=unit, scale=choice.scale, target_height=choice.target_height, up=choice.up
    )
    marked = at_true_size(
        required(markings, source, choice.keep_clear, choice.natural_lines), source,
        unit=unit, scale=choice.scale, target_height=choice.target_height, up=choice.up,
    )  # fmt: skip
    if not choice.mend:
        found = inspect(sized, job.printer.usable)
        return Figure(sized, found, (), with_balls(marked, choice.keep_clear, sized))
    mended = mend(sized, progress=progress)
    # What mending had to leave is judged at the seams, which may be sound all the same.
    if not len(mended.mesh.faces):
        raise BadInput(
            f"Figure '{job.name}' has no faces left that enclose anything; give it thickness."
        )
    found = inspect(mended.mesh, job.printer.usable)
    marked = with_balls(after_mending(marked, sized, mended.mesh), choice.keep_clear, mended.mesh)
    return Figure(mended.mesh, found, mended.done + mended.left, marked)


@dataclass(frozen=True, eq=False)
class Sized:
    """A figure taken apart, its joints and rods sized, with nothing set into the pieces yet."""

    blanks: tuple[Piece, ...]
    faces: tuple[Interface, ...]
    bores: tuple[Bore, ...]
    joints: tuple[Joint, ...]


def sized(
    figure: Figure, job: Job, progress: Progress | None = None, known: Known | None = None
) -> Sized:
    """Part a prepared figure and size its joints, as `make` does.

    known : what was found for an earlier result.

    Raises
    ------
    BadInput
        If a seam cannot be parted as asked, or a joint or rod does not fit.
    Cancelled
        If `progress` raises it.
    """
    tell = progress or (lambda _done, _what: None)
    if not job.seams:
        raise BadInput(f"Job '{job.name}' has no seam; add one or more.")
    _require_near(figure.mesh, job.name)
    known = known or Known()
    tell(0.08, "parting")
    lines = _lines(figure.mesh, job, lambda done, what: tell(0.08 * done, what), known)
    blanks = take_apart(
        figure.mesh, job.seams, lambda done, what: tell(0.08 + 0.34 * done, what), lines
    )
    blanks = tuple(_as_before(piece, known) for piece in blanks)
    tell(0.42, "sizing joints")
    faces = interfaces(blanks, job.seams, lines)
    channels = bores(job.rods, blanks, faces, job.printer)
    joints = sized_joints(
        blanks, faces, job.printer, _fits(blanks, _platforms(job), known),
        choices=choices(faces, job.joints), bores=channels, known=known,
    )  # fmt: skip
    return Sized(blanks, faces, channels, joints)


def _lines(mesh: Mesh, job: Job, progress: Progress, known: Known) -> Spans:
    """What spans the job's line seams."""
    seams = tuple(seam for seam in job.seams if seam.line)
    if not seams:
        return spans(mesh, (), progress)

    key = key_of("spans", known.whole(mesh), seams)
    return _bare(known.of(key, lambda: _bare(spans(mesh, seams, progress))))


def _bare(found: Spans) -> Spans:
    """The same without what is found of its figure on the way, which is much to keep."""
    figure = found.figure
    return Spans(Mesh(figure.vertices, figure.faces, figure.tag), found.of)


def _as_before(piece: Piece, known: Known) -> Piece:
    """A blank with the mesh of an earlier one that is the same to the last bit."""
    key = known.whole(piece.mesh)
    mesh = known.of(key_of("blank", key), lambda: piece.mesh)
    return known.of(key_of("blank", piece.id, key), lambda: Piece(piece.id, mesh))


def make(
    figure: Figure,
    job: Job,
    progress: Progress | None = None,
    *,
    before: Result | None = None,
    keep_misfits: bool = False,
) -> Result:
    """Part a prepared figure, joint it, fit each piece, and check it all.

    before : an earlier result, such as that of the job before a seam was moved. What comes is
        the same to the last bit as without it, but what is as it was there is not made again,
        and a piece that is has the very same mesh.
    keep_misfits : give a result to look at also where pieces fit no printer; it says so and is
        neither planned nor written.

    Raises
    ------
    BadInput
        If a seam cannot be parted as asked.
    Misfit
        If a piece fits no printer.
    CheckFailed
        If any other check of the result does not hold.
    Cancelled
        If `progress` raises it.
    """

    def tell(done: float, what: str) -> None:
        if progress:
            progress(done, what)

    known = Known(None if before is None else before.known)
    found = sized(figure, job, lambda done, what: tell(0.6 * done, what), known)
    blanks, faces, channels, joints = found.blanks, found.faces, found.bores, found.joints
    tell(0.6, "setting pegs and sockets")
    pieces = jointed(blanks, joints, channels, known)
    loose = loose_pegs(joints)
    fits, on = _all_fitted(pieces, job, lambda done, what: tell(0.65 + 0.2 * done, what), known)
    tell(0.85, "checking")
    shells, ledger = require_all_shells(
        figure.mesh, pieces, lambda done: tell(0.85 + 0.02 * done, "checking")
    )
    checks: tuple[Check, ...] = (
        require_closed(
            pieces, as_written, figure.mesh, lambda done: tell(0.87 + 0.02 * done, "checking")
        ),
        require_volume(figure.mesh, pieces, joints, channels),
        shells,
        require_gaps(pieces, joints, loose, channels, job.rods, job.printer.clearance, known),
    )
    misfit = None
    try:
        fitting = require_fit(
            fits, job.printer, lambda: _cured(fits, on, blanks, faces), others=_others(job)
        )
        checks += (fitting,)
    except Misfit as found_misfit:
        if not keep_misfits:
            raise
        misfit = found_misfit
    made = Result(
        job, figure, pieces, joints, fits, ledger, checks, loose=loose, bores=channels,
        blanks=blanks, misfit=misfit,
    )  # fmt: skip
    made = _judged(made, known, lambda done, what: tell(0.9 + 0.1 * done, what))
    return replace(made, known=known.settled())


def _judged(made: Result, known: Known, progress: Progress | None = None) -> Result:
    """The result with its weights, strengths, assembly order and all warnings."""
    pieces, joints, printer = made.pieces, made.joints, made.job.printer
    of_seams = _seam_warnings(made, known)
    alike = require_one_way(joints, known)
    printed = _weights(pieces, printer, known)
    # For weight and order a loose peg belongs to the piece that it is glued into first.
    standing = tuple(replace(j, loose=False) if j.loose else j for j in joints)
    glued = {n for j in joints if j.loose for n in (j.interface.piece_a, j.interface.piece_b)}
    held = tuple(
        Piece(b.id, imprinted(b, standing, made.bores)) if b.id in glued else p
        for p, b in zip(pieces, made.blanks, strict=True)
    )
    carried = _weights(held, printer, known)
    strong = strengths(pieces, joints, carried, printer, _rods(made))
    together = order(held, standing, made.blanks, progress)
    warnings = (
        *of_seams,
        *weak_joints(strong, afloat(pieces, joints)),
        *alike,
        *(fight.sentence for fight in together.fights),
    )
    return replace(made, weights=printed, strengths=strong, order=together, warnings=warnings)


def _seam_warnings(made: Result, known: Known) -> tuple[str, ...]:
    """What there is to say of seams and figure, whatever the joints."""
    job, figure, blanks = made.job, made.figure, made.blanks
    names = {seam.id: seam.name for seam in job.seams}
    warnings = slivers(blanks, job.printer.wall, job.seams, known)
    warnings += crossed(figure.mesh, figure.markings, [p.mesh for p in blanks], names)
    if not figure.inspection.is_sound:
        said = [
            known.of(
                key_of("old flaws", p.id, known.shape(p.mesh)),
                partial(old_flaws, (p,), as_written),
            )
            for p in made.pieces
        ]
        warnings = (*chain(*said), *warnings)
    if not job.figure.mend:
        key = key_of("overlapping shells", known.shape(figure.mesh))
        warnings = known.of(key, partial(overlapping_shells, figure.mesh)) + warnings
    return warnings


def _weights(pieces: tuple[Piece, ...], printer: PrinterProfile, known: Known) -> dict[int, Weight]:
    """By id, each piece as printed."""
    keys = {p.id: key_of("weight", known.shape(p.mesh), printer) for p in pieces}
    return {p.id: known.of(keys[p.id], partial(weight, p.mesh, printer)) for p in pieces}


def _rods(made: Result) -> dict[int, tuple[float, float]]:
    """The rod through each joint that has one: its diameter and how far it goes in, mm."""
    wide = {rod.name: rod.diameter for rod in made.job.rods}
    found: dict[int, tuple[float, float]] = {}
    for bore in made.bores:
        # Of a bore between two faces half is reckoned with for each; at a blind end the rod
        # stops short of the channel's.
        length = float(np.linalg.norm(bore.axis[1] - bore.axis[0]))
        deep = length / 2 if len(bore.joints) == 2 else length - END_GAP
        for k in bore.joints:
            before = found.get(k)
            if before is None or before[0] == wide[bore.rod]:
                least = deep if before is None else min(deep, before[1])
                found[k] = (wide[bore.rod], least)
    return found


def _require_near(mesh: Mesh, name: str) -> None:
    """Raise if a figure lies so far out that files in single precision would spoil it."""
    farthest = mesh.vertices[int(np.argmax(np.abs(mesh.vertices).max(axis=1)))]
    step = float(np.spacing(np.float32(np.abs(farthest).max())))
    if step > FINEST:
        raise BadInput(
            f"Figure '{name}' reaches to {place(farthest)}, so far from the origin that files "
            f"can only tell {step:.2g} mm apart there; move it to the origin."
        )


def _others(job: Job) -> tuple[PrinterProfile, ...]:
    """The printers that pieces may go to besides the job's own."""
    return tuple(o.profile for o in job.builds.printers)


def _platforms(job: Job) -> tuple[Platform, ...]:
    """What pieces may stand on, the job's own printer first."""
    return tuple(platform_of(profile) for profile in (job.printer, *_others(job)))


def _all_fitted(
    pieces: tuple[Piece, ...], job: Job, progress: Progress, known: Known
) -> tuple[dict[int, Fit], dict[int, Platform]]:
    """By id, each piece's fit and the platform it is on."""
    platforms = _platforms(job)
    fits, on = {}, {}
    for n, piece in enumerate(pieces):
        progress(n / len(pieces), f"fitting piece {piece.id}")
        key = key_of("fit", known.shape(piece.mesh), platforms)
        fits[piece.id], on[piece.id] = known.of(key, partial(_fitted, piece, platforms))
    return fits, on


def _fitted(piece: Piece, platforms: tuple[Platform, ...]) -> tuple[Fit, Platform]:
    """The fit on the first platform that takes a piece; else on the one it misses by least."""
    missed = []
    for platform in platforms:
        found = fit(piece.mesh.vertices, platform)
        if found.way != "none":
            return found, platform
        missed.append((found, platform))
    return min(missed, key=lambda m: m[0].miss)


def _cured(
    fits: Mapping[int, Fit],
    on: Mapping[int, Platform],
    blanks: tuple[Piece, ...],
    faces: tuple[Interface, ...],
) -> dict[int, str]:
    """What would make each piece fit the platform that it misses by least."""
    found: dict[int, str] = {}
    for platform in dict.fromkeys(on[n] for n, f in fits.items() if f.way == "none"):
        mine = {n: f for n, f in fits.items() if on[n] == platform}
        found |= cures(mine, blanks, faces, platform)
    return found


def _fits(blanks: tuple[Piece, ...], platforms: tuple[Platform, ...], known: Known) -> Fits:
    """Whether a blank with peg ends added fits some platform, judged on its hull."""
    mesh_of = {p.id: p.mesh for p in blanks}
    hulls: dict[int, FloatArray] = {}

    def fits(number: int, ends: FloatArray) -> bool:
        shape = known.shape(mesh_of[number])
        found = known.of(key_of("blank fits", shape, platforms), lambda: alone(number))
        # A piece that is too large by itself is not the pegs' fault: the fit check says so.
        if found is None:
            return True
        key = key_of("fits with pegs", shape, platforms, ends)
        return known.of(key, lambda: with_pegs(number, ends, *found))

    def alone(number: int) -> tuple[Fit, Platform] | None:
        return fitted_somehow(hull(number))

    def with_pegs(number: int, ends: FloatArray, was: Fit, on: Platform) -> bool:
        points = np.concatenate([hull(number), ends])
        # Mostly it still fits the way it did.
        as_was = fit(points @ was.rotation.T, on, allow="upright")
        return as_was.way != "none" or fitted_somehow(points) is not None

    def hull(number: int) -> FloatArray:
        if number not in hulls:
            points = mesh_of[number].vertices
            hulls[number] = points[ConvexHull(points).vertices]
        return hulls[number]

    def fitted_somehow(points: FloatArray) -> tuple[Fit, Platform] | None:
        # Most pieces fit as they stand or turned, which is quick to see.
        tried = ((fit(points, p, allow=way), p) for way in _WAYS for p in platforms)
        return next((found for found in tried if found[0].way != "none"), None)

    return fits
