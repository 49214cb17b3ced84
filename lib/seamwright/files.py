"""Mesh files: figures read from STL, OBJ, PLY and 3MF, pieces written as STL and 3MF.

STL, OBJ and PLY come through `formats`; 3MF is read and written with lib3mf.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import shutil
import struct
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np

from seamwright import __version__
from seamwright.errors import BadInput
from seamwright.figure import UNITS, welded
from seamwright.formats import READERS
from seamwright.mesh import FloatArray, Mesh, joined

APPLICATION = f"Seamwright {__version__}"
"""What signs the files we write."""

METADATA_NAMES = (
    "Title",
    "Designer",
    "Description",
    "Copyright",
    "LicenseTerms",
    "Rating",
    "CreationDate",
    "ModificationDate",
    "Application",
)
"""Metadata names that need no namespace (3MF Core Specification 1.3.0, table of names)."""

FARTHEST = 1e9
"""Greatest coordinate, mm, that is written; lib3mf reads nothing beyond it."""


@dataclass(frozen=True)
class FigureFile:
    """What a file holds.

    mesh : its triangles; in mm if `unit` is "mm", else in a unit the file does not tell.
    unit : "mm" for 3MF, which carries a unit; None for STL, OBJ and PLY.
    notes : what the file breaks of its own format's rules and was overlooked.
    """

    mesh: Mesh
    unit: str | None
    notes: tuple[str, ...] = ()


def read_mesh(path: str | Path) -> Mesh:
    """The triangles of a mesh file: `read_figure` without the unit."""
    return read_figure(path).mesh


def read_figure(path: str | Path) -> FigureFile:
    """Read a figure from an STL, OBJ, PLY or 3MF file.

    All objects and groups in the file become one mesh. Quads and polygons are
    triangulated. STL and OBJ vertices are welded where they are exactly equal, and
    triangles with two equal corners dropped; PLY and 3MF vertices stay as they are.
    3MF comes with all build items and components in place, scaled to mm, without
    support objects.

    Parameters
    ----------
    path : str or Path
        The file; its suffix says the format, in capitals or not.

    Raises
    ------
    BadInput
        If there is no such file, its suffix is unknown, it is empty, damaged or
        cut off, holds no triangles, has a coordinate that is not a finite number,
        or a face points at a vertex that is not there.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    try:
        if path.is_dir():
            raise BadInput(f"'{path}' is a folder; give a file.")
        if suffix not in (*READERS, ".3mf"):
            raise BadInput(
                f"'{path}' is not of a known kind; give a file that ends in "
                f"{', '.join(READERS)} or .3mf."
            )
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise BadInput(f"There is no file '{path}'; check the path.") from error
    except OSError as error:
        raise BadInput(f"'{path}' cannot be opened ({reason_of(error)}); check it.") from error
    if not data:
        raise BadInput(f"'{path}' is empty; export it again.")

    if suffix == ".3mf":
        return _read_3mf(path)
    try:
        mesh = READERS[suffix](data)
    except (ValueError, IndexError, KeyError, OverflowError, struct.error) as error:
        raise _unreadable(path, error) from error
    return FigureFile(_with_faces(mesh, path), None)


def _unreadable(path: Path, error: Exception) -> BadInput:
    return BadInput(f"'{path}' cannot be read ({reason_of(error)}); export it again.")


def reason_of(error: Exception) -> str:
    """The error's text on one line, fit to stand inside a sentence."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return " ".join(text.split()).rstrip(".")


def _with_faces(mesh: Mesh, path: Path) -> Mesh:
    if len(mesh.faces) == 0:
        raise BadInput(f"'{path}' holds no triangles; export it again as a mesh.")
    return mesh


# --- 3MF --------------------------------------------------------------------------


def _read_3mf(path: Path) -> FigureFile:
    """All build items of a 3MF file, in mm; by the rules first, then as far as it goes."""
    import lib3mf  # noqa: PLC0415  (a large library that only 3MF files need)

    wrapper = lib3mf.get_wrapper()
    try:
        try:
            model, notes = open_3mf(wrapper, path, strict=True)
        except lib3mf.ELib3MFException:
            model, notes = open_3mf(wrapper, path, strict=False)
        units = {
            lib3mf.ModelUnit.MicroMeter: UNITS["um"],
            lib3mf.ModelUnit.MilliMeter: UNITS["mm"],
            lib3mf.ModelUnit.CentiMeter: UNITS["cm"],
            lib3mf.ModelUnit.Inch: UNITS["in"],
            lib3mf.ModelUnit.Foot: UNITS["ft"],
            lib3mf.ModelUnit.Meter: UNITS["m"],
        }
        parts: list[Mesh] = []
        items = model.GetBuildItems()
        while items.MoveNext():
            item = items.GetCurrent()
            thing = item.GetObjectResource()
            if thing.GetType() in (lib3mf.ObjectType.Support, lib3mf.ObjectType.SolidSupport):
                continue
            parts += meshes_of(thing, matrix_of(item.GetObjectTransform()))
        factor = units[model.GetUnit()]
    except (lib3mf.ELib3MFException, ValueError) as error:
        raise _unreadable(path, error) from error
    return FigureFile(_with_faces(joined(parts).scaled(factor), path), "mm", notes)


def open_3mf(wrapper: Any, path: Path, *, strict: bool) -> tuple[Any, tuple[str, ...]]:
    """A 3MF file's model as lib3mf reads it, and what it warns of.

    Raises
    ------
    lib3mf.ELib3MFException
        If the file cannot be read; in strict mode, if it breaks the rules of 3MF.
    """
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(strict)
    reader.ReadFromFile(str(path))
    return model, tuple(reader.GetWarning(i)[1] for i in range(reader.GetWarningCount()))


def matrix_of(transform: Any) -> FloatArray:
    """(4, 3): a point row times the first three rows, plus the fourth (3MF core, 3D matrices)."""
    return np.array(transform.Fields, dtype=np.float64)


def meshes_of(thing: Any, matrix: FloatArray) -> list[Mesh]:
    """The meshes of an object and of its components, each where it belongs."""
    if thing.IsMeshObject():
        points = np.frombuffer(b"".join(thing.GetVertices()), dtype="<f4").reshape(-1, 3)
        faces = np.frombuffer(b"".join(thing.GetTriangleIndices()), dtype="<u4").reshape(-1, 3)
        if np.linalg.det(matrix[:3]) < 0:  # a mirrored copy would be inside out
            faces = faces[:, ::-1]
        placed = points.astype(np.float64) @ matrix[:3] + matrix[3]
        return [Mesh.of(placed, faces)]
    meshes: list[Mesh] = []
    if thing.IsComponentsObject():
        for i in range(thing.GetComponentCount()):
            component = thing.GetComponent(i)
            own = matrix_of(component.GetTransform())
            within = np.vstack([own[:3] @ matrix[:3], own[3] @ matrix[:3] + matrix[3]])
            meshes += meshes_of(component.GetObjectResource(), within)
    return meshes


# --- writing ----------------------------------------------------------------------


def as_written(mesh: Mesh) -> Mesh:
    """The mesh as the files hold it: in float32, which can bring vertices together.

    Vertices are rounded to float32 and welded where they became equal (exactly so,
    no tolerance); faces left with two equal corners are dropped, and vertices that
    no face uses. Both writers write this. Doing it twice changes nothing.

    A fold finer than float32 (about 1e-5 mm at 100 mm) can end as an edge of four
    faces: the caller checks that the result is still closed.

    Raises
    ------
    BadInput
        If a vertex is further out than `FARTHEST`.
    """
    if len(mesh.vertices) and np.abs(mesh.vertices).max() > FARTHEST:
        raise BadInput(
            f"A vertex is more than {FARTHEST:.0e} mm from the origin, which a 3MF file "
            "cannot hold; check the unit."
        )
    points, index = welded(mesh.vertices.astype(np.float32))
    faces = index[mesh.faces]
    kept = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    return Mesh(points.astype(np.float64), faces[kept], mesh.tag[kept]).compacted()


# 50 bytes a triangle are the whole format, so one structured array writes it.
STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def write_stl(mesh: Mesh, path: str | Path, name: str) -> None:
    """Write a piece as binary STL, whole or not at all; the same piece gives the same bytes.

    Parameters
    ----------
    mesh : Mesh
        In mm; `as_written` is applied.
    path : str or Path
        A file of that name is replaced.
    name : str
        Goes into the header, as far as its 80 bytes of ASCII allow.

    Raises
    ------
    BadInput
        If the mesh has no faces or the file cannot be written.
    """
    mesh = _with_something(as_written(mesh), path)
    # "Seamwright ..." and never "solid ...", which would announce an ASCII file.
    header = f"{APPLICATION} {name}".encode("ascii", "replace")[:80].ljust(80)
    records = np.zeros(len(mesh.faces), dtype=STL_RECORD)
    length = np.linalg.norm(mesh.face_vectors, axis=1, keepdims=True)
    # A face without area has no normal: zero, which tells readers to work it out.
    records["normal"] = mesh.face_vectors / np.where(length > 0, length, 1.0)
    records["corners"] = mesh.vertices[mesh.faces]

    def write(file: IO[bytes]) -> None:
        file.write(header + len(records).to_bytes(4, "little"))
        file.write(records.data)

    write_whole(Path(path), write)


NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_3mf(
    mesh: Mesh, path: str | Path, *, name: str, number: int, metadata: Mapping[str, str]
) -> None:
    """Write a piece as 3MF, whole or not at all; the same piece gives the same bytes.

    One object of the 3MF core in millimetres, written by lib3mf. Its identifiers are
    reckoned from the piece's own data, because lib3mf would make up new ones each time.

    Parameters
    ----------
    mesh : Mesh
        In mm; `as_written` is applied. Read again, a coordinate is off by one step of
        float32 at most, or by 1e-9 mm where that is more.
    path : str or Path
        A file of that name is replaced.
    name : str
        Name of the object.
    number : int
        The piece number; becomes the part number.
    metadata : mapping of str to str
        By the names in `METADATA_NAMES`; "Application" is set unless given.

    Raises
    ------
    BadInput
        If the mesh has no faces, a metadata name is unknown, a text holds a control
        character, or the file cannot be written.
    """
    if unknown := sorted(set(metadata) - set(METADATA_NAMES)):
        raise BadInput(
            f"3MF metadata {unknown[0]!r} is unknown; use one of {', '.join(METADATA_NAMES)}."
        )
    values = {"Application": APPLICATION, **metadata}
    for text in (name, *values.values()):
        if NOT_XML.search(text):
            raise BadInput(f"{text!r} holds a character that 3MF cannot; take it out.")
    mesh = _with_something(as_written(mesh), path)
    import lib3mf  # noqa: PLC0415  (a large library that only 3MF files need)

    points, faces = mesh.vertices.astype("<f4"), mesh.faces.astype("<u4")
    # Line breaks in an attribute would have to be character references, which lib3mf refuses.
    label = " ".join(name.split())
    mark = hashlib.sha256(points.tobytes() + faces.tobytes() + label.encode()).hexdigest()
    wrapper = lib3mf.get_wrapper()
    try:
        model = wrapper.CreateModel()
        model.SetUnit(lib3mf.ModelUnit.MilliMeter)
        part = model.AddMeshObject()
        part.SetName(label)
        part.SetPartNumber(str(number))
        part.SetGeometry(
            (lib3mf.Position * len(points)).from_buffer_copy(points.tobytes()),
            (lib3mf.Triangle * len(faces)).from_buffer_copy(faces.tobytes()),
        )
        item = model.AddBuildItem(part, wrapper.GetIdentityTransform())
        item.SetPartNumber(str(number))
        for thing, role in ((part.SetUUID, "object"), (item.SetUUID, "item")):
            thing(str(uuid.uuid5(uuid.NAMESPACE_OID, f"{mark} {role}")))
        model.SetBuildUUID(str(uuid.uuid5(uuid.NAMESPACE_OID, f"{mark} build")))
        group = model.GetMetaDataGroup()
        for key in METADATA_NAMES:
            if key in values:
                group.AddMetaData("", key, values[key], "xs:string", True)
        writer = model.QueryWriter("3mf")
        # lib3mf counts decimals and works in 64 bits: nine are the most that `FARTHEST` leaves.
        writer.SetDecimalPrecision(9)
        data = bytes(writer.WriteToBuffer())
    except lib3mf.ELib3MFException as error:
        raise BadInput(f"'{path}' cannot be written as 3MF ({reason_of(error)}).") from error
    write_whole(Path(path), lambda file: file.write(data))


def write_both(mesh: Mesh, folder: Path, stem: str, *, name: str, number: int) -> Mesh:
    """Write a piece as stl/STEM.stl and 3mf/STEM.3mf in a folder.

    Returns
    -------
    The STL as read back.
    """
    for kind in ("stl", "3mf"):
        (folder / kind).mkdir(exist_ok=True)
    stl = folder / "stl" / f"{stem}.stl"
    write_stl(mesh, stl, name)
    path = folder / "3mf" / f"{stem}.3mf"
    write_3mf(mesh, path, name=name, number=number, metadata={"Title": name})
    return read_mesh(stl)


def _with_something(mesh: Mesh, path: str | Path) -> Mesh:
    if len(mesh.faces) == 0:
        raise BadInput(f"'{path}' would hold no triangles; nothing is written.")
    return mesh


def _beside(path: Path) -> Path:
    """A free name in the same folder, for what is not finished yet."""
    return path.with_name(f".{path.name}.{secrets.token_hex(4)}.partial")


def write_whole(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """Write a file so that it is there whole or not at all; `write` fills it.

    Raises
    ------
    BadInput
        If the place cannot be written to.
    """
    partial = _beside(path)
    try:
        try:
            with partial.open("xb") as file:
                write(file)
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise BadInput(
            f"'{path}' cannot be written ({reason_of(error)}); choose another place."
        ) from error


def require_free_folder(target: str | Path, replace: bool) -> None:
    """Refuse a result folder that `write_folder_whole` would refuse, before the work is done.

    Parameters
    ----------
    target : str or Path
        The folder to make.
    replace : bool
        Whether a former result may be replaced: an empty folder, or one with a
        `report.json`. Any other folder is never touched.

    Raises
    ------
    BadInput
        If the target is a file, exists without `replace`, is not a former result or
        cannot be looked into; if the parent folder is missing.
    """
    target = Path(target).resolve()
    try:
        if not target.parent.is_dir():
            raise BadInput(
                f"There is no folder '{target.parent}' to put the result in; make it first."
            )
        if not target.exists():
            return
        if not target.is_dir():
            raise BadInput(f"'{target}' is a file; give a folder for the result.")
        if not replace:
            raise BadInput(f"Folder '{target}' exists; give another or use --replace.")
        if any(target.iterdir()) and not (target / "report.json").is_file():
            raise BadInput(
                f"Folder '{target}' is not a former result (it has no report.json) and is not "
                "replaced; give another."
            )
    except OSError as error:
        raise BadInput(
            f"Folder '{target}' cannot be looked into ({reason_of(error)}); choose another place."
        ) from error


def write_folder_whole(target: str | Path, replace: bool, fill: Callable[[Path], None]) -> None:
    """Make a result folder that is there whole or not at all.

    `fill` writes into a temporary folder beside the target, which is then renamed.
    A former result is moved aside first, deleted only when the new one is in place,
    and put back if that fails. If `fill` raises, nothing is left of the new folder,
    the former result stays, and the exception passes through.

    Parameters
    ----------
    target : str or Path
        The folder to make.
    replace : bool
        Whether a former result may be replaced, as in `require_free_folder`.
    fill : callable
        Gets the temporary folder's path.

    Raises
    ------
    BadInput
        As `require_free_folder`, and if the parent folder cannot be written to.
    """
    target = Path(target).resolve()
    new = _beside(target)
    require_free_folder(target, replace)
    try:
        new.mkdir()
    except OSError as error:
        raise BadInput(
            f"Folder '{target.parent}' cannot be written to ({reason_of(error)}); "
            "choose another place."
        ) from error
    try:
        fill(new)
        try:
            _move_in(new, target)
        except OSError as error:
            raise BadInput(
                f"The result cannot be moved to '{target}' ({reason_of(error)}); close what uses "
                "it."
            ) from error
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _move_in(new: Path, target: Path) -> None:
    """Put `new` where `target` is; whatever happens, one of the two ends up there."""
    former = _beside(target)
    if target.exists():
        target.rename(former)
    try:
        new.rename(target)
    finally:
        if former.exists():
            if target.exists():
                shutil.rmtree(former, ignore_errors=True)
            else:
                _put_back(former, target)


def _put_back(former: Path, target: Path) -> None:
    try:
        former.rename(target)
    except OSError as error:
        raise BadInput(
            f"The result cannot be moved to '{target}' ({reason_of(error)}), and the former one "
            f"is left in '{former}'; move it back by hand."
        ) from error
