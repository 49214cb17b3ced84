"""The job: everything a user decided, read from and written to TOML.

The same job is made by the panel and read by the batch; the same job on the same
figure gives the same bytes out.
"""

from __future__ import annotations

import contextlib
import math
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, cast

import tomli_w

from seamwright.build_choice import (
    AS_USUAL,
    BuildChoice,
    build_choice,
    builds_table,
    groups_table,
)
from seamwright.choice import AUTO, JointAt
from seamwright.errors import BadInput
from seamwright.joint_tables import (
    choice_table,
    joint_table,
    joints_at,
    rod_table,
    rods_of,
    seam_joint,
)
from seamwright.line import line_seam
from seamwright.markings import ABOVE, LINE_KINDS, KeepClear, LineKind
from seamwright.printer import PrinterProfile
from seamwright.printer_tables import other_printers, printer_of, printer_table
from seamwright.rod import Rod
from seamwright.seam import CREASE, PadChoice, Point, Reach, ReachMode, Seam, SeamLine
from seamwright.tables import (
    flag_of,
    number_of,
    point_of,
    require_known,
    table_of,
    text_of,
)

FORMAT = 1
"""Version of the job file's layout."""

_TOP = (
    "seamwright", "name", "figure", "printer", "other_printer", "output", "builds", "group",
    "seam", "joint", "rod",
)  # fmt: skip


@dataclass(frozen=True)
class FigureChoice:
    """Which figure, and how it gets its true size.

    file : path, relative to the job file; or
    object : name of an object in the open .blend.
    unit : of the source, for files whose format carries none.
    scale, target_height : one of them, or neither for the source's own size.
    up : the source's vertical axis.
    mend : whether to mend the mesh before anything else.
    keep_clear : what makes up the keep-clear area, if there is one.
    natural_lines : which of an object's edges are natural lines.
    """

    file: str | None = None
    object: str | None = None
    unit: str | None = None
    scale: float | None = None
    target_height: float | None = None
    up: str = "z"
    mend: bool = True
    keep_clear: tuple[KeepClear, ...] = ()
    natural_lines: tuple[LineKind, ...] = ()


@dataclass(frozen=True)
class Job:
    """A figure, a printer and seams.

    name : of the figure, used in files and reports.
    output : folder for the result, relative to the job file; None for one named after the job.
    joints : what was decided for single joints of seams that have several.
    rods : to be bought, with channels through the pieces.
    builds : how pieces go on builds.
    """

    name: str
    figure: FigureChoice
    printer: PrinterProfile
    seams: tuple[Seam, ...]
    output: str | None = None
    joints: tuple[JointAt, ...] = ()
    rods: tuple[Rod, ...] = ()
    builds: BuildChoice = AS_USUAL


def read_job(path: str | Path) -> Job:
    """Read a job file.

    Raises
    ------
    BadInput
        If the file is missing or not TOML, or a key is unknown, missing or of the wrong
        kind; the sentence names the file and the key.
    """
    path = Path(path)
    if path.suffix.lower() != ".toml":
        raise BadInput(f"Job '{path}' is not a .toml file; give a job file.")
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise BadInput(f"Job '{path}' does not exist; check the path.") from error
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"Job '{path}' cannot be read ({error}); check the file.") from error
    return job_from_toml(text, path.name)


def job_from_toml(text: str, where: str = "job") -> Job:
    """Make a job from TOML text; `where` names it in errors. Raises BadInput."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{where} is not valid TOML: {error}; correct that line.") from error
    require_known(data, _TOP, where)
    if data.get("seamwright") != FORMAT:
        raise BadInput(
            f"{where} does not start with 'seamwright = {FORMAT}', the layout this version reads."
        )
    name = text_of(data, "name", where, required=True)
    seams = data.get("seam", [])
    if not isinstance(seams, list) or not all(isinstance(s, dict) for s in seams):
        raise BadInput(f"{where}: write each seam as a table of its own, [[seam]].")
    made = tuple(_seam(s, number, where) for number, s in enumerate(seams, start=1))
    names = [s.name for s in made]
    for k, seam in enumerate(names):
        if seam in names[:k]:
            raise BadInput(f"{where}: two seams are named '{seam}'; give each its own name.")
    output = table_of(data, "output", where)
    require_known(output, ("folder",), f"{where}, [output]")
    own = printer_of(table_of(data, "printer", where), f"{where}, [printer]")
    return Job(
        cast(str, name),
        _figure(table_of(data, "figure", where), f"{where}, [figure]"),
        own,
        made,
        text_of(output, "folder", f"{where}, [output]"),
        joints_at(data, tuple(names), where),
        rods_of(data, where),
        build_choice(data, other_printers(data, own, where), tuple(names), where),
    )


def job_to_toml(job: Job) -> str:
    """The job as TOML text that `job_from_toml` reads back as the same job."""
    figure = {
        f.name: value
        for f in fields(FigureChoice)
        if (value := getattr(job.figure, f.name)) is not None and value != ()
    }
    if job.figure.keep_clear:
        figure["keep_clear"] = [_keep_clear_table(choice) for choice in job.figure.keep_clear]
    if job.figure.natural_lines:
        figure["natural_lines"] = list(job.figure.natural_lines)
    data: dict[str, Any] = {
        "seamwright": FORMAT,
        "name": job.name,
        "figure": figure,
        "printer": printer_table(job.printer),
    }
    if job.output is not None:
        data["output"] = {"folder": job.output}
    data["seam"] = [_seam_table(s) for s in job.seams]
    data |= _builds_tables(job.builds)
    if job.joints:
        data["joint"] = [joint_table(j) for j in job.joints]
    if job.rods:
        data["rod"] = [rod_table(r) for r in job.rods]
    return tomli_w.dumps(data)


def write_job(job: Job, path: str | Path) -> None:
    """Write a job file, whole or not at all.

    Raises
    ------
    BadInput
        If the place cannot be written to.
    """
    path = Path(path)
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(job_to_toml(job), encoding="utf-8")
        os.replace(beside, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise BadInput(
            f"Job '{path}' cannot be written ({error.strerror}); choose another place."
        ) from error


def _figure(table: Mapping[str, Any], where: str) -> FigureChoice:
    require_known(table, [f.name for f in fields(FigureChoice)], where)
    choice = FigureChoice(
        file=text_of(table, "file", where),
        object=text_of(table, "object", where),
        unit=text_of(table, "unit", where),
        scale=number_of(table, "scale", where),
        target_height=number_of(table, "target_height", where),
        up=text_of(table, "up", where) or "z",
        mend=flag_of(table, "mend", where, True),
        keep_clear=_keep_clear(table, where),
        natural_lines=_natural_lines(table, where),
    )
    if choice.file is not None and choice.object is not None:
        raise BadInput(f"{where}: give a file or an object, not both.")
    if choice.scale is not None and choice.target_height is not None:
        raise BadInput(f"{where}: give scale or target_height, not both.")
    for key in ("scale", "target_height"):
        value = getattr(choice, key)
        if value is not None and not value > 0:
            raise BadInput(f"{where}: {key} is {value:g}; it must be above 0.")
    return choice


def _natural_lines(table: Mapping[str, Any], where: str) -> tuple[LineKind, ...]:
    value = table.get("natural_lines", [])
    if not isinstance(value, list) or not all(kind in LINE_KINDS for kind in value):
        listed = ", ".join(f'"{kind}"' for kind in LINE_KINDS)
        raise BadInput(f"{where}: natural_lines must be a list of any of {listed}.")
    return tuple(value)


_KEEP_CLEAR_KEYS = {
    "vertex_group": ("above",),
    "mask": ("above",),
    "face_set": (),
    "property": ("above",),
    "ball": ("radius",),
}
"""What each kind of keep-clear area takes beside its own key."""


def _keep_clear(table: Mapping[str, Any], where: str) -> tuple[KeepClear, ...]:
    value = table.get("keep_clear", [])
    if not isinstance(value, list):
        value = [None]
    return tuple(
        _one_keep_clear(row, f"{where}, keep_clear {number}")
        for number, row in enumerate(value, start=1)
    )


def _one_keep_clear(row: Any, where: str) -> KeepClear:
    kinds = [kind for kind in _KEEP_CLEAR_KEYS if isinstance(row, dict) and kind in row]
    if isinstance(row, dict) and len(kinds) < 2:
        require_known(row, [*_KEEP_CLEAR_KEYS, "above", "radius"], where)
    if len(kinds) != 1:
        raise BadInput(
            f'{where} must be {{ vertex_group = "face" }}, {{ mask = true }}, {{ face_set = 3 }}, '
            '{ property = "keep" } or { ball = [x, y, z], radius = 40 }.'
        )
    kind = kinds[0]
    require_known(row, (kind, *_KEEP_CLEAR_KEYS[kind]), where)
    above = number_of(row, "above", where)
    if above is not None and kind != "property" and not 0 <= above < 1:
        raise BadInput(f"{where}: above is {above:g}; painted values go from 0 to 1.")
    limit = ABOVE if above is None else above
    if kind == "ball":
        radius = number_of(row, "radius", where)
        if radius is None or not radius > 0:
            raise BadInput(f"{where}: a ball needs a radius above 0 mm, radius = 40.")
        return KeepClear("ball", centre=point_of(row, "ball", where), radius=radius)
    if kind == "face_set":
        if type(row["face_set"]) is not int:
            raise BadInput(f"{where}: face_set must be a whole number, face_set = 3.")
        return KeepClear("face_set", number=row["face_set"])
    if kind == "mask":
        if row["mask"] is not True:
            raise BadInput(f"{where}: mask must be true; without a mask, take it out.")
        return KeepClear("mask", above=limit)
    name = cast(str, text_of(row, kind, where, required=True))
    return KeepClear("property" if kind == "property" else "vertex_group", name=name, above=limit)


def _keep_clear_table(choice: KeepClear) -> dict[str, Any]:
    if choice.kind == "ball":
        return {"ball": list(choice.centre), "radius": choice.radius}
    value: Any = {"mask": True, "face_set": choice.number}.get(choice.kind, choice.name)
    table: dict[str, Any] = {choice.kind: value}
    if choice.above != ABOVE:
        table["above"] = choice.above
    return table


def _builds_tables(choice: BuildChoice) -> dict[str, Any]:
    """What a job file says of builds, if it says anything."""
    found: dict[str, Any] = {}
    if table := builds_table(choice):
        found["builds"] = table
    if choice.groups:
        found["group"] = groups_table(choice)
    if choice.printers:
        found["other_printer"] = [
            printer_table(o.profile) | ({"count": o.count} if o.count > 1 else {})
            for o in choice.printers
        ]
    return found


def _seam(table: Mapping[str, Any], number: int, where: str) -> Seam:
    name = text_of(table, "name", f"{where}, seam {number}") or f"seam {number}"
    where = f"{where}, seam '{name}'"
    require_known(table, (*_SEAM_KEYS, *_LINE_KEYS), where)
    if "line" in table:
        return _along_line(table, number, name, where)
    for key in _LINE_KEYS:
        if key in table:
            raise BadInput(f"{where}: '{key}' is for a seam with a line; take it out.")
    point, normal = point_of(table, "point", where), point_of(table, "normal", where)
    if math.hypot(*normal) < 1e-9:
        raise BadInput(f"{where}: normal has no length; give a direction such as [0, 0, 1].")
    joint = seam_joint(table, where)
    stops = table.get("stops_at", [])
    if not isinstance(stops, list) or not all(isinstance(n, str) for n in stops):
        raise BadInput(f'{where}: stops_at must be a list of seam names, ["waist"].')
    reach = _reach(table.get("reach", "all"), where)
    return Seam(number, name, point, normal, reach, joint, tuple(stops))


_SEAM_KEYS = ("name", "point", "normal", "reach", "joint", "stops_at")
_LINE_KEYS = ("line", "crease", "pad")


def _along_line(table: Mapping[str, Any], number: int, name: str, where: str) -> Seam:
    """A line seam: points picked all the way round, and where its pegs' pad goes."""
    for key in ("point", "normal", "reach", "stops_at"):
        if key in table:
            raise BadInput(
                f"{where}: a seam with a line ends at that line, so it has no '{key}'; take it out."
            )
    rows = table["line"]
    if not isinstance(rows, list) or len(rows) < 3:
        raise BadInput(f"{where}: line must be three points or more, [[x, y, z], …].")
    points = tuple(point_of({"line": row}, "line", where) for row in rows)
    crease = number_of(table, "crease", where)
    if crease is not None and not 0 < crease <= 1:
        raise BadInput(f"{where}: crease is {crease:g}; it must be above 0 and at most 1.")
    pad = table_of(table, "pad", where)
    require_known(pad, ("at", "direction", "radius"), f"{where}, pad")
    radius = number_of(pad, "radius", f"{where}, pad")
    if radius is not None and not radius > 0:
        raise BadInput(f"{where}, pad: radius is {radius:g}; it must be above 0 mm.")
    way = point_of(pad, "direction", f"{where}, pad") if "direction" in pad else None
    if way is not None and math.hypot(*way) < 1e-9:
        raise BadInput(f"{where}, pad: direction has no length; give one such as [0, 0, 1].")
    choice = PadChoice(point_of(pad, "at", f"{where}, pad") if "at" in pad else None, way, radius)
    line = SeamLine(points, CREASE if crease is None else crease, choice)
    return line_seam(number, name, line, seam_joint(table, where))


def _line_table(line: SeamLine) -> dict[str, Any]:
    table: dict[str, Any] = {"line": [list(p) for p in line.points]}
    if line.crease != CREASE:
        table["crease"] = line.crease
    pad = {
        f.name: list(value) if isinstance(value, tuple) else value
        for f in fields(PadChoice)
        if (value := getattr(line.pad, f.name)) is not None
    }
    return {**table, "pad": pad} if pad else table


def _reach(value: Any, where: str) -> Reach:
    if value == "all":
        return Reach()
    if isinstance(value, dict):
        require_known(value, ("nearest", "disc", "radius", "outline", "regions"), f"{where}, reach")
        if set(value) == {"nearest"}:
            return Reach("nearest", points=_points(value, f"{where}, reach"))
        if set(value) == {"disc", "radius"}:
            centre = point_of(value, "disc", f"{where}, reach")
            radius = number_of(value, "radius", f"{where}, reach")
            return Reach("disc", points=(centre,), radius=cast(float, radius))
        if set(value) == {"outline"} and isinstance(value["outline"], list):
            corners = [{"outline": row} for row in value["outline"]]
            points = tuple(point_of(row, "outline", f"{where}, reach") for row in corners)
            if points:
                return Reach("outline", points=points)
        numbers = value.get("regions")
        whole = isinstance(numbers, list) and all(type(n) is int for n in numbers)
        if set(value) == {"regions"} and numbers and whole:
            return Reach("regions", regions=tuple(numbers))
    raise BadInput(
        f'{where}: reach must be "all", {{ nearest = [x, y, z] }} (or several such points), '
        "{ disc = [x, y, z], radius = 40 }, { outline = [[x, y, z], …] } or { regions = [1, 2] }."
    )


def _points(table: Mapping[str, Any], where: str) -> tuple[Point, ...]:
    """One point or a list of points under `nearest`."""
    value = table["nearest"]
    several = isinstance(value, list) and value and all(isinstance(p, list) for p in value)
    rows = value if several else [value]
    return tuple(point_of({"nearest": row}, "nearest", where) for row in rows)


def _seam_table(seam: Seam) -> dict[str, Any]:
    table: dict[str, Any] = {"name": seam.name}
    if seam.line:
        table |= _line_table(seam.line)
    else:
        table |= {"point": list(seam.point), "normal": list(seam.normal)}
    mode: ReachMode = seam.reach.mode
    if mode == "nearest":
        points = [list(p) for p in seam.reach.points]
        table["reach"] = {"nearest": points[0] if len(points) == 1 else points}
    elif mode == "disc":
        table["reach"] = {"disc": list(seam.reach.points[0]), "radius": seam.reach.radius}
    elif mode == "outline":
        table["reach"] = {"outline": [list(p) for p in seam.reach.points]}
    elif mode == "regions":
        table["reach"] = {"regions": list(seam.reach.regions)}
    if seam.stops_at:
        table["stops_at"] = list(seam.stops_at)
    if seam.joint != AUTO:
        kind = seam.joint.kind if seam.joint.plainly else None
        table["joint"] = kind or choice_table(seam.joint)
    return table
