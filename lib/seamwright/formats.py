"""The plain mesh formats, from bytes to triangles: STL and OBJ by trimesh, PLY by plyfile.

The libraries parse; what is added here guards what a figure must not lose: a text cut off
half way, a word among the numbers, relative indices, vertices split along texture seams,
polygons with a dent.
"""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from seamwright.figure import triangulated, welded
from seamwright.mesh import FloatArray, Mesh, joined

_STL_HEAD, _STL_RECORD = 84, 50
"""Bytes before the first triangle of a binary STL file, and bytes a triangle."""

_LINES = re.MULTILINE | re.IGNORECASE | re.ASCII
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+|inf|nan)(?:e[-+]?\d+)?"


def _mesh_of(
    points: npt.NDArray[Any], sizes: npt.NDArray[np.int64], corners: npt.NDArray[Any]
) -> Mesh:
    """A mesh of polygons as `triangulated` takes them, after the checks for every format."""
    finite = np.isfinite(points).all(axis=1)
    if not finite.all():
        raise ValueError(
            f"vertex {int(np.argmin(finite)) + 1} has a coordinate that is not a finite number"
        )
    bad = (corners < 0) | (corners >= len(points))
    if bad.any():
        face = int(np.searchsorted(np.cumsum(sizes), int(np.argmax(bad)), side="right"))
        raise ValueError(f"face {face + 1} points at a vertex that is not among the {len(points)}")
    places: FloatArray = points.astype(np.float64)
    return Mesh.of(places, triangulated(places, sizes, corners.astype(np.int64)))


def _welded(mesh: Mesh) -> Mesh:
    """Vertices at exactly the same place made one, and faces that collapse by it dropped."""
    places, index = welded(mesh.vertices)
    faces = index[mesh.faces]
    return Mesh.of(places, faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)])


def _parts(read: dict[str, Any]) -> list[dict[str, Any]]:
    """What a trimesh loader gives: one part by itself, or any number of them by name."""
    return list(read["geometry"].values()) if "geometry" in read else [read]


def _text(data: bytes) -> str:
    text = data.decode("utf-8-sig", errors="replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _require_rows(head: str, row: str, text: str) -> None:
    """Refuse a line that has the head but not the row after it: trimesh passes over words."""
    if bad := re.search(rf"^[ \t]*{head}\b(?!{row}[ \t]*$).*", text, _LINES):
        raise ValueError(f"the line {bad[0].strip()[:60]!r} is not understood")


def _read_stl(data: bytes) -> Mesh:
    from trimesh.exchange import stl  # noqa: PLC0415  (heavy, and not every start needs it)

    count = int.from_bytes(data[80:_STL_HEAD], "little")
    if len(data) == _STL_HEAD + count * _STL_RECORD:
        parts = _parts(stl.load_stl_binary(io.BytesIO(data)))
    elif b"\0" not in data and (text := _text(data)).lstrip()[:5].lower() == "solid":
        text = _whole_stl_text(text)
        parts = _parts(stl.load_stl_ascii(io.StringIO(text)))
        if sum(len(part["vertices"]) for part in parts) != text.count("vertex"):
            raise ValueError("it has triangles outside its solids")
    else:
        raise ValueError("its length does not match its count of triangles, it may be cut off")
    soups = [np.asarray(part["vertices"]).reshape(-1, 3) for part in parts]
    points = np.concatenate(soups) if soups else np.zeros((0, 3))
    return _welded(_mesh_of(points, np.full(len(points) // 3, 3), np.arange(len(points))))


def _whole_stl_text(text: str) -> str:
    """An ASCII STL text without normals, and names, which trimesh searches for keywords too.

    It must be complete: trimesh drops a solid that is cut off and says nothing.
    """
    text = re.sub(r"^[ \t]*(solid|endsolid|facet)\b.*", r"\1", text, flags=_LINES).lower()
    words = re.findall(r"^[ \t]*(endsolid|endfacet|solid|facet|vertex)\b", text, _LINES)
    facets = words.count("facet")
    if not (
        words.count("solid") == words.count("endsolid")
        and facets == words.count("endfacet")
        and words.count("vertex") == text.count("vertex") == 3 * facets
    ):
        raise ValueError("its text is incomplete, it may be cut off")
    _require_rows("vertex", rf"(?:[ \t]+{_NUMBER}){{3}}", text)
    return text


def _read_obj(data: bytes) -> Mesh:
    """All objects and groups; materials and texture seams are left out, they split vertices."""
    from trimesh.exchange import obj  # noqa: PLC0415  (heavy, and not every start needs it)

    # A comment or a name that ends in a backslash must not swallow the line below it.
    text = re.sub(r"#.*|^[ \t]*(?![vf][ \t])[a-z].*", "", _text(data), flags=_LINES)
    text = text.replace("\\\n", " ")
    _require_rows("v", rf"(?:[ \t]+{_NUMBER}){{3}}(?:[ \t].*)?", text)
    _require_rows("f", r"(?:[ \t]+[-+]?\d+(?:/\S*)?)+", text)
    text = re.sub(r"/\S*", "", text)  # "7/2/5" is vertex, texture and normal
    if zero := re.search(r"^[ \t]*f[ \t](?:.*[ \t])?[-+]?0+(?!\S).*", text, _LINES):
        raise ValueError(f"the line {zero[0].strip()[:60]!r} points at vertex 0")
    places, polygons = _plain_rows(text)
    meshes: list[Mesh] = []
    # Polygons of one size come whole out of trimesh, mixed ones as fans that fold over dents.
    for _, rows in sorted(polygons.items()):
        plain = "\n".join([*places, *rows])
        try:
            parts = _parts(obj.load_obj(io.StringIO(plain), maintain_order=True))
        except IndexError as error:
            raise ValueError(
                f"a face points at a vertex that is not among the {len(places)}"
            ) from error
        for part in parts:
            faces = np.asarray(part["faces"])
            sizes = np.full(len(faces), faces.shape[1])
            meshes.append(_mesh_of(part["vertices"], sizes, faces.ravel()))
    return _welded(joined(meshes))


def _plain_rows(text: str) -> tuple[list[str], dict[int, list[str]]]:
    """The lines "v x y z" of an OBJ text, and its lines "f a b c ..." by their length.

    Relative indices are made absolute: -1 is the last vertex above the line, while trimesh
    counts from the last in the file.
    """
    places: list[str] = []
    polygons: dict[int, list[str]] = {}
    for kind, row in re.findall(r"^[ \t]*([vf])[ \t]+(.*)", text, re.MULTILINE):
        if kind == "v":
            places.append(" ".join(["v", *row.split()[:3]]))
            continue
        corners = row.split()
        if "-" in row:
            above = len(places) + 1
            corners = [str(above + int(c)) if c[0] == "-" else c for c in corners]
            if any(c == "0" or c[0] == "-" for c in corners):
                raise ValueError(
                    f"the line 'f {row[:60].strip()}' points at a vertex before the first"
                )
        if len(corners) > 2:
            polygons.setdefault(len(corners), []).append(" ".join(["f", *corners]))
    return places, polygons


def _read_ply(data: bytes) -> Mesh:
    elements = _ply_elements(data)
    vertex, face = elements.get("vertex"), elements.get("face")
    if vertex is None or face is None or not len(vertex) or not len(face):
        return _mesh_of(np.zeros((0, 3)), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    points = np.stack([np.asarray(vertex[axis], dtype=np.float64) for axis in "xyz"], axis=1)
    rows = face[next((name for name in _PLY_LISTS if name in face), _PLY_LISTS[0])]
    if rows.dtype == object:  # lists of different lengths, one array each
        sizes = np.fromiter(map(len, rows), dtype=np.int64, count=len(rows))
        corners = np.concatenate(rows)
    else:
        table = np.asarray(rows).reshape(len(rows), -1)
        sizes, corners = np.full(len(rows), table.shape[1]), table.ravel()
    if corners.dtype.kind not in "iu":
        raise ValueError("the vertex indices of its faces are not whole numbers")
    return _mesh_of(points, sizes, corners)


def ply_values(data: bytes, name: str) -> FloatArray:
    """(V,) one property of a PLY file's vertices, in the order in which they are read.

    Blender's PLY export writes a vertex group, and any attribute of a mesh's points that
    is no vector, as a property by its name.

    Raises
    ------
    ValueError
        If there is no such property or it is no number; the text lists those there are.
    """
    vertex = _ply_elements(data)["vertex"]
    there = {
        p.name: np.asarray(vertex[p.name])
        for p in vertex.properties
        if p.name not in ("x", "y", "z") and vertex[p.name].dtype.kind in "fiu"
    }
    if name not in there:
        listed = f"it has {', '.join(there)}" if there else "it has none but the coordinates"
        raise ValueError(f"its vertices have no property '{name}'; {listed}")
    return there[name].astype(np.float64)


_PLY_LISTS = ("vertex_indices", "vertex_index")


def _ply_elements(data: bytes) -> dict[str, Any]:
    """The elements of a PLY file by name.

    plyfile takes lists of a length known beforehand a hundred times faster than any others,
    but only out of a real file; so triangles are tried first, then quads, then all else.
    """
    import plyfile  # noqa: PLC0415  (not every start needs it)

    head = data.partition(b"end_header")[0]
    for count in re.findall(rb"[\r\n]\s*element\s+\S+\s+(-?\d+)", head):
        if not 0 <= int(count) <= len(data):  # a row is a byte or more
            raise ValueError(f"its header promises {int(count)} of an element")
    text = b"format ascii" in head
    failed = ""
    for size in (None,) if text else (3, 4, None):
        known = {"face": dict.fromkeys(_PLY_LISTS, size)} if size else {}
        with io.BytesIO() if text else tempfile.TemporaryFile() as file:
            file.write(data)
            file.seek(0)
            try:
                read = plyfile.PlyData.read(file, known_list_len=known)
            except plyfile.PlyParseError as error:
                failed = str(error)
            else:
                return {element.name: element for element in read.elements}
    raise ValueError(failed)


READERS: dict[str, Callable[[bytes], Mesh]] = {
    ".stl": _read_stl,
    ".obj": _read_obj,
    ".ply": _read_ply,
}
