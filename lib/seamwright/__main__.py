"""`python -m seamwright job.toml`: a job from the command line, without Blender."""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from seamwright import __version__
from seamwright.errors import SeamwrightError
from seamwright.files import require_free_folder
from seamwright.job import Job, read_job
from seamwright.mesh import Mesh
from seamwright.pieces import sections
from seamwright.quality import quality
from seamwright.reach import region_facts
from seamwright.report import CAUTIONS
from seamwright.run import Result, load, make, prepare, target_folder, write
from seamwright.seam import in_order, reached
from seamwright.surface import Surface, prepared

Source = Callable[[Job, Path], tuple[Mesh, str]]


def main(argv: Sequence[str] | None = None, source: Source = load) -> int:
    """Run a job; `source` gives the figure (the Blender batch passes its own).

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
        # Not kept by a name: the source as read is not needed once it is at true size.
        figure = prepare(*source(job, options.job.parent), job)
        if options.inspect or options.regions or options.quality:
            print("\n".join((*figure.inspection.lines(), *figure.mended)))
            if options.regions:
                for name, whole in sections(figure.mesh, in_order(job.seams)).items():
                    print(f"Seam '{name}':")
                    print("\n".join(f"  {facts.line}" for facts in region_facts(whole)))
            if options.quality:
                print("\n".join(_qualities(figure.mesh, job)))
            return 0
        target = target_folder(job, options.job, options.out)
        if not options.dry_run:
            # Better refused now than after the work.
            require_free_folder(target.resolve(), options.replace)
        result = make(figure, job, None if options.quiet else _show)
        where = "nothing written"
        if not options.dry_run:
            write(result, target, replace=options.replace)
            where = str(target)
        if not options.quiet:
            print(_summary(result, where))
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
        "--quality", action="store_true", help="only say how well each seam is hidden and how sound"
    )
    parser.add_argument("--quiet", action="store_true", help="print errors only")
    parser.add_argument("--version", action="version", version=f"seamwright {__version__}")
    return parser


def _qualities(mesh: Mesh, job: Job) -> list[str]:
    """What is known of each seam before it is cut, in sentences."""
    seams = in_order(job.seams)
    surfaces: dict[int, Surface] = {}
    lines = []
    for seam, whole in zip(seams, sections(mesh, seams).values(), strict=True):
        # A seam that stops at others has a section of the figure parted along those.
        parted = whole.crossing.mesh
        if id(parted) not in surfaces:
            surfaces[id(parted)] = prepared(parted)
        judged = quality(surfaces[id(parted)], whole, reached(seam, whole), wall=job.printer.wall)
        lines += [f"Seam '{seam.name}':", *(f"  {line}" for line in judged.lines())]
    return lines


def _show(done: float, what: str) -> None:
    print(f"{done:4.0%} {what}", file=sys.stderr)


def _summary(result: Result, where: str) -> str:
    lines = [f"{len(result.pieces)} pieces, {len(result.joints)} joints: {where}"]
    lines += [f"  {check.name}: {check.found}" for check in result.checks]
    lines += [f"  warning: {warning}" for warning in result.warnings]
    lines += [
        f"  joint {j.letter} ({j.interface.piece_b} to {j.interface.piece_a}, "
        f"{j.interface.seam.name}): {j.reason}"
        for j in result.joints
    ]
    lines += ["Take care:", *(f"  {c}" for c in CAUTIONS)]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
