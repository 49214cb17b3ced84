"""The whole way, from a job to a result folder: what the command, the batch and the panel run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from scipy.spatial import ConvexHull

from seamwright.checks import (
    Check,
    ShellLine,
    require_all_shells,
    require_closed,
    require_files_hold,
    require_fit,
    require_gaps,
    require_one_scale,
    require_volume,
)
from seamwright.errors import BadInput, Progress
from seamwright.figure import require_solid, true_size
from seamwright.files import (
    as_written,
    read_figure,
    write_both,
    write_folder_whole,
)
from seamwright.fit import Fit, fit
from seamwright.flaws import old_flaws, overlapping_shells
from seamwright.imprint import jointed
from seamwright.inspection import Inspection, inspect
from seamwright.interface import interfaces
from seamwright.job import Job, job_to_toml
from seamwright.joint import Joint
from seamwright.loads import Weight, afloat, weights
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
from seamwright.printer import PrinterProfile
from seamwright.report import file_stem, parts_list, report
from seamwright.seam import place
from seamwright.sizing import Fits, require_one_way
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
    """Everything made from one job, checked, still in memory."""

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


def make(figure: Figure, job: Job, progress: Progress | None = None) -> Result:
    """Part a prepared figure, joint it, fit each piece, and check it all.

    Raises
    ------
    BadInput
        If a seam cannot be parted as asked.
    CheckFailed
        If a piece does not fit or any check of the result does not hold.
    Cancelled
        If `progress` raises it.
    """

    def tell(done: float, what: str) -> None:
        if progress:
            progress(done, what)

    if not job.seams:
        raise BadInput(f"Job '{job.name}' has no seam; add one or more.")
    _require_near(figure.mesh, job.name)
    tell(0.05, "parting")
    lines = spans(figure.mesh, job.seams, lambda done, what: tell(0.05 * done, what))
    blanks = take_apart(
        figure.mesh, job.seams, lambda done, what: tell(0.05 + 0.2 * done, what), lines
    )
    tell(0.25, "sizing joints")
    joints = sized_joints(
        blanks, interfaces(blanks, job.seams, lines), job.printer, _fits(blanks, job.printer)
    )
    tell(0.6, "setting pegs and sockets")
    pieces = jointed(blanks, joints)
    fits = {}
    for n, piece in enumerate(pieces):
        tell(0.65 + 0.2 * n / len(pieces), f"fitting piece {piece.id}")
        fits[piece.id] = fit(piece.mesh.vertices, job.printer.usable)
    tell(0.85, "checking")
    require_one_way(joints)
    shells, ledger = require_all_shells(figure.mesh, pieces)
    checks = (
        require_closed(pieces, as_written, figure.mesh),
        require_volume(figure.mesh, pieces, joints),
        shells,
        require_gaps(pieces, joints),
        require_fit(fits, job.printer),
    )
    warnings = slivers(blanks, job.printer.wall, job.seams)
    names = {seam.id: seam.name for seam in job.seams}
    warnings += crossed(figure.mesh, figure.markings, [p.mesh for p in blanks], names)
    if not figure.inspection.is_sound:
        warnings = old_flaws(pieces, as_written) + warnings
    if not job.figure.mend:
        warnings = overlapping_shells(figure.mesh) + warnings
    printed = weights(pieces, job.printer)
    strong = strengths(pieces, joints, printed, job.printer)
    warnings += weak_joints(strong, afloat(pieces, joints))
    together = order(pieces, joints, blanks, lambda done, what: tell(0.9 + 0.1 * done, what))
    warnings += tuple(fight.sentence for fight in together.fights)
    return Result(
        job, figure, pieces, joints, fits, ledger, checks, warnings, printed, strong, together
    )  # fmt: skip


def _require_near(mesh: Mesh, name: str) -> None:
    """Raise if a figure lies so far out that files in single precision would spoil it."""
    farthest = mesh.vertices[int(np.argmax(np.abs(mesh.vertices).max(axis=1)))]
    step = float(np.spacing(np.float32(np.abs(farthest).max())))
    if step > FINEST:
        raise BadInput(
            f"Figure '{name}' reaches to {place(farthest)}, so far from the origin that files "
            f"can only tell {step:.2g} mm apart there; move it to the origin."
        )


def _fits(blanks: tuple[Piece, ...], profile: PrinterProfile) -> Fits:
    """Whether a blank with peg ends added fits, judged on its hull."""
    hulls: dict[int, FloatArray] = {}
    alone: dict[int, bool] = {}

    def fits(number: int, ends: FloatArray) -> bool:
        if number not in hulls:
            points = next(p.mesh.vertices for p in blanks if p.id == number)
            hulls[number] = points[ConvexHull(points).vertices]
            alone[number] = fits_somehow(hulls[number])
        # A piece that is too large by itself is not the pegs' fault: the fit check says so.
        return not alone[number] or fits_somehow(np.concatenate([hulls[number], ends]))

    def fits_somehow(points: FloatArray) -> bool:
        # Most pieces fit as they stand or turned, which is quick to see.
        return any(fit(points, profile.usable, allow=way).way != "none" for way in _WAYS)

    return fits


def write(
    result: Result, target: Path, *, replace: bool = False, progress: Progress | None = None
) -> Path:
    """Write the result folder, whole or not at all, and check the files by reading them back.

    Raises
    ------
    BadInput
        If the folder exists (without `replace`) or cannot be written.
    CheckFailed
        If a file does not hold what it should; the folder is then not there.
    """

    def fill(folder: Path) -> None:
        job, read_back = result.job, {}
        for n, piece in enumerate(result.pieces):
            if progress:
                progress(n / len(result.pieces), f"writing piece {piece.id}")
            read_back[piece.id] = write_both(
                piece.mesh, folder, file_stem(job, piece),
                name=f"{job.name} {piece.name}", number=piece.id,
            )  # fmt: skip
        checks = (
            *result.checks,
            require_files_hold(result.pieces, read_back, as_written),
            require_one_scale(result.figure.mesh, read_back),
        )
        text = report(
            job, result.figure.inspection, result.figure.mended, result.pieces, result.joints,
            result.fits, result.ledger, checks, result.warnings, result.weights, result.strengths,
            result.order,
        )  # fmt: skip
        (folder / "report.json").write_text(text, encoding="utf-8")
        # CSV carries its own line ends: do not let the platform change them.
        (folder / "parts.csv").write_text(
            parts_list(job, result.pieces, result.joints, result.fits),
            encoding="utf-8",
            newline="",
        )
        (folder / "job.toml").write_text(job_to_toml(job), encoding="utf-8")

    write_folder_whole(target, replace, fill)
    return target


def target_folder(job: Job, job_path: Path, out: Path | None) -> Path:
    """Where the result goes: `out`, else the job's own folder, else one named after the file."""
    if out is not None:
        return out
    if job.output is not None:
        return job_path.parent / job.output
    return job_path.with_name(job_path.stem + "-pieces")
