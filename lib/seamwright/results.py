"""The result folder: every file that comes of a job, written whole or not at all."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from seamwright.book import book
from seamwright.build_files import Posed, write_build
from seamwright.build_view import top_view
from seamwright.checks import Check, require_files_hold, require_one_scale
from seamwright.errors import Progress
from seamwright.files import as_written, write_both, write_folder_whole
from seamwright.job import Job, job_to_toml
from seamwright.joint_list import joint_list
from seamwright.ledger import require_joint_scale, table
from seamwright.mesh import Mesh
from seamwright.plan import Plan
from seamwright.report import file_stem, parts_list, peg_stem, plain_name, report
from seamwright.run import Result


def write(
    result: Result,
    target: Path,
    *,
    plan: Plan | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> Path:
    """Write the result folder, whole or not at all, and check the files by reading them back.

    plan : the builds and the assembly book are written as well if it is given.

    Raises
    ------
    BadInput
        If the folder exists (without `replace`) or cannot be written.
    CheckFailed
        If a piece fits no printer, or a file does not hold what it should; the folder is then
        not there.
    """
    result.require_fitting()
    tell = progress or (lambda _done, _what: None)

    def fill(folder: Path) -> None:
        job = result.job
        read_back = _pieces(result, folder, lambda d, w: tell(0.65 * d, w))
        # Loose pegs lie as they print.
        in_place = {piece.id: read_back[piece.id] for piece in result.pieces}
        checks: tuple[Check, ...] = (
            *result.checks,
            require_files_hold(
                result.printable,
                read_back,
                as_written,
                lambda d: tell(0.65 + 0.05 * d, "checking files"),
            ),
            require_one_scale(result.figure.mesh, in_place),
            require_joint_scale(result.joints, in_place),
        )
        if plan is not None:
            checks += plan.checks
            tell(0.7, "writing builds")
            checks += _builds(result, plan, folder, lambda d, w: tell(0.7 + 0.1 * d, w))
            _write(folder / "ledger.csv", table(plan.entries))
            _write(folder / "builds.csv", plan.table())
            pages = book(result, plan, checks, progress=lambda d, w: tell(0.8 + 0.2 * d, w))
            _write(folder / "book.html", pages)
        text = report(result, checks, plan)
        (folder / "report.json").write_text(text, encoding="utf-8")
        _write(folder / "parts.csv", parts_list(result, plan))
        _write(folder / "joints.csv", joint_list(result.joints, result.strengths, result.order))
        (folder / "job.toml").write_text(job_to_toml(job), encoding="utf-8")
        # The last word at which all can be left as it was.
        tell(1.0, "putting the folder in place")

    write_folder_whole(target, replace, fill)
    return target


def _write(path: Path, text: str) -> None:
    # CSV carries its own line ends: do not let the platform change them.
    path.write_text(text, encoding="utf-8", newline="")


def _pieces(result: Result, folder: Path, tell: Progress) -> dict[int, Mesh]:
    """Each piece and loose peg as STL and 3MF; returns all as read back."""
    job, read_back = result.job, {}
    for n, piece in enumerate(result.pieces):
        tell(n / len(result.pieces), f"writing piece {piece.id}")
        read_back[piece.id] = write_both(
            piece.mesh, folder, file_stem(job, piece),
            name=f"{job.name} {piece.name}", number=piece.id,
        )  # fmt: skip
    for n, peg in enumerate(result.loose, start=len(result.pieces) + 1):
        read_back[n] = write_both(
            peg.laid, folder, peg_stem(job, peg), name=f"{job.name} {peg.name}", number=n
        )
    return read_back


def _builds(result: Result, plan: Plan, folder: Path, tell: Progress) -> tuple[Check, ...]:
    """One 3MF and one picture for each build."""
    (folder / "builds").mkdir()
    job = result.job
    posed = {p.number: Posed(p.mesh, p.rotation, f"{job.name} {p.name}") for p in plan.parts}
    platforms = {p.name: p.platform for p in plan.printers}
    count, off = len(plan.packing.builds), []
    for n, (build, needs) in enumerate(zip(plan.packing.builds, plan.estimates, strict=True)):
        told = partial(_told, tell, n, count, f"writing build {build.number}")
        stem = folder / "builds" / f"{plain_name(job)}-build-{build.number:02d}"
        title = f"{job.name} build {build.number} of {count}"
        found = write_build(
            build, posed, stem.with_suffix(".3mf"),
            title=title, description=needs.sentence, told=told,
        )  # fmt: skip
        off.append(found)
        picture = top_view(
            build, plan.items, platforms[build.printer],
            gap=plan.packing.gap, builds=count, figure=job.name,
        )  # fmt: skip
        stem.with_suffix(".svg").write_text(picture, encoding="utf-8", newline="\n")
    if not off:
        return ()
    return (Check("build files", f"{count} read back in strict mode; the last: {off[-1].found}"),)


def _told(tell: Progress, before: int, count: int, what: str, done: float) -> None:
    """Tell how much is done of one of several, so many of which were before it."""
    tell((before + done) / count, what)


def target_folder(job: Job, job_path: Path, out: Path | None) -> Path:
    """Where the result goes: `out`, else the job's own folder, else one named after the file."""
    if out is not None:
        return out
    if job.output is not None:
        return job_path.parent / job.output
    return job_path.with_name(job_path.stem + "-pieces")
