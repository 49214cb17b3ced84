"""The ledger: that nothing of the figure is missing, where it lies, and what is printed already.

Each shell of the figure is followed into its pieces and each piece onto its build. Pieces that
are printed can be ticked off, in a small file beside the results, and the rest packed again.
That all files are of one scale is shown by the distances between the joints as measured in
those files.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
import tomllib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w
from scipy.spatial.distance import pdist

from seamwright.body import Body
from seamwright.checks import Check, ShellLine
from seamwright.choice import SIDES
from seamwright.errors import BadInput, CheckFailed
from seamwright.frame import Frame
from seamwright.joint import Joint
from seamwright.mesh import FloatArray, Mesh
from seamwright.outline import inside_loop, point_segment_distance
from seamwright.pieces import Piece

FORMAT = 1
"""Version of the layout of the file of printed pieces."""

SAME_SOLID = 1e-4
"""Share of its volume by which a printed piece may differ from one of the same number."""

LENGTH_TOLERANCE = 1e-3
"""mm by which a distance between joints may be off: a hundredth of what prints."""

LENGTH_SHARE = 1e-6
"""Share of a distance by which it may be off besides: single precision in files."""

LOOK = 2.0
"""mm that a peg's end is looked for round where it should be, at most: farther off there may
be another face."""

COLUMNS = ("shell", "volume_cm3", "piece", "build", "printed")


@dataclass(frozen=True)
class Entry:
    """One shell of the figure in one piece.

    shell : number, from 1. volume : of the whole shell, mm³. piece : that holds some of it.
    build : number of the build the piece lies on, None on none. printed : ticked off.
    """

    shell: int
    volume: float
    piece: int
    build: int | None
    printed: bool


@dataclass(frozen=True)
class Printed:
    """Which pieces are printed, by id, and what is wrong with the list in sentences."""

    pieces: frozenset[int] = frozenset()
    warnings: tuple[str, ...] = ()


# --- nothing missing -------------------------------------------------------------------------


def ledger(
    shells: Iterable[ShellLine], builds: Mapping[int, int], printed: Collection[int] = ()
) -> tuple[Entry, ...]:
    """Every shell with its pieces, and every piece with its build.

    Parameters
    ----------
    shells : as `checks.require_all_shells` finds them.
    builds : number of the build that each piece lies on, by the piece's id.
    printed : ids of pieces that are printed already.
    """
    return tuple(
        Entry(line.shell, line.volume, piece, builds.get(piece), piece in printed)
        for line in shells
        for piece in line.pieces
    )


def require_all_on_builds(
    pieces: tuple[Piece, ...], builds: Mapping[int, int], printed: Collection[int] = ()
) -> Check:
    """Every piece lies on a build, unless it is printed.

    Raises
    ------
    CheckFailed
        If a piece lies on none, or a build holds a piece that there is not.
    """
    ids = {p.id for p in pieces}
    lost = sorted(ids - set(builds) - set(printed))
    if lost:
        raise CheckFailed(
            f"{_named(lost)} on no build and not ticked off as printed; pack the builds anew."
        )
    strange = sorted(set(builds) - ids)
    if strange:
        raise CheckFailed(
            f"Build {builds[strange[0]]} holds piece {strange[0]}, which the figure has not; "
            "pack the builds anew."
        )
    done = len(ids & set(printed))
    lying = len(set(builds) & ids)
    said = f"{_count(lying, 'piece')} on {_count(len(set(builds.values())), 'build')}"
    return Check("builds", said + (f", {done} of {len(ids)} printed" if done else ""))


def table(entries: Iterable[Entry]) -> str:
    """The ledger as CSV text, one line for each shell in each piece (RFC 4180)."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    for e in entries:
        build = "" if e.build is None else e.build
        rows.writerow(
            [e.shell, f"{e.volume / 1000:.6f}", e.piece, build, "yes" if e.printed else "no"]
        )
    return out.getvalue()


def summary(entries: tuple[Entry, ...]) -> str:
    """The ledger in one sentence."""
    shells, pieces = {e.shell for e in entries}, {e.piece for e in entries}
    done = {e.piece for e in entries if e.printed}
    left = sorted({e.build for e in entries if e.build is not None and not e.printed})
    said = f"{_count(len(shells), 'shell')} in {_count(len(pieces), 'piece')}, {len(done)} printed"
    if left:
        said += f"; build{'s' if len(left) > 1 else ''} {', '.join(map(str, left))} to print"
    return said


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _named(ids: list[int]) -> str:
    many = len(ids) > 1
    return f"{'Pieces' if many else 'Piece'} {', '.join(map(str, ids))} {'lie' if many else 'lies'}"


# --- what is printed -------------------------------------------------------------------------


def printed_path(results: Path) -> Path:
    """The file of printed pieces beside a result folder, where making that anew leaves it."""
    return results.with_name(f"{results.name}-printed.toml")


def read_printed(path: Path, pieces: tuple[Piece, ...]) -> Printed:
    """Which pieces are ticked off; none if there is no such file.

    The file has the number of each printed piece, and what volume it had. A piece that is
    another solid by now, since its seams were moved, is warned of and does not count.

    Raises
    ------
    BadInput
        If the file cannot be read, or ticks off a piece that there is not.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Printed()
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"'{path}' is not valid TOML: {error}; correct that line.") from error
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"'{path}' cannot be read ({error}); check the file.") from error
    volumes = _checked(data, path)
    there = {p.id: p for p in pieces}
    kept, warnings = [], []
    for number in sorted(set(data["printed"])):
        if number not in there:
            raise BadInput(
                f"'{path}' ticks off piece {number}, but the pieces are {_span(there)}; take that "
                "number out."
            )
        now = there[number].mesh.volume / 1000
        was = float(volumes.get(str(number), now))
        if abs(was - now) <= SAME_SOLID * abs(now):
            kept.append(number)
            continue
        warnings.append(
            f"Piece {number} is ticked off in '{path.name}' but was another solid when it was "
            f"printed, of {was:.2f} cm³ where it has {now:.2f} cm³ now; it counts as not printed."
        )
    return Printed(frozenset(kept), tuple(warnings))


def write_printed(path: Path, printed: Collection[int], pieces: tuple[Piece, ...]) -> None:
    """Write which pieces are printed, whole or not at all.

    Raises
    ------
    BadInput
        If there is no such piece, or the place cannot be written to.
    """
    there = {p.id: p for p in pieces}
    for number in printed:
        _require_known(number, there)
    numbers = sorted(set(printed))
    data = {
        "seamwright": FORMAT,
        "printed": numbers,
        "volume_cm3": {str(n): round(there[n].mesh.volume / 1000, 6) for n in numbers},
    }
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(tomli_w.dumps(data), encoding="utf-8")
        os.replace(beside, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise BadInput(
            f"'{path}' cannot be written ({error.strerror}); choose another place."
        ) from error


def tick(
    path: Path, pieces: tuple[Piece, ...], numbers: Collection[int], done: bool = True
) -> Printed:
    """Tick pieces off as printed, or take their ticks away again, in the file.

    Raises
    ------
    BadInput
        If there is no such piece, or the file cannot be read or written.
    """
    before = read_printed(path, pieces)
    after = ticked(before, pieces, numbers if done else (), () if done else numbers)
    write_printed(path, after.pieces, pieces)
    return after


def ticked(
    before: Printed, pieces: tuple[Piece, ...], add: Collection[int], remove: Collection[int]
) -> Printed:
    """What is printed once some pieces are ticked off, and the ticks of others taken away.

    Raises
    ------
    BadInput
        If there is no such piece.
    """
    there = {p.id: p for p in pieces}
    for number in (*add, *remove):
        _require_known(number, there)
    return Printed((before.pieces | set(add)) - set(remove), before.warnings)


def _require_known(number: int, there: Mapping[int, Piece]) -> None:
    if number not in there:
        raise BadInput(f"There is no piece {number} to tick off; the pieces are {_span(there)}.")


def _span(there: Collection[int]) -> str:
    ids = sorted(there)
    return f"{ids[0]} to {ids[-1]}" if len(ids) > 1 else ", ".join(map(str, ids)) or "none"


def _checked(data: Mapping[str, Any], path: Path) -> Mapping[str, Any]:
    """The volumes, if all in the file is of the right kind."""
    for key in data:
        if key not in ("seamwright", "printed", "volume_cm3"):
            raise BadInput(
                f"'{path}': key '{key}' is unknown; use seamwright, printed, volume_cm3."
            )
    if data.get("seamwright") != FORMAT:
        raise BadInput(
            f"'{path}' does not start with 'seamwright = {FORMAT}', the layout this version reads."
        )
    numbers = data.get("printed")
    if not isinstance(numbers, list) or not all(type(n) is int for n in numbers):
        raise BadInput(f"'{path}': printed must be a list of piece numbers, [1, 4, 5].")
    volumes = data.get("volume_cm3", {})
    good = isinstance(volumes, dict) and all(type(v) in (int, float) for v in volumes.values())
    if not good:
        raise BadInput(f"'{path}': volume_cm3 must be a table of numbers by piece number.")
    return dict(volumes)


# --- one scale -------------------------------------------------------------------------------


def require_joint_scale(
    joints: tuple[Joint, ...],
    read_back: Mapping[int, Mesh],
    placements: Mapping[int, FloatArray] | None = None,
) -> Check:
    """In every file, the joints lie as far from each other as they do in the figure.

    The end faces of pegs, sockets and pockets are looked for in the triangles that were read
    back, and the distances between their centres of area are measured. Turning a piece, or
    shifting it, changes none; another scale changes all. Where a piece has only one such face,
    its size is measured.

    Parameters
    ----------
    read_back : each piece's file, by the piece's id.
    placements : (4, 3) by piece, as `builds.pose_transform` gives it, from the figure to the
        file; where none is given, the piece is where the figure has it.

    Raises
    ------
    CheckFailed
        If a face is not where it should be, or a length is off by more than
        `LENGTH_TOLERANCE` and `LENGTH_SHARE` of it.
    """
    faces = _end_faces(joints)
    bare = sorted(set(read_back) - set(faces))
    worst, count, sized = 0.0, 0, 0
    for piece, mesh in sorted(read_back.items()):
        mine = faces.pop(piece, [])
        if not mine:
            continue
        asked, found = _lengths(piece, mesh, mine, (placements or {}).get(piece))
        several = len(mine) > 1
        count, sized = count + several * len(asked), sized + (not several)
        off = np.abs(found - asked)
        beyond = off - LENGTH_SHARE * asked
        worst = max(worst, float(off.max()))
        if not beyond.max() <= LENGTH_TOLERANCE:
            k = int(np.argmax(beyond))
            what = "between two joints" if several else f"of joint {mine[0][0]}"
            raise CheckFailed(
                f"In the file of piece {piece} a length {what} is {found[k]:.4f} mm where the "
                f"figure has {asked[k]:.4f} mm; it is of another scale: write it again."
            )
    if faces:
        raise CheckFailed(f"No file of piece {min(faces)} was read back; write it again.")
    said = f"{_count(count, 'distance')} between joints in the files measured"
    said += f", {_count(sized, 'piece')} with one peg or socket by its size" if sized else ""
    said += f", off by {worst:.1g} mm at most" if count or sized else ""
    if bare:
        said += f"; {_count(len(bare), 'piece')} with none: {', '.join(map(str, bare))}"
    return Check("joint scale", said)


def _lengths(
    piece: int, mesh: Mesh, ends: list[tuple[str, Body]], placed: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """(N,) lengths between a piece's end faces, mm, as they should be and as they are.

    Of a single face, the side of a square of its area.
    """
    true, seen = [], []
    for letter, body in ends:
        face = _Face.of(body, placed)
        centre, area = face.measured(mesh)
        if not abs(area - face.area) <= 0.1 * face.area:
            raise CheckFailed(
                f"The file of piece {piece} has no end of a peg, socket or pocket of joint "
                f"{letter} where it should be; its scale or place is wrong: write it again."
            )
        true.append((face.centre, face.area))
        seen.append((centre, area))
    if len(ends) == 1:
        return np.sqrt([true[0][1]]), np.sqrt([seen[0][1]])
    asked, found = (pdist(np.array([centre for centre, _ in all_])) for all_ in (true, seen))
    return asked, found


def _end_faces(joints: tuple[Joint, ...]) -> dict[int, list[tuple[str, Body]]]:
    """By piece, each body of a joint that has an end in it, with the joint's letter."""
    found: dict[int, list[tuple[str, Body]]] = {}
    for joint in joints:
        for side in SIDES:
            for body in joint.bodies(side, marks=False):
                if not body.through:
                    found.setdefault(joint.piece(side), []).append((joint.letter, body))
    return found


@dataclass(frozen=True, eq=False)
class _Face:
    """The end face of a peg, a socket or a pocket, as it should be in a file.

    centre : (3,) of area, mm. normal : (3,) out of the piece. ring : (N, 3) its outline, mm.
    area : mm². slack : mm round it within which it is looked for.
    """

    centre: FloatArray
    normal: FloatArray
    ring: FloatArray
    area: float
    slack: float

    @staticmethod
    def of(body: Body, placed: FloatArray | None) -> _Face:
        points = body.points
        if placed is not None:
            points = points @ placed[:3] + placed[3]
        # A body looks out of itself, a piece out of its material: the other way in a hole.
        corners = points[body.end] if body.stands else points[body.end[:, ::-1]]
        centre, area, normal = _of_area(corners)
        ring = points[-body.size :]
        depth = abs(float((points[: body.size].mean(axis=0) - centre) @ normal))
        return _Face(centre, normal, ring, area, min(0.2 * depth, LOOK))

    def measured(self, mesh: Mesh) -> tuple[FloatArray, float]:
        """(3,) centre, mm, and area, mm², of what a mesh has there and faces that way."""
        reach = float(np.linalg.norm(self.ring - self.centre, axis=1).max())
        around = np.linalg.norm(mesh.vertices - self.centre, axis=1) <= 1.2 * reach + self.slack
        corners = mesh.vertices[mesh.faces[around[mesh.faces].all(axis=1)]]
        frame = Frame.on_plane(self.centre, self.normal)
        local = frame.to_local(corners.reshape(-1, 3))
        flat, out = local[:, :2], frame.to_plane(self.ring)
        edge = point_segment_distance(flat[:, None], out, np.roll(out, -1, axis=0)).min(axis=1)
        near = inside_loop(flat, out) | (edge <= self.slack + 0.02 * reach)
        good = (np.abs(local[:, 2]) <= self.slack) & near
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        facing = across @ self.normal > 0.999 * np.linalg.norm(across, axis=1)
        centre, area, _ = _of_area(corners[good.reshape(-1, 3).all(axis=1) & facing])
        return centre, area


def _of_area(corners: FloatArray) -> tuple[FloatArray, float, FloatArray]:
    """(3,) centre of area, area and (3,) unit normal of (T, 3, 3) triangles; area 0 if none."""
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(across, axis=1) / 2
    area = float(areas.sum())
    if not area > 0:
        return np.zeros(3), 0.0, np.zeros(3)
    normal = across.sum(axis=0)
    return areas @ corners.mean(axis=1) / area, area, normal / np.linalg.norm(normal)
