"""The plan: how every piece prints, what it takes, and whether the figure stands.

    result = make(figure, job)
    plan = planned(result)

Each piece gets its pose, each pose its place on a build, each build its time and material.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from seamwright.build_choice import BuildChoice
from seamwright.builds import Item, Packing, Printer, item_of
from seamwright.checks import Check
from seamwright.errors import BadInput, Progress, Told
from seamwright.estimate import (
    Estimate,
    Quantities,
    calibrated,
    estimate,
    on_one_build,
    one_after_another,
    pegs_on,
    quantities,
)
from seamwright.fit import fit
from seamwright.job import Job
from seamwright.ledger import Entry, ledger, require_all_on_builds
from seamwright.loads import Weight, weight
from seamwright.markings import carried
from seamwright.mesh import BoolArray, FloatArray, Mesh
from seamwright.packing import pack
from seamwright.pieces import Piece
from seamwright.platform import Platform, platform_of
from seamwright.pose import Pose, matched, peg_rows, poses
from seamwright.printer import PrinterProfile
from seamwright.run import Result
from seamwright.silhouette import box as loops_box
from seamwright.stance import Stance, stance

MATCHED = 6
"""Of a piece's best poses, those whose layers another that is to match is tried with."""


@dataclass(frozen=True, eq=False)
class Part:
    """Something to be printed: a piece, or a loose peg.

    number : of the piece; loose pegs count on from the last. name : in words.
    mesh : where it belongs in the figure. rotation : (3, 3) to its pose.
    pose : why; None for a loose peg, which lies down.
    quantities, estimate : printed by itself, on the printer of its build.
    """

    number: int
    name: str
    mesh: Mesh
    rotation: FloatArray
    pose: Pose | None
    quantities: Quantities
    estimate: Estimate


@dataclass(frozen=True, eq=False)
class Plan:
    """How all parts print, and how the figure stands.

    Attributes
    ----------
    parts : pieces, then loose pegs. printers : that they are packed for.
    items : the parts as packing sees them, by number.
    packing : the builds. estimates : of each build, in order.
    whole : of all builds, one after another.
    stance : None if the figure does not stand by itself; `stands` says why or how.
    entries : shells, their pieces and builds. checks : of the builds.
    warnings : a sentence each.
    """

    parts: tuple[Part, ...]
    printers: tuple[Printer, ...]
    items: Mapping[int, Item]
    packing: Packing
    estimates: tuple[Estimate, ...]
    whole: Estimate
    stance: Stance | None
    stands: str
    entries: tuple[Entry, ...]
    checks: tuple[Check, ...]
    warnings: tuple[str, ...]

    @property
    def build_of(self) -> dict[int, int]:
        """Number of the build that each part lies on."""
        return {p.item: b.number for b in self.packing.builds for p in b.placed}

    def table(self) -> str:
        """The builds as CSV text (RFC 4180), a line for each part.

        x and y are of the middle of the part's box on the platform, from its front left corner.
        """
        out = io.StringIO()
        rows = csv.writer(out)
        rows.writerow(_COLUMNS)
        of = {p.number: p for p in self.parts}
        for build in self.packing.builds:
            for p in build.placed:
                needs = of[p.item].estimate
                x, y = loops_box(p.outline(self.items[p.item])).mean(axis=0)
                rows.writerow(
                    [
                        build.number, build.printer, of[p.item].name, f"{p.turn:.3f}",
                        f"{x:.3f}", f"{y:.3f}", f"{needs.time_h:.2f}",
                        f"{needs.material_g:.0f}",
                    ]
                )  # fmt: skip
        return out.getvalue()

    def lines(self) -> tuple[str, ...]:
        """All in sentences."""
        said = [f"Builds: {self.packing.sentence}", f"Figure: {self.whole.sentence}"]
        names = {p.number: p.name for p in self.parts}
        for build, needs in zip(self.packing.builds, self.estimates, strict=True):
            on = ", ".join(names[p.item] for p in build.placed)
            said.append(f"Build {build.number} ({build.printer}): {on}. {needs.sentence}")
        return (*said, f"Stance: {self.stands}")


_COLUMNS = ("build", "printer", "part", "turn_deg", "x_mm", "y_mm", "time_h", "material_g")


def planned(
    result: Result,
    *,
    done: Collection[int] = (),
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Choose poses, pack builds, estimate, and see how the figure stands.

    Parameters
    ----------
    done : numbers of parts that are printed already; the rest is packed.
    executor : where the poses of pieces are found side by side; one after another without.

    Raises
    ------
    BadInput
        If a group names a piece that there is not, or a part fits no printer.
    Misfit
        If a piece fits no printer.
    Cancelled
        If `progress` raises it.
    """
    result.require_fitting()
    tell = progress or (lambda _done, _what: None)
    choice, profile = result.job.builds, result.job.printer
    _require_groups(choice, result.printable)
    printers = _printers(profile, choice)
    profiles = {p.name: p for p in (profile, *(o.profile for o in choice.printers))}
    tell(0.0, "choosing poses")
    chosen = _poses(result, printers, executor, lambda d, w: tell(0.55 * d, w))
    parts = _parts(result, chosen, lambda d, w: tell(0.55 + 0.03 * d, w))
    needed = _ranks(result)
    items = []
    for n, part in enumerate(parts):
        tell(0.58 + 0.02 * n / len(parts), "drawing silhouettes")
        items.append(_item(part, choice, needed, profile))
    tell(0.6, "packing builds")
    packing = pack(
        items, printers, gap=_gap(choice, profiles.values()), done=done,
        progress=lambda d, w: tell(0.6 + 0.33 * d, w),
    )  # fmt: skip
    on = {p.item: profiles[build.printer] for build in packing.builds for p in build.placed}
    printed = []
    for n, part in enumerate(parts):
        tell(0.93 + 0.02 * n / len(parts), "estimating parts")
        printed.append(_printed(part, on.get(part.number, profile)))
    parts = tuple(printed)
    of = {p.number: p.quantities for p in parts}
    estimates = tuple(
        estimate(on_one_build(of[p.item] for p in build.placed), profiles[build.printer])
        for build in packing.builds
    )
    tell(0.95, "seeing how the figure stands")
    stood, said, warned = _stance(result)
    build_of = {p.item: b.number for b in packing.builds for p in b.placed}
    pieces_on = {p.id: build_of[p.id] for p in result.pieces if p.id in build_of}
    ids = {p.id for p in result.pieces}
    checks = (require_all_on_builds(result.pieces, pieces_on, [n for n in done if n in ids]),)
    return Plan(
        parts, printers, {i.id: i for i in items}, packing, estimates,
        one_after_another(estimates), stood, said, ledger(result.ledger, pieces_on, done),
        checks, warned,
    )  # fmt: skip


def calibrated_job(job: Job, plan: Plan, number: int, hours: float, grams: float) -> Job:
    """The job with its printer calibrated by one finished build.

    Parameters
    ----------
    number : of the build. hours, grams : that it took, as read off the printer or weighed.

    Raises
    ------
    BadInput
        If there is no such build, or the numbers are another print's.
    """
    builds = {b.number: b for b in plan.packing.builds}
    if number not in builds:
        raise BadInput(f"There is no build {number}; builds go from 1 to {len(builds)}.")
    build = builds[number]
    of = {p.number: p.quantities for p in plan.parts}
    took = on_one_build(of[p.item] for p in build.placed)
    if build.printer == job.printer.name:
        changes = calibrated(job.printer, took, hours, grams)
        return replace(job, printer=_changed(job.printer, changes))
    others = tuple(
        replace(o, profile=_changed(o.profile, calibrated(o.profile, took, hours, grams)))
        if o.profile.name == build.printer
        else o
        for o in job.builds.printers
    )
    return replace(job, builds=replace(job.builds, printers=others))


def _changed(profile: PrinterProfile, changes: Mapping[str, float]) -> PrinterProfile:
    """A profile with some numbers changed."""
    return replace(profile, **{key: round(value, 6) for key, value in changes.items()})  # type: ignore[arg-type]


def _require_groups(choice: BuildChoice, pieces: tuple[Piece, ...]) -> None:
    ids = {p.id for p in pieces}
    for group in choice.groups:
        for piece in group.pieces:
            if piece not in ids:
                raise BadInput(
                    f"Group '{group.name}' names piece {piece}, but parts go from 1 to "
                    f"{max(ids)}; correct it."
                )


def _printers(profile: PrinterProfile, choice: BuildChoice) -> tuple[Printer, ...]:
    own = Printer(profile.name, platform_of(profile), choice.count)
    others = (Printer(o.profile.name, platform_of(o.profile), o.count) for o in choice.printers)
    return (own, *others)


def _gap(choice: BuildChoice, profiles: Iterable[PrinterProfile]) -> float:
    """mm between the outlines of pieces: the gap between their brims, and both of these."""
    return choice.gap + 2 * max(profile.brim for profile in profiles)


# --- poses -----------------------------------------------------------------------------------


def _poses(
    result: Result,
    printers: tuple[Printer, ...],
    executor: Executor | None,
    tell: Progress,
) -> dict[int, Pose]:
    """The pose of each piece; those that are to match with layers alike."""
    platforms = tuple(p.platform for p in printers)
    tasks = [_Task.of(result, piece, platforms) for piece in result.pieces]
    found = dict(_each(tasks, executor, lambda d, w: tell(0.8 * d, w)))
    pairs = _pairs(result)
    if not pairs:
        return {piece: poses_[0] for piece, poses_ in found.items()}
    partners: dict[int, set[int]] = {}
    for a, b in pairs:
        partners.setdefault(a, set()).add(b)
        partners.setdefault(b, set()).add(a)
    again = [
        replace(
            task,
            alike=np.concatenate(
                [task.alike, *(np.array([p.down for p in found[n][:MATCHED]]) for n in others)]
            ),
        )
        for task in tasks
        if (others := sorted(partners.get(task.piece, ())))
    ]
    found |= _each(again, executor, lambda d, w: tell(0.8 + 0.2 * d, w))
    return dict(matched(found, pairs))


def _each(
    tasks: Sequence[_Task], executor: Executor | None, tell: Progress
) -> Iterator[tuple[int, tuple[Pose, ...]]]:
    """Each task's piece and its poses."""

    def here(n: int) -> tuple[Pose, ...]:
        words = f"choosing the pose of piece {tasks[n].piece}"
        return _found(tasks[n], lambda d: tell((n + d) / len(tasks), words))

    each = executor.map(_found, tasks) if executor else map(here, range(len(tasks)))
    for n, (task, found) in enumerate(zip(tasks, each, strict=True), start=1):
        yield task.piece, found
        tell(n / len(tasks), f"choosing the pose of piece {task.piece}")


@dataclass(frozen=True, eq=False)
class _Task:
    """What the poses of one piece are found from; it goes to another process whole."""

    piece: int
    mesh: Mesh
    profile: PrinterProfile
    platforms: tuple[Platform, ...]
    keep: BoolArray
    pegs: tuple[Any, ...]
    alike: FloatArray

    @staticmethod
    def of(result: Result, piece: Piece, platforms: tuple[Platform, ...]) -> _Task:
        figure = result.figure
        keep = carried(figure.markings, figure.mesh, piece.mesh).keep_clear
        plain = Mesh(piece.mesh.vertices, piece.mesh.faces, piece.mesh.tag)
        return _Task(
            piece.id, plain, result.job.printer, platforms, keep,
            peg_rows(piece.id, result.joints), -result.fits[piece.id].rotation[2][None],
        )  # fmt: skip


def _found(task: _Task, told: Told | None = None) -> tuple[Pose, ...]:
    def fits(hull: FloatArray) -> bool:
        return any(fit(hull, p, allow="turned").way != "none" for p in task.platforms)

    return poses(
        task.mesh, task.profile, fits=task.platforms[0] if len(task.platforms) == 1 else fits,
        keep=task.keep, pegs=task.pegs, alike=task.alike, told=told,
    )  # fmt: skip


def _pairs(result: Result) -> list[tuple[int, int]]:
    """Pieces that meet at a seam whose layers are to match."""
    wanted = set(result.job.builds.match)
    faces = (j.interface for j in result.joints if j.interface.seam.name in wanted)
    return sorted({(min(f.piece_a, f.piece_b), max(f.piece_a, f.piece_b)) for f in faces})


# --- parts -----------------------------------------------------------------------------------


def _parts(result: Result, chosen: Mapping[int, Pose], tell: Progress) -> tuple[Part, ...]:
    """Pieces, then loose pegs, as if all were printed on the job's own printer."""
    found = []
    for n, piece in enumerate(result.pieces):
        tell(n / len(result.pieces), "estimating parts")
        part = _part(
            result.job.printer, piece.id, piece.name, piece.mesh, chosen[piece.id].rotation,
            chosen[piece.id], pegs_on(piece.id, result.joints),
        )  # fmt: skip
        found.append(part)
    return (
        *found,
        *(
            _part(result.job.printer, number, peg.name, peg.mesh, peg.rotation)
            for number, peg in enumerate(result.loose, start=len(result.pieces) + 1)
        ),
    )


def _part(
    profile: PrinterProfile,
    number: int,
    name: str,
    mesh: Mesh,
    rotation: FloatArray,
    pose: Pose | None = None,
    pegs: float = 0.0,
) -> Part:
    """A part printed by itself; pegs : of them, mm³, as in `Quantities`."""
    needs = quantities(
        mesh, profile, height=float(np.ptp(mesh.vertices @ rotation[2])),
        support=1000 * pose.terms.support if pose else 0.0, pegs=pegs,
    )  # fmt: skip
    return Part(number, name, mesh, rotation, pose, needs, estimate(needs, profile))


def _printed(part: Part, profile: PrinterProfile) -> Part:
    """The part as it is printed with another profile, whose layers and shell may differ."""
    return _part(
        profile, part.number, part.name, part.mesh, part.rotation, part.pose, part.quantities.pegs
    )


def _item(
    part: Part, choice: BuildChoice, needed: Mapping[int, int], profile: PrinterProfile
) -> Item:
    return item_of(
        part.mesh, part.rotation, id=part.number, name=part.name,
        group=choice.group_of(part.number), needed=needed.get(part.number, 0),
        mass=weight(part.mesh, profile).mass,
    )  # fmt: skip


def _ranks(result: Result) -> dict[int, int]:
    """When assembly needs each part: the number of the first step that it has a part in."""
    last = len(result.order.steps) + 1
    first = {p.id: last for p in result.pieces}
    step_of: dict[str, int] = {}
    for n, step in enumerate(result.order.steps, start=1):
        for piece in (*step.moving, *step.onto):
            first[piece] = min(first[piece], n)
        step_of |= {name: min(n, step_of.get(name, n)) for name in step.joints}
    pegs = enumerate(result.loose, start=len(result.pieces) + 1)
    return first | {n: step_of.get(peg.joint, last) for n, peg in pegs}


# --- stance ----------------------------------------------------------------------------------


def _stance(result: Result) -> tuple[Stance | None, str, tuple[str, ...]]:
    """How the figure stands, in words, and what to be warned of."""
    profile = result.job.printer
    fixed = tuple(weight(peg.mesh, profile) for peg in result.loose) + _rods(result)
    try:
        found = stance(
            result.pieces, result.weights, profile, fixed=fixed, wanted=result.job.builds.tipping
        )
    except BadInput as error:
        return None, str(error), (str(error),)
    return found, found.sentence, (found.warning,) if found.warning else ()


STEEL = 7.85e-3
"""g/mm³ of steel (from memory)."""


def _rods(result: Result) -> tuple[Weight, ...]:
    """What the rods weigh, taken as steel, and where."""
    return tuple(
        Weight(
            STEEL * np.pi / 4 * rod.diameter**2 * rod.length,
            (np.asarray(rod.start) + np.asarray(rod.end)) / 2,
        )
        for rod in result.job.rods
    )
