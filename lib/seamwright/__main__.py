"""`python -m seamwright job.toml`: a job from the command line, without Blender."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

from seamwright import __version__
from seamwright.errors import BadInput, Progress, SeamwrightError
from seamwright.files import require_free_folder
from seamwright.gauge import WIDTH, checked, fitted, gauge, typical_width, what_to_do, write_gauge
from seamwright.job import Job, read_job, write_job
from seamwright.joint import Joint
from seamwright.joint_list import to_buy
from seamwright.ledger import Printed, printed_path, read_printed, ticked, write_printed
from seamwright.markings import Markings, carried
from seamwright.mesh import Mesh
from seamwright.nudge import SHIFT_SHARE, TILT
from seamwright.nudges import nudged_seams
from seamwright.pieces import Piece, sections
from seamwright.plan import Plan, calibrated_job, planned
from seamwright.quality import line_quality, quality
from seamwright.reach import region_facts
from seamwright.report import CAUTIONS
from seamwright.results import target_folder, write
from seamwright.run import Figure, Result, load_marked, make, prepare, sized
from seamwright.seam import in_order, reached
from seamwright.section import Section
from seamwright.span import Spans, effect, spans
from seamwright.strength import summary as strength_of_all
from seamwright.surface import Surface, prepared

MANY, MOST_PROCESSES = 4, 8
"""Pieces from which their poses are found side by side, and in how many processes at most."""

Source = Callable[[Job, Path], tuple[Mesh, str, Markings]]


def main(argv: Sequence[str] | None = None, source: Source = load_marked) -> int:
    """Run a job; `source` gives the figure with its markings (the Blender batch passes its own).

    Returns
    -------
    Exit code: 0 done, 2 bad input, 3 a check failed.
    """
    for stream in (sys.stdout, sys.stderr):
        # A terminal without ³ or × shall not stop the work.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    options = _parser().parse_args(argv)
    try:
        job = read_job(options.job)
        _require_nudgeable(options)
        _require_gauge_alone(options)
        if options.gauge or options.fitted is not None:
            lines = _gauge(job, options, source) if options.gauge else _fitted(job, options)
            if not options.quiet:
                print("\n".join(lines))
            return 0
        figure = _figure(job, options.job.parent, source)
        if options.inspect or options.regions or options.quality:
            print("\n".join(_looked_at(figure, job, options)))
        elif not options.nudge:
            _make(figure, job, options, side_by_side=source is load_marked)
        if options.nudge:
            said = _nudge(figure, job, options)
            if not options.quiet:
                print("\n".join(said))
    except SeamwrightError as error:
        print(f"seamwright: {error}", file=sys.stderr)
        return error.exit_code
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="seamwright",
        description="Take a sculpted figure apart into printable, keyed pieces.",
        epilog="Exit codes: 0 done, 2 bad input, 3 a check of the result failed.",
    )
    parser.add_argument("job", type=Path, help="the job file, .toml")
    parser.add_argument("--out", type=Path, help="result folder, instead of the job's own")
    parser.add_argument("--replace", action="store_true", help="replace an earlier result")
    parser.add_argument("--dry-run", action="store_true", help="make and check, but write nothing")
    parser.add_argument("--inspect", action="store_true", help="only say what the figure is like")
    parser.add_argument(
        "--regions", action="store_true", help="only list each seam's regions by number"
    )
    parser.add_argument(
        "--quality",
        action="store_true",
        help="only say how well each seam is hidden and how sound, how much of it crosses the "
        "keep-clear area and how much follows natural lines",
    )
    parser.add_argument("--quiet", action="store_true", help="print errors only")
    parser.add_argument("--version", action="version", version=f"seamwright {__version__}")
    nudging = parser.add_argument_group("nudging flat seams")
    nudging.add_argument(
        "--nudge",
        action="store_true",
        help="only move and tilt the flat seams to the best places nearby, and write a new job",
    )
    nudging.add_argument(
        "--seam", action="append", default=[], metavar="NAME",
        help="nudge this seam only; may be given more than once",
    )  # fmt: skip
    nudging.add_argument(
        "--shift", type=float, metavar="MM",
        help="most that a seam may move along its normal, mm at true size; "
        f"{SHIFT_SHARE:.0%} of the figure's largest extent unless given".replace("%", "%%"),
    )  # fmt: skip
    nudging.add_argument(
        "--tilt", type=float, metavar="DEGREES",
        help=f"most that a seam may tilt, degrees; {TILT:g} unless given",
    )  # fmt: skip
    nudging.add_argument(
        "--nudged-job", type=Path, metavar="FILE",
        help="the new job file, beside the job; named after it with -nudged unless given",
    )  # fmt: skip
    _add_build_options(parser.add_argument_group("builds"))
    _add_gauge_options(parser.add_argument_group("finding the printer's clearance"))
    return parser


def _add_build_options(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--pieces-only", action="store_true",
        help="choose no poses and pack no builds, which is quicker",
    )  # fmt: skip
    group.add_argument(
        "--printed", type=int, nargs="+", default=[], metavar="PIECE",
        help="tick pieces off as printed, by number, and pack the builds of the rest anew",
    )  # fmt: skip
    group.add_argument(
        "--finished", type=float, nargs=3, metavar=("BUILD", "HOURS", "GRAMS"),
        help="only write a new job whose printer is calibrated by a build that is finished: its "
        "number, the hours it took and the grams of material",
    )  # fmt: skip
    group.add_argument(
        "--finished-job", type=Path, metavar="FILE",
        help="the new job file, beside the job; named after it with -finished unless given",
    )  # fmt: skip
    group.add_argument(
        "--not-printed", type=int, nargs="+", default=[], metavar="PIECE",
        help="take the ticks of pieces away again",
    )  # fmt: skip


def _add_gauge_options(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--gauge", action="store_true",
        help="only make the gauge: a bar of sockets of growing clearance and one peg, to print "
        "and try, in a folder named after the job with -gauge; it needs no figure",
    )  # fmt: skip
    group.add_argument(
        "--peg-width", type=_peg_width, metavar="MM",
        help=f"width of the gauge's peg, mm, {WIDTH:g} unless given; or the word job, for the "
        "middle one of the job's own pegs (that parts the figure first)",
    )  # fmt: skip
    group.add_argument(
        "--fitted", type=float, metavar="MM",
        help="only write a new job with the clearance that fitted: the number at the socket is "
        "hundredths of a mm, so for 30 give 0.30",
    )  # fmt: skip
    group.add_argument(
        "--fitted-job", type=Path, metavar="FILE",
        help="the new job file, beside the job; named after it with -fitted unless given",
    )  # fmt: skip


def _peg_width(text: str) -> float | str:
    if text == "job":
        return text
    try:
        return float(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"'{text}' is neither mm nor the word job") from error


def _figure(job: Job, folder: Path, source: Source) -> Figure:
    # The source as read is let go of here: it is not needed once it is at true size.
    mesh, unit, markings = source(job, folder)
    return prepare(mesh, unit, job, markings)


def _looked_at(figure: Figure, job: Job, options: argparse.Namespace) -> list[str]:
    """What the figure and its seams are like, in sentences."""
    lines = [*figure.inspection.lines(), *figure.mended]
    lines += figure.markings.sentences(figure.mesh)
    if not options.regions and not options.quality:
        return lines
    seams = in_order(job.seams)
    drawn = spans(figure.mesh, seams)
    wholes = sections(figure.mesh, seams, drawn)
    if options.regions:
        for seam in seams:
            if seam.line:
                lines += [f"Seam '{seam.name}':", f"  {effect(drawn, seam)}"]
            else:
                facts = region_facts(wholes[seam.name])
                lines += [f"Seam '{seam.name}':", *(f"  {fact.line}" for fact in facts)]
    if options.quality:
        lines += _qualities(figure, job, drawn, wholes)
    return lines


def _qualities(figure: Figure, job: Job, drawn: Spans, wholes: dict[str, Section]) -> list[str]:
    """What is known of each seam before it is cut, in sentences."""
    surfaces: dict[int, Surface] = {}

    def surface_of(mesh: Mesh) -> Surface:
        if id(mesh) not in surfaces:
            surfaces[id(mesh)] = prepared(mesh, carried(figure.markings, figure.mesh, mesh))
        return surfaces[id(mesh)]

    lines = []
    for seam in in_order(job.seams):
        if seam.line:
            surface = surface_of(drawn.figure)
            said = line_quality(surface, drawn[seam.name].line).lines()
        else:
            # A seam that stops at others has a section of the figure parted along those.
            whole = wholes[seam.name]
            surface = surface_of(whole.crossing.mesh)
            said = quality(surface, whole, reached(seam, whole), wall=job.printer.wall).lines()
        lines += [f"Seam '{seam.name}':", *(f"  {line}" for line in said)]
    return lines


def _new_path(options: argparse.Namespace, done: str) -> Path:
    """Where a new job goes; `done` is "nudged" or "fitted"."""
    job: Path = options.job
    given: Path | None = getattr(options, f"{done}_job")
    return job.with_name(f"{job.stem}-{done}.toml") if given is None else given


def _require_nudgeable(options: argparse.Namespace) -> None:
    """Refuse, before the work is done, what nudging could not use; or its options without it."""
    if options.nudge:
        _require_new_job(options, "nudged")
        return
    for name in ("seam", "shift", "tilt", "nudged_job"):
        if getattr(options, name) not in (None, []):
            raise BadInput(f"--{name.replace('_', '-')} is for nudging; give --nudge too.")


def _require_new_job(options: argparse.Namespace, done: str) -> None:
    """Refuse a place for a new job before the work is done; nothing is ever overwritten."""
    path = _new_path(options, done)
    if path.suffix.lower() != ".toml":
        raise BadInput(f"'{path}' is no name for a job; give one that ends in .toml.")
    if path.resolve().parent != options.job.resolve().parent:
        raise BadInput(
            f"'{path}' does not lie beside '{options.job}', to which the paths in the job are "
            "relative; give a name in the same folder."
        )
    if path.exists():
        raise BadInput(f"'{path}' exists; give another name with --{done}-job.")


def _nudge(figure: Figure, job: Job, options: argparse.Namespace) -> list[str]:
    """Nudge seams and write the job with them; what was done, in sentences."""
    tilt = TILT if options.tilt is None else options.tilt
    seams, done = nudged_seams(
        figure.mesh, figure.markings, job.seams, options.seam,
        shift=options.shift, tilt=tilt, wall=job.printer.wall,
    )  # fmt: skip
    lines = []
    for nudged in done:
        first, *rest = nudged.lines()
        lines += [first, *(f"  {line}" for line in rest)]
    if not any(nudged.is_moved for nudged in done):
        return [*lines, "No seam was moved: nothing written."]
    _require_new_job(options, "nudged")
    path = _new_path(options, "nudged")
    write_job(replace(job, seams=seams), path)
    return [*lines, f"Job with the nudged seams: {path}"]


def _require_gauge_alone(options: argparse.Namespace) -> None:
    """Refuse the gauge's options without it, and what is asked for beside it."""
    if options.peg_width is not None and not options.gauge:
        raise BadInput("--peg-width is for the gauge; give --gauge too.")
    if options.fitted_job is not None and options.fitted is None:
        raise BadInput("--fitted-job is for what fitted; give --fitted too.")
    chosen = [n for n in ("gauge", "inspect", "regions", "quality", "nudge") if getattr(options, n)]
    chosen += ["fitted"] if options.fitted is not None else []
    if len(chosen) > 1 and {"gauge", "fitted"} & set(chosen):
        asked = " and ".join(f"--{name}" for name in chosen)
        raise BadInput(f"{asked} are different work; give one at a time.")


def _gauge(job: Job, options: argparse.Namespace, source: Source) -> list[str]:
    """Make and write the gauge; what to do with it, in sentences."""
    target = options.out or options.job.with_name(f"{options.job.stem}-gauge")
    if not options.dry_run:
        require_free_folder(target.resolve(), options.replace)
    width = WIDTH if options.peg_width is None else options.peg_width
    if width == "job":
        width = typical_width(_joints_alone(_figure(job, options.job.parent, source), job))
    made = gauge(job.printer, width)
    checks = checked(made)
    steps = what_to_do(made, options.job)
    where = "nothing written"
    if not options.dry_run:
        write_gauge(made, checks, steps, target, replace=options.replace)
        where = str(target)
    first = f"Gauge with a {width:g} mm peg, {made.mass:.0f} g printed solid: {where}"
    return [first, *(f"  {check.name}: {check.found}" for check in checks), *steps]


def _joints_alone(figure: Figure, job: Job) -> tuple[Joint, ...]:
    """The joints of a job, sized, of pieces that need not fit."""
    return sized(figure, job).joints


def _fitted(job: Job, options: argparse.Namespace) -> list[str]:
    """Write the job with the clearance that fitted; what was done, in sentences."""
    _require_new_job(options, "fitted")
    new = fitted(job, options.fitted)
    path = _new_path(options, "fitted")
    where = "nothing written"
    if not options.dry_run:
        write_job(new, path)
        where = str(path)
    old = job.printer.clearance
    return [f"Job with a clearance of {options.fitted:g} mm, where it was {old:g} mm: {where}"]


def _make(figure: Figure, job: Job, options: argparse.Namespace, *, side_by_side: bool) -> None:
    """Make, plan and write. side_by_side : whether poses may be found in several processes."""
    if options.pieces_only and (options.printed or options.not_printed or options.finished):
        raise BadInput(
            "--printed, --not-printed and --finished are for builds; leave --pieces-only out."
        )
    if options.finished_job is not None and options.finished is None:
        raise BadInput("--finished-job is for a build that is finished; give --finished too.")
    if options.finished is not None:
        _require_new_job(options, "finished")
    target = target_folder(job, options.job, options.out)
    if not options.dry_run and options.finished is None:
        # Better refused now than after the work.
        require_free_folder(target.resolve(), options.replace)
    tell = None if options.quiet else _shown()
    result = make(figure, job, tell)
    plan: Plan | None = None
    said: tuple[str, ...] = ()
    if not options.pieces_only:
        parts = result.printable
        printed = _printed(parts, target, options)
        plan = _planned(result, printed, tell, side_by_side)
        said = printed.warnings
        if options.finished is not None:
            _calibrate(job, plan, options)
            return
    where = "nothing written"
    if not options.dry_run:
        write(result, target, plan=plan, replace=options.replace)
        if options.printed or options.not_printed:
            write_printed(printed_path(target), printed.pieces, parts)
        where = str(target)
    if not options.quiet:
        print(_summary(result, plan, said, where))


def _calibrate(job: Job, plan: Plan, options: argparse.Namespace) -> None:
    """Write the job with its printer calibrated by a finished build."""
    number, hours, grams = options.finished
    if number != int(number):
        raise BadInput(f"--finished: {number:g} is no build; give its number first.")
    new = calibrated_job(job, plan, int(number), hours, grams)
    path = _new_path(options, "finished")
    where = "nothing written"
    if not options.dry_run:
        write_job(new, path)
        where = str(path)
    if not options.quiet:
        print(f"Job calibrated by build {int(number)}, {hours:g} h and {grams:g} g: {where}")


def _printed(parts: tuple[Piece, ...], target: Path, options: argparse.Namespace) -> Printed:
    """What is ticked off as printed, with what the command adds and takes away."""
    before = read_printed(printed_path(target), parts)
    return ticked(before, parts, options.printed, options.not_printed)


def _planned(result: Result, printed: Printed, tell: Progress | None, side_by_side: bool) -> Plan:
    if not side_by_side or len(result.pieces) < MANY:
        return planned(result, done=printed.pieces, progress=tell)
    with ProcessPoolExecutor(min(os.cpu_count() or 1, MOST_PROCESSES)) as executor:
        return planned(result, done=printed.pieces, executor=executor, progress=tell)


def _shown() -> Progress:
    """Shows what is done, a line each time that it is something else."""
    last = [""]

    def show(done: float, what: str) -> None:
        if what != last[0]:
            last[0] = what
            print(f"{done:4.0%} {what}", file=sys.stderr)

    return show


def _assembly(result: Result) -> list[str]:
    """How to put the pieces together, in sentences."""
    steps = [f"  {n}. {s.sentence}" for n, s in enumerate(result.order.steps, start=1)]
    return ["Assembly order:", *steps, *(f"  {s}" for s in result.order.freer)]


def _beside(result: Result) -> list[str]:
    """What is needed beside the pieces, in sentences."""
    pegs = [
        f"  print {p.name}: {p.width:.1f} mm wide, {p.length:.1f} mm long, lying down"
        for p in result.loose
    ]
    bought = [
        f"  buy {b.count} x {b.what}, {b.size} mm, for joint{'s' if ' ' in b.joints else ''} "
        f"{b.joints}"
        for b in to_buy(result.joints, result.job.rods, result.bores)
    ]
    return ["Beside the pieces:", *pegs, *bought] if pegs or bought else []


def _summary(result: Result, plan: Plan | None, said: Sequence[str], where: str) -> str:
    lines = [f"{len(result.pieces)} pieces, {len(result.joints)} joints: {where}"]
    lines += [f"  {check.name}: {check.found}" for check in result.checks]
    lines.append(f"  strength: {strength_of_all(result.strengths)}")
    warnings = [*result.warnings, *said, *(plan.warnings if plan else ())]
    lines += [f"  warning: {warning}" for warning in warnings]
    lines += [
        f"  joint {j.letter} ({j.interface.piece_b} to {j.interface.piece_a}, "
        f"{j.interface.seam.name}): {j.reason}"
        for j in result.joints
    ]
    lines += _beside(result)
    lines += plan.lines() if plan else ()
    lines += _assembly(result)
    lines += ["Take care:", *(f"  {c}" for c in CAUTIONS)]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
