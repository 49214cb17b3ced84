"""The whole way, from a job to a result folder: what the command, the batch and the panel run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
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
from seamwright.choice import JointChoice
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
from seamwright.imprint import jointed, renewed
from seamwright.inspection import Inspection, inspect
from seamwright.interface import Interface, choices, chosen_at, interfaces
from seamwright.job import Job
from seamwright.joint import Joint
from seamwright.loads import Weight, afloat, weights
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
from seamwright.sizing import Fits, resized
from seamwright.sizing import joints as sized_joints
from seamwright.span import spans
from seamwright.strength import Strength, strengths
from seamwright.strength import warnings as weak_joints

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
    of_seams : the warnings that joints have no part in.
    misfit : what there is to say of pieces that fit no printer, if that was no reason to stop.
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
    of_seams: tuple[str, ...] = ()
    misfit: Misfit | None = None

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


def prepare(source: Mesh, unit: str, job: Job, markings: Markings | None = None) -> Figure:
    """Bring a figure to true size, inspect it, and mend it unless the job says not to.

    Parameters
    ----------
    markings : on the source, as `load_marked` gives them; the job's balls are added here.

    Raises
    ------
    BadInput
        If the figure cannot be used, or the job marks what was not read with the source.
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
    mended = mend(sized)
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


def sized(figure: Figure, job: Job, progress: Progress | None = None) -> Sized:
    """Part a prepared figure and size its joints, as `make` does.

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
    tell(0.08, "parting")
    lines = spans(figure.mesh, job.seams, lambda done, what: tell(0.08 * done, what))
    blanks = take_apart(
        figure.mesh, job.seams, lambda done, what: tell(0.08 + 0.34 * done, what), lines
    )
    tell(0.42, "sizing joints")
    faces = interfaces(blanks, job.seams, lines)
    channels = bores(job.rods, blanks, faces, job.printer)
    joints = sized_joints(
        blanks, faces, job.printer, _fits(blanks, _platforms(job)),
        choices=choices(faces, job.joints), bores=channels,
    )  # fmt: skip
    return Sized(blanks, faces, channels, joints)


def make(
    figure: Figure, job: Job, progress: Progress | None = None, *, keep_misfits: bool = False
) -> Result:
    """Part a prepared figure, joint it, fit each piece, and check it all.

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

    found = sized(figure, job, lambda done, what: tell(0.6 * done, what))
    blanks, faces, channels, joints = found.blanks, found.faces, found.bores, found.joints
    platforms = _platforms(job)
    tell(0.6, "setting pegs and sockets")
    pieces = jointed(blanks, joints, channels)
    loose = loose_pegs(joints)
    fits, on = {}, {}
    for n, piece in enumerate(pieces):
        tell(0.65 + 0.2 * n / len(pieces), f"fitting piece {piece.id}")
        fits[piece.id], on[piece.id] = _fitted(piece, platforms)
    tell(0.85, "checking")
    shells, ledger = require_all_shells(figure.mesh, pieces)
    checks: tuple[Check, ...] = (
        require_closed(pieces, as_written, figure.mesh),
        require_volume(figure.mesh, pieces, joints, channels),
        shells,
        require_gaps(pieces, joints, loose, channels, job.rods, job.printer.clearance),
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
    warnings = slivers(blanks, job.printer.wall, job.seams)
    names = {seam.id: seam.name for seam in job.seams}
    warnings += crossed(figure.mesh, figure.markings, [p.mesh for p in blanks], names)
    if not figure.inspection.is_sound:
        warnings = old_flaws(pieces, as_written) + warnings
    if not job.figure.mend:
        warnings = overlapping_shells(figure.mesh) + warnings
    made = Result(
        job, figure, pieces, joints, fits, ledger, checks, warnings, loose=loose, bores=channels,
        blanks=blanks, of_seams=warnings, misfit=misfit,
    )  # fmt: skip
    return _judged(made, lambda done, what: tell(0.9 + 0.1 * done, what))


def _judged(made: Result, progress: Progress | None = None) -> Result:
    """The result with its weights, strengths, assembly order and all warnings."""
    pieces, joints, printer = made.pieces, made.joints, made.job.printer
    alike = require_one_way(joints)
    printed = weights(pieces, printer)
    # For weight and order a loose peg belongs to the piece that it is glued into first.
    standing = tuple(replace(j, loose=False) if j.loose else j for j in joints)
    held = renewed(pieces, made.blanks, joints, standing, made.bores)
    carried = weights(held, printer) if made.loose else printed
    strong = strengths(pieces, joints, carried, printer, _rods(made))
    together = order(held, standing, made.blanks, progress)
    warnings = (
        *made.of_seams,
        *weak_joints(strong, afloat(pieces, joints)),
        *alike,
        *(fight.sentence for fight in together.fights),
    )
    return replace(made, weights=printed, strengths=strong, order=together, warnings=warnings)


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


def rejointed(result: Result, letter: str, choice: JointChoice) -> Result:
    """The result with one joint made anew, and only the two pieces it holds together.

    Checks are made again where something changed; the assembly order is found anew.

    Raises
    ------
    BadInput
        If there is no such joint or the choice does not fit.
    CheckFailed
        If a piece does not fit the printer any more or a check does not hold.
    """
    job, old = result.job, result.joints
    number = next((k for k, j in enumerate(old) if j.letter == letter), None)
    if number is None:
        raise BadInput(f"There is no joint {letter}; joints go from A to {old[-1].letter}.")
    blanks, profile, platforms = result.blanks, job.printer, _platforms(job)
    joints = resized(old, number, choice, blanks, profile, _fits(blanks, platforms), result.bores)
    pieces = renewed(result.pieces, blanks, old, joints, result.bores)
    fresh = tuple(p for p, was in zip(pieces, result.pieces, strict=True) if p is not was)
    fits = dict(result.fits)
    fits |= {p.id: _fitted(p, platforms)[0] for p in fresh}
    loose = loose_pegs(joints)
    figure = result.figure.mesh
    renewed_checks = {
        check.name: check
        for check in (
            require_volume(figure, pieces, joints, result.bores),
            require_gaps(pieces, joints, loose, result.bores, job.rods, profile.clearance),
            require_fit(fits, profile, others=_others(job)),
        )
    }
    require_closed(fresh, as_written, figure)
    checks = tuple(renewed_checks.get(c.name, c) for c in result.checks)
    faces = tuple(j.interface for j in joints)
    job = replace(job, joints=chosen_at(faces, job.joints, number, choice))
    return _judged(
        replace(
            result, job=job, joints=joints, pieces=pieces, fits=fits, loose=loose, checks=checks
        )
    )


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


def _fits(blanks: tuple[Piece, ...], platforms: tuple[Platform, ...]) -> Fits:
    """Whether a blank with peg ends added fits some platform, judged on its hull."""
    hulls: dict[int, FloatArray] = {}
    alone: dict[int, tuple[Fit, Platform] | None] = {}

    def fits(number: int, ends: FloatArray) -> bool:
        if number not in hulls:
            points = next(p.mesh.vertices for p in blanks if p.id == number)
            hulls[number] = points[ConvexHull(points).vertices]
            alone[number] = fitted_somehow(hulls[number])
        found = alone[number]
        # A piece that is too large by itself is not the pegs' fault: the fit check says so.
        if found is None:
            return True
        points = np.concatenate([hulls[number], ends])
        # Mostly it still fits the way it did.
        as_was = fit(points @ found[0].rotation.T, found[1], allow="upright")
        return as_was.way != "none" or fitted_somehow(points) is not None

    def fitted_somehow(points: FloatArray) -> tuple[Fit, Platform] | None:
        # Most pieces fit as they stand or turned, which is quick to see.
        tried = ((fit(points, p, allow=way), p) for way in _WAYS for p in platforms)
        return next((found for found in tried if found[0].way != "none"), None)

    return fits
