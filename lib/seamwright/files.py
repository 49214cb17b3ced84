"""Mesh files: figures read from STL, OBJ, PLY and 3MF, pieces written as STL and 3MF.

The three plain formats are read here, on arrays: what a sculpt needs of them is
little, and a general loader gives the wrong figure where it counts. It splits
vertices along texture seams and materials, which opens a closed surface, counts
an OBJ file's relative indices from the end of the file, and refuses binary PLY
files that hold triangles and quads. 3MF is read with lib3mf.
"""

from __future__ import annotations

import re
import secrets
import shutil
import struct
import zipfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import IO, Any, NamedTuple
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt

from seamwright import __version__
from seamwright.errors import BadInput
from seamwright.figure import UNITS, triangulated, welded
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
"""Metadata names a 3MF file may use without a namespace (3MF Core Specification 1.3.0, 3.4.1)."""

FARTHEST = 1e9
"""Greatest coordinate, mm, that is written; lib3mf reads nothing beyond it."""

# A binary STL file: 80 bytes of header, the count, then one fixed record of 50 bytes per
# triangle. One structured array is the whole format, so reading and writing need no library.
_STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_STL_HEAD = 84


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


class _Polygons(NamedTuple):
    points: FloatArray
    sizes: npt.NDArray[np.int64]
    corners: npt.NDArray[np.int64]


def read_mesh(path: str | Path) -> Mesh:
    """The triangles of a mesh file: `read_figure` without the unit."""
    return read_figure(path).mesh


def read_figure(path: str | Path) -> FigureFile:
    """Read a figure from an STL, OBJ, PLY or 3MF file.

    All objects and groups in the file become one mesh. Quads and polygons are
    triangulated. STL corners are welded where they are exactly equal, and
    triangles with two equal corners dropped; otherwise vertices stay as they are.
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
        if suffix not in (*_READERS, ".3mf"):
            raise BadInput(
                f"'{path}' is not of a known kind; give a file that ends in "
                f"{', '.join(_READERS)} or .3mf."
            )
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise BadInput(f"There is no file '{path}'; check the path.") from error
    except OSError as error:
        raise BadInput(f"'{path}' cannot be opened ({_reason(error)}); check it.") from error
    if not data:
        raise BadInput(f"'{path}' is empty; export it again.")

    if suffix == ".3mf":
        return _read_3mf(path)
    try:
        mesh = _mesh_of(_READERS[suffix](data))
    except (ValueError, IndexError, KeyError, OverflowError, struct.error) as error:
        raise _unreadable(path, error) from error
    return FigureFile(_with_faces(mesh, path), None)


def _unreadable(path: Path, error: Exception) -> BadInput:
    return BadInput(f"'{path}' cannot be read ({_reason(error)}); export it again.")


def _reason(error: Exception) -> str:
    """The error's text on one line, fit to stand inside a sentence."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return " ".join(text.split()).rstrip(".")


def _with_faces(mesh: Mesh, path: Path) -> Mesh:
    if len(mesh.faces) == 0:
        raise BadInput(f"'{path}' holds no triangles; export it again as a mesh.")
    return mesh


def _require_finite(points: npt.NDArray[Any]) -> None:
    finite = np.isfinite(points).all(axis=1)
    if not finite.all():
        raise ValueError(
            f"vertex {int(np.argmin(finite)) + 1} has a coordinate that is not a finite number"
        )


def _mesh_of(polygons: _Polygons) -> Mesh:
    """Triangles of the polygons, after the checks that hold for every format."""
    points, sizes, corners = polygons
    _require_finite(points)
    bad = (corners < 0) | (corners >= len(points))
    if bad.any():
        face = int(np.searchsorted(np.cumsum(sizes), int(np.argmax(bad)), side="right"))
        raise ValueError(f"face {face + 1} points at a vertex that is not among the {len(points)}")
    return Mesh.of(points, triangulated(points, sizes, corners))


def _numbers(words: Iterable[str | bytes]) -> FloatArray:
    return np.fromiter(map(float, words), dtype=np.float64)


# --- STL --------------------------------------------------------------------------


def _read_stl(data: bytes) -> _Polygons:
    count = int.from_bytes(data[80:_STL_HEAD], "little")
    if len(data) == _STL_HEAD + count * _STL_RECORD.itemsize:
        records = np.frombuffer(data, dtype=_STL_RECORD, offset=_STL_HEAD)
        soup: npt.NDArray[Any] = np.ascontiguousarray(records["corners"]).reshape(-1, 3)
    elif data.lstrip()[:5].lower() == b"solid" and b"\0" not in data:
        soup = _stl_text(data.decode("utf-8", errors="replace"))
    else:
        raise ValueError("its length does not match its count of triangles, it may be cut off")
    _require_finite(soup)
    points, index = welded(soup)
    faces = index.reshape(-1, 3)
    # Corners that the file's precision has brought together leave a face without area.
    faces = faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)]
    return _Polygons(
        points.astype(np.float64), np.full(len(faces), 3), faces.ravel().astype(np.int64)
    )


def _stl_text(text: str) -> FloatArray:
    """(3 F, 3) corners of an ASCII STL file, which must be complete."""
    words = re.findall(r"^\s*(endsolid|endfacet|solid|facet|vertex)\b(.*)", text.lower(), re.M)
    kinds = [kind for kind, _ in words]
    rows = [rest.split() for kind, rest in words if kind == "vertex"]
    facets = kinds.count("facet")
    if not (
        kinds.count("solid") == kinds.count("endsolid")
        and facets == kinds.count("endfacet")
        and len(rows) == 3 * facets
        and all(len(row) == 3 for row in rows)
    ):
        raise ValueError("its text is incomplete, it may be cut off")
    return _numbers(chain.from_iterable(rows)).reshape(-1, 3)


# --- OBJ --------------------------------------------------------------------------


def _read_obj(data: bytes) -> _Polygons:
    """Vertices and faces of all objects and groups; texture and normals are left out."""
    text = "\n".join(data.decode("utf-8", errors="replace").splitlines())
    text = text.replace("\\\n", " ")  # a line that goes on
    kinds = re.findall(r"^[ \t]*([vf])[ \t]", text, re.M)
    is_vertex = np.array(kinds, dtype="U1") == "v"
    places = [row.split()[:3] for row in re.findall(r"^[ \t]*v[ \t]([^\n#]*)", text, re.M)]
    if any(len(place) < 3 for place in places):
        raise ValueError("a vertex has fewer than three coordinates")
    points = _numbers(chain.from_iterable(places)).reshape(-1, 3)

    faces = "\n".join(re.findall(r"^[ \t]*f[ \t]([^\n#]*)", text, re.M))
    # "7/2/5" is vertex, texture and normal: only the vertex counts.
    faces = re.sub(r"/\S*", "", faces) if "/" in faces else faces
    rows = faces.split("\n") if faces else []
    sizes = np.fromiter((len(row.split()) for row in rows), dtype=np.int64, count=len(rows))
    corners = np.fromiter(map(int, faces.split()), dtype=np.int64)
    if (corners == 0).any():
        raise ValueError("a face points at vertex 0, but OBJ counts from 1")
    # -1 is the last vertex above the face's own line, not the last in the file.
    above = np.repeat(np.cumsum(is_vertex)[~is_vertex], sizes)
    return _Polygons(points, sizes, np.where(corners > 0, corners - 1, above + corners))


# --- PLY --------------------------------------------------------------------------

_PLY_TYPES = {
    **{"char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4"},
    **{"int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4"},
    **{"float": "f4", "double": "f8", "float32": "f4", "float64": "f8"},
}


class _Property(NamedTuple):
    name: str
    kind: np.dtype[Any]
    count_kind: np.dtype[Any] | None  # of a list's length; None for a single value


class _Element(NamedTuple):
    name: str
    rows: int
    properties: list[_Property]


_Columns = dict[str, npt.NDArray[Any] | tuple[npt.NDArray[np.int64], npt.NDArray[Any]]]


def _read_ply(data: bytes) -> _Polygons:
    head, mark, body = data.partition(b"end_header")
    lines = head.decode("latin-1").splitlines()
    if not mark or lines[0].strip() != "ply":
        raise ValueError("it does not start with a PLY header")
    elements, text = _ply_header(lines[1:])
    body = body[2:] if body.startswith(b"\r\n") else body[1:]
    if text:  # as if all its values were binary doubles: one reader for both
        body = _numbers(body.split()).tobytes()
    read: dict[str, _Columns] = {}
    at = 0
    for element in elements:
        if {"vertex", "face"} <= read.keys():
            break
        read[element.name], at = _ply_element(body, at, element)
    vertex, face = read.get("vertex", {}), read.get("face", {})
    none = np.zeros(0, dtype=np.int64)
    sizes, corners = face.get("vertex_indices", face.get("vertex_index", (none, none)))
    if not vertex:
        return _Polygons(np.zeros((0, 3)), none, none)
    if missing := {"x", "y", "z"} - vertex.keys():
        raise ValueError(f"its vertices have no {min(missing)}")
    points = np.stack([np.asarray(vertex[axis], dtype=np.float64) for axis in "xyz"], axis=1)
    return _Polygons(points, sizes, corners.astype(np.int64))


def _ply_header(lines: list[str]) -> tuple[list[_Element], bool]:
    """The elements in the order of the file, and whether it is an ASCII file."""
    elements: list[_Element] = []
    order = ""
    orders = {"ascii": "text", "binary_little_endian": "<", "binary_big_endian": ">"}
    for line in lines:
        match line.split():
            case ["format", kind, _]:
                order = orders[kind]
            case ["element", name, count]:
                if int(count) < 0:
                    raise ValueError(f"it has {count} of element {name}")
                elements.append(_Element(name, int(count), []))
            case ["property", *kinds, name]:
                if kinds[0] == "list" and len(kinds) != 3:
                    raise ValueError(f"property {name} is not understood")
                types = [
                    np.dtype("<f8") if order == "text" else np.dtype(order + _PLY_TYPES[kind])
                    for kind in kinds
                    if kind != "list"
                ]
                count_kind = types[0] if kinds[0] == "list" else None
                elements[-1].properties.append(_Property(name, types[-1], count_kind))
    return elements, order == "text"


def _ply_element(body: bytes, at: int, element: _Element) -> tuple[_Columns, int]:
    """An element's values by property, a list as (sizes, values); and where the next begins."""
    if element.rows == 0:
        return {}, at
    fields: list[Any] = []
    end = at
    for name, kind, count_kind in element.properties:
        if count_kind is None:
            fields.append((name, kind))
            end += kind.itemsize
            continue
        size = int(np.frombuffer(body, count_kind, 1, end)[0])
        fields += [(f"{name} size", count_kind), (name, kind, (size,))]
        end += count_kind.itemsize + size * kind.itemsize
    row = np.dtype(fields)
    lists = [p.name for p in element.properties if p.count_kind is not None]
    # As long as all rows have the first row's list lengths, the element is one table.
    if at + element.rows * row.itemsize <= len(body):
        table = np.frombuffer(body, row, element.rows, at)
        if all((table[f"{name} size"] == row[name].shape[0]).all() for name in lists):
            columns: _Columns = {p.name: table[p.name] for p in element.properties}
            for name in lists:
                sizes = table[f"{name} size"].astype(np.int64)
                columns[name] = sizes, np.ascontiguousarray(table[name]).ravel()
            return columns, at + element.rows * row.itemsize
    if not lists:
        raise ValueError(f"it is cut off within element {element.name}")
    return _ply_ragged(body, at, element)


def _ply_ragged(body: bytes, at: int, element: _Element) -> tuple[_Columns, int]:
    """The lists of an element whose rows differ in length, such as triangles and quads."""
    starts: dict[str, list[int]] = {p.name: [] for p in element.properties if p.count_kind}
    lengths: dict[str, list[int]] = {name: [] for name in starts}
    plan = [(p.name, p.kind.itemsize, _ply_count(p.count_kind)) for p in element.properties]
    for _ in range(element.rows):
        for name, width, count in plan:
            if count is None:
                at += width
                continue
            (length,) = count.unpack_from(body, at)
            at += count.size
            starts[name].append(at)
            lengths[name].append(int(length))
            at += int(length) * width
        if at > len(body):
            raise ValueError(f"it is cut off within element {element.name}")

    raw = np.frombuffer(body, dtype=np.uint8)
    columns: _Columns = {}
    for name, width, count in plan:
        if count is None:
            continue
        sizes = np.array(lengths[name], dtype=np.int64)
        shift = np.array(starts[name]) - (np.cumsum(sizes) - sizes) * width
        begin = np.arange(sizes.sum()) * width + np.repeat(shift, sizes)
        kind = next(p.kind for p in element.properties if p.name == name)
        columns[name] = sizes, raw[begin[:, None] + np.arange(width)].view(kind).ravel()
    return columns, at


def _ply_count(kind: np.dtype[Any] | None) -> struct.Struct | None:
    """How to read one list length out of the bytes; None for a property that is no list."""
    if kind is None:
        return None
    return struct.Struct(kind.str[0].replace("|", "<") + kind.char)


_READERS: dict[str, Callable[[bytes], _Polygons]] = {
    ".stl": _read_stl,
    ".obj": _read_obj,
    ".ply": _read_ply,
}


# --- 3MF --------------------------------------------------------------------------


def _read_3mf(path: Path) -> FigureFile:
    """All build items of a 3MF file, in mm; by the rules first, then as far as it goes."""
    import lib3mf  # noqa: PLC0415  (a large library that only 3MF files need)

    wrapper = lib3mf.get_wrapper()
    try:
        try:
            model, notes = _open_3mf(wrapper, path, strict=True)
        except lib3mf.ELib3MFException:
            model, notes = _open_3mf(wrapper, path, strict=False)
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
            parts += _placed(thing, _matrix(item.GetObjectTransform()))
        factor = units[model.GetUnit()]
    except (lib3mf.ELib3MFException, ValueError) as error:
        raise _unreadable(path, error) from error
    return FigureFile(_with_faces(joined(parts).scaled(factor), path), "mm", notes)


def _open_3mf(wrapper: Any, path: Path, *, strict: bool) -> tuple[Any, tuple[str, ...]]:
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(strict)
    reader.ReadFromFile(str(path))
    return model, tuple(reader.GetWarning(i)[1] for i in range(reader.GetWarningCount()))


def _matrix(transform: Any) -> FloatArray:
    """(4, 3): a point row times the first three rows, plus the fourth (3MF core, 3.3)."""
    return np.array(transform.Fields, dtype=np.float64)


def _placed(thing: Any, matrix: FloatArray) -> list[Mesh]:
    """The meshes of an object and of its components, each where it belongs."""
    if thing.IsMeshObject():
        points = np.frombuffer(b"".join(thing.GetVertices()), dtype="<f4").reshape(-1, 3)
        faces = np.frombuffer(b"".join(thing.GetTriangleIndices()), dtype="<u4").reshape(-1, 3)
        if np.linalg.det(matrix[:3]) < 0:  # a mirrored copy would be inside out
            faces = faces[:, ::-1]
        placed = points.astype(np.float64) @ matrix[:3] + matrix[3]
        _require_finite(placed)
        return [Mesh.of(placed, faces)]
    meshes: list[Mesh] = []
    if thing.IsComponentsObject():
        for i in range(thing.GetComponentCount()):
            component = thing.GetComponent(i)
            own = _matrix(component.GetTransform())
            within = np.vstack([own[:3] @ matrix[:3], own[3] @ matrix[:3] + matrix[3]])
            meshes += _placed(component.GetObjectResource(), within)
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
    records = np.zeros(len(mesh.faces), dtype=_STL_RECORD)
    length = np.linalg.norm(mesh.face_vectors, axis=1, keepdims=True)
    # A face without area has no normal: zero, which tells readers to work it out.
    records["normal"] = mesh.face_vectors / np.where(length > 0, length, 1.0)
    records["corners"] = mesh.vertices[mesh.faces]

    def write(file: IO[bytes]) -> None:
        file.write(header + len(records).to_bytes(4, "little"))
        file.write(records.data)

    _write_whole(Path(path), write)


# The package around the one model part, as the Open Packaging Conventions ask for it
# (3MF Core Specification 1.3.0, 2.1 and appendix C).
_CONTENT_TYPES = """<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">
<Default Extension="rels" \
ContentType="application/vnd.openxmlformats-package.relationships+xml"/>
<Default Extension="model" \
ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>
</Types>
"""
_RELATIONSHIPS = """<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Target="/3D/3dmodel.model" Id="rel0" \
Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>
</Relationships>
"""
_MODEL_HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<model unit="millimeter" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">
"""
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_3mf(
    mesh: Mesh, path: str | Path, *, name: str, number: int, metadata: Mapping[str, str]
) -> None:
    """Write a piece as 3MF, whole or not at all; the same piece gives the same bytes.

    The part is plain: one object of the 3MF core in millimetres. It is put together
    here and not by lib3mf, because that writes coordinates through a product in
    float32, so that one in twenty or more comes back changed at any precision it
    offers, and gives every file new identifiers.

    Parameters
    ----------
    mesh : Mesh
        In mm; `as_written` is applied, and reading gives exactly its coordinates.
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
        if _NOT_XML.search(text):
            raise BadInput(f"{text!r} holds a character that 3MF cannot; take it out.")
    mesh = _with_something(as_written(mesh), path)
    lines = [_MODEL_HEAD]
    lines += [
        f'<metadata name="{key}">{escape(values[key])}</metadata>\n'
        for key in METADATA_NAMES
        if key in values
    ]
    # Line breaks in an attribute would have to be character references, which lib3mf refuses.
    label = escape(" ".join(name.split()), {'"': "&quot;"})
    lines.append("<resources>\n")
    lines.append(f'<object id="1" type="model" name="{label}" partnumber="{number:d}">\n')
    lines.append("<mesh>\n<vertices>\n")
    # Nine significant digits are enough to tell any two float32 apart (IEEE 754-2019, 5.12.2).
    lines += _rows('<vertex x="%.9g" y="%.9g" z="%.9g"/>\n', mesh.vertices)
    lines.append("</vertices>\n<triangles>\n")
    lines += _rows('<triangle v1="%d" v2="%d" v3="%d"/>\n', mesh.faces)
    lines.append("</triangles>\n</mesh>\n</object>\n</resources>\n")
    lines.append(f'<build>\n<item objectid="1" partnumber="{number:d}"/>\n</build>\n</model>\n')
    model = "".join(lines).encode()

    def write(file: IO[bytes]) -> None:
        with zipfile.ZipFile(file, "w") as package:
            _pack(package, "[Content_Types].xml", _CONTENT_TYPES.encode())
            _pack(package, "_rels/.rels", _RELATIONSHIPS.encode())
            _pack(package, "3D/3dmodel.model", model)

    _write_whole(Path(path), write)


def _rows(row: str, values: npt.NDArray[Any]) -> list[str]:
    """The text of (N, 3) values, one formatting call for many rows."""
    step = 1 << 16
    pieces = (values[i : i + step] for i in range(0, len(values), step))
    return [(row * len(piece)) % tuple(piece.ravel().tolist()) for piece in pieces]


def _pack(package: zipfile.ZipFile, name: str, data: bytes) -> None:
    # The clock and the operating system stay out of the file.
    entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
    entry.create_system = 0
    # Level 3 takes half the time of level 6 for files about a seventh larger.
    package.writestr(entry, data, compress_type=zipfile.ZIP_DEFLATED, compresslevel=3)


def _with_something(mesh: Mesh, path: str | Path) -> Mesh:
    if len(mesh.faces) == 0:
        raise BadInput(f"'{path}' would hold no triangles; nothing is written.")
    return mesh


def _beside(path: Path) -> Path:
    """A free name in the same folder, for what is not finished yet."""
    return path.with_name(f".{path.name}.{secrets.token_hex(4)}.partial")


def _write_whole(path: Path, write: Callable[[IO[bytes]], None]) -> None:
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
            f"'{path}' cannot be written ({_reason(error)}); choose another place."
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
        Whether a former result may be replaced: an empty folder, or one with a
        `report.json`. Any other folder is never touched.
    fill : callable
        Gets the temporary folder's path.

    Raises
    ------
    BadInput
        If the target is a file, exists without `replace`, or is not a former result;
        if the parent folder is missing or cannot be written to.
    """
    target = Path(target).resolve()
    new = _beside(target)
    try:
        _require_free(target, replace)
        new.mkdir()
    except OSError as error:
        raise BadInput(
            f"Folder '{target.parent}' cannot be written to ({_reason(error)}); "
            "choose another place."
        ) from error
    try:
        fill(new)
        try:
            _move_in(new, target)
        except OSError as error:
            raise BadInput(
                f"The result cannot be moved to '{target}' ({_reason(error)}); close what uses it."
            ) from error
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _require_free(target: Path, replace: bool) -> None:
    if not target.parent.is_dir():
        raise BadInput(f"There is no folder '{target.parent}' to put the result in; make it first.")
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
                former.rename(target)
