"""Build files: one 3MF for each build, every piece standing where it is to be printed.

Objects hold the pieces in their poses, standing on z = 0; the build items' transforms turn them
about the vertical and move them. Coordinates are mm from the platform's front left corner.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from seamwright.builds import Build, Placed
from seamwright.checks import Check
from seamwright.errors import BadInput, Cancelled, CheckFailed, Told
from seamwright.files import (
    APPLICATION,
    NOT_XML,
    as_written,
    matrix_of,
    meshes_of,
    open_3mf,
    reason_of,
    write_whole,
)
from seamwright.mesh import FloatArray, IntArray, Mesh, box_of
from seamwright.silhouette import turn_matrix

OFF = 1e-3
"""mm by which a place, or a distance within a piece, may be off in a file; what printers
resolve is no finer (from memory)."""

SAMPLED = 60
"""Points of each piece whose distances from each other are compared with the file's."""


@dataclass(frozen=True, eq=False)
class Posed:
    """A piece in its pose.

    mesh : mm. rotation : (3, 3) of the pose, ``points @ rotation.T``. name : of the object.
    """

    mesh: Mesh
    rotation: FloatArray
    name: str


def write_build(
    build: Build,
    pieces: Mapping[int, Posed],
    path: str | Path,
    *,
    title: str,
    description: str = "",
    told: Told | None = None,
) -> Check:
    """Write a build as 3MF, whole or not at all, and check the file; the same bytes each time.

    Written by lib3mf by the 3MF Core Specification, with the piece numbers as part numbers.
    Its identifiers are reckoned from the build's own data, and it bears no date.

    Parameters
    ----------
    pieces : by piece number; those that the build holds are written.
    path : a file of that name is replaced.
    title, description : metadata.
    told : called with the share done, for every piece written or read; it may raise
        `Cancelled`, and a file that was not read again yet is taken away.

    Returns
    -------
    What was checked, see `require_build_holds`.

    Raises
    ------
    BadInput
        If a piece is missing, has no faces or has a coordinate out of range, a text holds a
        control character, or the file cannot be written.
    CheckFailed
        If the file, read again, does not hold the build.
    """
    path = Path(path)
    missing = [placed.item for placed in build.placed if placed.item not in pieces]
    if missing:
        raise BadInput(f"Build {build.number} needs piece {missing[0]}, which was not given.")
    metadata = {"Title": title, "Description": description, "Application": APPLICATION}
    names = [pieces[placed.item].name for placed in build.placed]
    for text in (*names, *metadata.values()):
        if NOT_XML.search(text):
            raise BadInput(f"{text!r} holds a character that 3MF cannot; take it out.")
    tell = told or (lambda _done: None)
    data = _model(build, pieces, metadata, path, lambda d: tell(0.5 * d))
    tell(0.5)
    write_whole(path, lambda file: file.write(data))
    try:
        return require_build_holds(path, build, pieces, lambda d: tell(0.5 + 0.5 * d))
    except Cancelled:
        path.unlink()
        raise


def _model(
    build: Build,
    pieces: Mapping[int, Posed],
    metadata: Mapping[str, str],
    path: Path,
    tell: Told,
) -> bytes:
    """The bytes of a build's file."""
    import lib3mf  # noqa: PLC0415  (a large library that only 3MF files need)

    wrapper = lib3mf.get_wrapper()
    marks = [hashlib.sha256(repr(sorted(metadata.items())).encode()).hexdigest()]
    try:
        model = wrapper.CreateModel()
        model.SetUnit(lib3mf.ModelUnit.MilliMeter)
        for n, placed in enumerate(build.placed):
            tell(0.5 * n / len(build.placed))
            points, faces, transform = _as_placed(placed, pieces[placed.item])
            label = " ".join(pieces[placed.item].name.split())
            own = (points.tobytes(), faces.tobytes(), transform.tobytes(), label.encode())
            mark = hashlib.sha256(b"".join(own)).hexdigest() + f" {placed.item}"
            marks.append(mark)
            thing = model.AddMeshObject()
            thing.SetName(label)
            thing.SetPartNumber(str(placed.item))
            thing.SetUUID(_identifier(f"{mark} object"))
            thing.SetGeometry(
                (lib3mf.Position * len(points)).from_buffer_copy(points.tobytes()),
                (lib3mf.Triangle * len(faces)).from_buffer_copy(faces.tobytes()),
            )
            item = model.AddBuildItem(thing, _lib3mf_transform(lib3mf, transform))
            item.SetPartNumber(str(placed.item))
            item.SetUUID(_identifier(f"{mark} item"))
        model.SetBuildUUID(_identifier(" ".join(marks)))
        group = model.GetMetaDataGroup()
        for key, value in metadata.items():
            if value:
                group.AddMetaData("", key, value, "xs:string", True)
        writer = model.QueryWriter("3mf")
        # lib3mf counts decimals and works in 64 bits: nine are the most it has room for.
        writer.SetDecimalPrecision(9)
        tell(0.5)
        return bytes(writer.WriteToBuffer())
    except lib3mf.ELib3MFException as error:
        raise BadInput(f"'{path}' cannot be written as 3MF ({reason_of(error)}).") from error


def _as_placed(placed: Placed, piece: Posed) -> tuple[FloatArray, IntArray, FloatArray]:
    """An object's points, float32, and faces, and the (4, 3) transform of its build item.

    lib3mf writes transforms with six digits, so the move is a whole number of hundredths of
    a mm, and what is left over is in the points.
    """
    mesh = as_written(piece.mesh)
    if len(mesh.faces) == 0:
        raise BadInput(f"Piece {placed.item} holds no triangles; nothing is written.")
    whole = placed.transform(mesh, piece.rotation)
    there = mesh.vertices @ whole[:3] + whole[3]
    turn = np.eye(3)
    turn[:2, :2] = turn_matrix(placed.turn)
    low, high = box_of(there)
    move = np.append(np.round((low + high)[:2] / 2, 2), 0.0)
    points = (there - move) @ turn
    points[:, 2] = np.maximum(points[:, 2], 0.0)
    # Adding 0 turns a -0 into a plain one.
    transform = np.vstack([turn.T, move]) + 0.0
    return points.astype("<f4"), mesh.faces.astype("<u4"), transform


def _lib3mf_transform(lib3mf: Any, transform: FloatArray) -> Any:
    made = lib3mf.Transform()
    for row in range(4):
        for column in range(3):
            made.Fields[row][column] = float(transform[row, column])
    return made


def _identifier(of: str) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_OID, of))


def require_build_holds(
    path: str | Path,
    build: Build,
    pieces: Mapping[int, Posed],
    told: Told | None = None,
) -> Check:
    """A build's file, read by lib3mf in strict mode, holds its pieces where they stand.

    Every warning counts as a failure. Each build item must bear its piece's number and name
    and its triangles; every point must lie where the pose, the turn and the place put
    it; and the distances between points must be those of the piece, at one scale.
    told : called with the share done, for every piece; it may raise `Cancelled`.

    Raises
    ------
    CheckFailed
        If not.
    """
    import lib3mf  # noqa: PLC0415  (a large library that only 3MF files need)

    where = f"The file of build {build.number}"
    try:
        model, warnings = open_3mf(lib3mf.get_wrapper(), Path(path), strict=True)
    except lib3mf.ELib3MFException as error:
        raise CheckFailed(f"{where} cannot be read again ({reason_of(error)}).") from error
    if warnings:
        raise CheckFailed(f"{where} breaks the rules of 3MF ({' '.join(warnings[0].split())}).")
    items = model.GetBuildItems()
    worst = 0.0
    tell = told or (lambda _done: None)
    for n, placed in enumerate(build.placed):
        tell(0.5 + 0.5 * n / len(build.placed))
        if not items.MoveNext():
            raise CheckFailed(f"{where} lacks piece {placed.item}.")
        item = items.GetCurrent()
        thing = item.GetObjectResource()
        piece = pieces[placed.item]
        (read,) = meshes_of(thing, matrix_of(item.GetObjectTransform()))
        mesh = as_written(piece.mesh)
        named = " ".join(piece.name.split())
        same = np.array_equal(read.faces, mesh.faces)
        if (item.GetPartNumber(), thing.GetName(), same) != (str(placed.item), named, True):
            raise CheckFailed(f"{where} does not hold piece {placed.item} as it was made.")
        place, length = _off(mesh, read, placed.transform(mesh, piece.rotation))
        if not length <= OFF:
            raise CheckFailed(f"{where} has piece {placed.item} at another size ({length:.3g} mm).")
        if not place <= OFF:
            raise CheckFailed(f"{where} has piece {placed.item} out of place by {place:.3g} mm.")
        worst = max(worst, place)
    if items.MoveNext():
        raise CheckFailed(f"{where} holds more than its pieces.")
    held = f"{len(build.placed)} piece{'s' if len(build.placed) > 1 else ''}"
    return Check(
        f"build {build.number}", f"{held} read back in place to {worst:.1g} mm, at one scale"
    )


def _off(mesh: Mesh, read: Mesh, transform: FloatArray) -> tuple[float, float]:
    """mm by which places, and distances within the piece, differ between piece and file."""
    there = mesh.vertices @ transform[:3] + transform[3]
    chosen = np.linspace(0, len(mesh.vertices) - 1, SAMPLED).astype(int)
    own, other = mesh.vertices[chosen], read.vertices[chosen]
    one = np.linalg.norm(own[:, None] - own, axis=2)
    two = np.linalg.norm(other[:, None] - other, axis=2)
    return float(np.abs(there - read.vertices).max()), float(np.abs(one - two).max())
