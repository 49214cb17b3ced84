"""Files: figures read, pieces written, result folders whole or not at all."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from seamwright.errors import BadInput
from seamwright.files import (
    FARTHEST,
    METADATA_NAMES,
    as_written,
    read_figure,
    read_mesh,
    require_free_folder,
    write_3mf,
    write_folder_whole,
    write_stl,
)
from seamwright.mesh import Mesh

LIB = str(Path(__file__).parents[2] / "lib")
CORNERS = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=float)
QUADS = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]]
TRIANGLES = np.array([f for a, b, c, d in QUADS for f in ([a, b, c], [a, c, d])])


def cube() -> Mesh:
    return Mesh.of(CORNERS, TRIANGLES)


def ball() -> Mesh:
    """A closed mesh with coordinates that float32 has to round."""
    rings, sides = 12, 17
    polar, round_ = np.arange(1, rings) * np.pi / rings, np.arange(sides) * 2 * np.pi / sides
    p, r = np.meshgrid(polar, round_, indexing="ij")
    body = np.stack([np.sin(p) * np.cos(r), np.sin(p) * np.sin(r), np.cos(p)], axis=-1)
    points = np.vstack([body.reshape(-1, 3), [0, 0, 1], [0, 0, -1]]) * 87.3 + [140.1, -33.3, 0.7]
    top, bottom = len(points) - 2, len(points) - 1
    faces = []
    for j in range(sides):
        k = (j + 1) % sides
        faces += [[top, j, k], [bottom, (rings - 2) * sides + k, (rings - 2) * sides + j]]
        for i in range(rings - 2):
            a, b, c, d = i * sides + j, (i + 1) * sides + j, (i + 1) * sides + k, i * sides + k
            faces += [[a, b, c], [a, c, d]]
    return Mesh.of(points, faces)


def stl_bytes(corners, header=b"made by hand") -> bytes:
    body = b"".join(
        struct.pack("<12fH", 0, 0, 0, *np.ravel(triangle).tolist(), 0) for triangle in corners
    )
    return header.ljust(80, b"\0") + struct.pack("<I", len(corners)) + body


def stl_text(corners, name="a") -> str:
    rows = [
        "facet normal 0 0 0\n outer loop\n"
        + "".join("  vertex {} {} {}\n".format(*corner) for corner in triangle)
        + " endloop\nendfacet\n"
        for triangle in np.asarray(corners).tolist()
    ]
    return f"solid {name}\n{''.join(rows)}endsolid {name}\n"


def one_sentence(error: pytest.ExceptionInfo[BadInput], path: Path) -> str:
    text = str(error.value)
    rest = text.replace(str(path), "")
    assert str(path) in text
    assert rest.endswith(".") and ". " not in rest and "\n" not in rest
    return text


def put(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def is_cube(mesh: Mesh, side: float = 1.0) -> bool:
    return (
        len(mesh.vertices) == 8
        and len(mesh.faces) == 12
        and mesh.is_closed
        and mesh.volume == pytest.approx(side**3)
    )


# --- reading STL ------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".stl", ".STL"])
def test_binary_stl_is_welded(tmp_path, suffix):
    read = read_figure(put(tmp_path, "c" + suffix, stl_bytes(CORNERS[TRIANGLES])))
    assert is_cube(read.mesh) and read.unit is None and read.notes == ()
    assert (read.mesh.tag == 0).all()


def test_binary_stl_may_begin_like_a_text_file(tmp_path):
    assert is_cube(read_mesh(put(tmp_path, "c.stl", stl_bytes(CORNERS[TRIANGLES], b"solid c"))))


def test_stl_is_welded_by_equality_alone(tmp_path):
    shifted = CORNERS[TRIANGLES].astype(np.float32)
    shifted[0] = np.nextafter(shifted[0], np.float32(9))
    mesh = read_mesh(put(tmp_path, "c.stl", stl_bytes(shifted)))
    assert len(mesh.vertices) == 11 and not mesh.is_closed


def test_stl_welds_minus_zero_with_zero(tmp_path):
    corners = CORNERS[TRIANGLES]
    corners[::2] = np.where(corners[::2] == 0, -0.0, corners[::2])
    assert is_cube(read_mesh(put(tmp_path, "c.stl", stl_bytes(corners))))


def test_stl_triangles_with_two_equal_corners_are_dropped(tmp_path):
    thin = [CORNERS[[0, 1, 1]], CORNERS[[5, 5, 5]], CORNERS[[0, 1, 0]]]
    mesh = read_mesh(put(tmp_path, "c.stl", stl_bytes([*CORNERS[TRIANGLES], *thin])))
    assert is_cube(mesh)


@pytest.mark.parametrize("change", [str, str.upper, lambda t: t.replace("\n", "\r\n")])
def test_text_stl(tmp_path, change):
    text = stl_text(CORNERS[TRIANGLES] * 2.5, "solid vertex facet")
    assert is_cube(read_mesh(put(tmp_path, "c.stl", change(text))), 2.5)


def test_text_stl_with_several_solids(tmp_path):
    text = stl_text(CORNERS[TRIANGLES[:5]], "a") + stl_text(CORNERS[TRIANGLES[5:]], "b")
    assert is_cube(read_mesh(put(tmp_path, "c.stl", text)))


def test_text_stl_keeps_double_precision(tmp_path):
    text = stl_text(CORNERS[TRIANGLES] + 0.1234567890123)
    assert read_mesh(put(tmp_path, "c.stl", text)).bounds[0, 0] == 0.1234567890123


# --- reading OBJ ------------------------------------------------------------------

OBJ_POINTS = "".join("v {} {} {}\n".format(*p) for p in CORNERS.tolist())


def obj_faces(pattern="{}", quads=QUADS) -> str:
    return "".join(
        "f " + " ".join(pattern.format(i + 1, t=k + 1) for k, i in enumerate(q)) + "\n"
        for q in quads
    )


@pytest.mark.parametrize("pattern", ["{}", "{}/{t}", "{}//{t}", "{}/{t}/{t}"])
def test_obj_quads_stay_joined_across_texture_seams_and_normals(tmp_path, pattern):
    extra = "vt 0 0\nvt 1 0\nvt 1 1\nvt 0 1\nvn 0 0 1\nvn 0 1 0\nvn 1 0 0\nvn 0 0 -1\n"
    read = read_figure(put(tmp_path, "c.obj", OBJ_POINTS + extra + obj_faces(pattern)))
    assert is_cube(read.mesh) and read.unit is None


def test_obj_objects_groups_and_materials_are_all_read(tmp_path):
    text = (
        "# cube\nmtllib none.mtl\no left\n" + OBJ_POINTS + "usemtl a\ng one\n"
        + obj_faces(quads=QUADS[:2]) + "o right\ns 1\nusemtl b\n" + obj_faces(quads=QUADS[2:4])
        + "g two\nl 1 2\np 1\n" + obj_faces(quads=QUADS[4:])
    )  # fmt: skip
    assert is_cube(read_mesh(put(tmp_path, "c.obj", text)))


def test_obj_relative_indices_count_from_their_own_line(tmp_path):
    second = "".join("v {} {} {}\n".format(*p) for p in (CORNERS + 5).tolist())
    faces = "".join("f " + " ".join(f"{i - 8}" for i in quad) + "\n" for quad in QUADS)
    mesh = read_mesh(put(tmp_path, "c.obj", f"o a\n{OBJ_POINTS}{faces}o b\n{second}{faces}"))
    assert len(mesh.vertices) == 16 and mesh.is_closed
    assert mesh.volume == pytest.approx(2.0)
    np.testing.assert_array_equal(mesh.faces[12:], mesh.faces[:12] + 8)


def test_obj_polygons_of_any_size_and_faces_before_vertices(tmp_path):
    # A prism over a dented pentagon; its faces are listed before its vertices.
    ring = [(0, 0), (2, 0), (2, 2), (1, 0.5), (0, 2)]
    text = "f 5 4 3 2 1\nf 6 7 8 9 10\n" + "".join(
        f"f {i + 1} {(i + 1) % 5 + 1} {(i + 1) % 5 + 6} {i + 6}\n" for i in range(5)
    )
    text += "".join(f"v {x} {y} {z}\n" for z in (0, 3) for x, y in ring)
    mesh = read_mesh(put(tmp_path, "c.obj", text))
    assert mesh.is_closed and len(mesh.faces) == 3 + 3 + 10
    assert mesh.volume == pytest.approx(2.5 * 3)
    # The two caps have 2.5 each; a triangle folded over the dent would add to that.
    caps = np.ptp(mesh.vertices[mesh.faces][:, :, 2], axis=1) == 0
    assert caps.sum() == 6 and mesh.areas[caps].sum() == pytest.approx(5.0)


def test_obj_spelling(tmp_path):
    text = OBJ_POINTS.replace("v 1 ", "  v\t1.0e+0 ").replace(
        "v 0.0 0.0 0.0", "v 0 0 -0e-3 1 1 1 # w"
    )
    faces = obj_faces().replace("f 1 2 6 5", "f 1 2 \\\n 6 5 # side").replace("f 2", "\tf\t2")
    assert "\\" in faces
    for end in ("\n", "\r\n"):
        assert is_cube(read_mesh(put(tmp_path, "c.obj", (text + faces).replace("\n", end))))


def test_obj_lines_are_not_swallowed(tmp_path):
    # A byte order mark; a comment and a name that end like a line that goes on.
    text = OBJ_POINTS.replace("v 1.0", "# c:\\figures\\\nv 1.0", 1) + "o c:\\figures\\\n"
    assert is_cube(read_mesh(put(tmp_path, "c.obj", text + obj_faces())))
    assert is_cube(read_mesh(put(tmp_path, "d.obj", "\ufeff" + OBJ_POINTS + obj_faces())))


# --- reading PLY ------------------------------------------------------------------

PLY_TRIANGLES = TRIANGLES.tolist()
PLY_MIXED = [PLY_TRIANGLES[0], PLY_TRIANGLES[1], *QUADS[1:]]


def ply(kind: str, faces, *, extra=True, name="vertex_indices", end="\n") -> bytes:
    """A PLY cube, with colours and an element of edges about it unless told not to."""
    order = ">" if "big" in kind else "<"
    head = ["ply", f"format {kind} 1.0", "comment cube", "element vertex 8"]
    head += ["property float x", "property float y", "property double z"]
    head += ["property uchar red"] * extra
    head += [f"element face {len(faces)}"]
    head += ["property uchar shade"] * extra + [f"property list uchar int {name}"]
    head += ["property short group"] * extra
    head += ["element edge 1", "property int vertex1"] * extra + ["end_header", ""]
    out = end.join(head).encode()
    for p in CORNERS.tolist():
        values = [*p, 200] if extra else p
        code = "ffdB" if extra else "ffd"
        out += _row(kind, order + code, values, end)
    for face in faces:
        before, after = ([7], [-3]) if extra else ([], [])
        code = f"{'B' * extra}B{len(face)}i{'h' * extra}"
        out += _row(kind, order + code, [*before, len(face), *face, *after], end)
    return out + (_row(kind, order + "i", [5], end) if extra else b"")


def _row(kind: str, code: str, values, end: str) -> bytes:
    if kind == "ascii":
        return (" ".join(map(str, values)) + end).encode()
    return struct.pack(code, *values)


@pytest.mark.parametrize("kind", ["ascii", "binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("faces", [PLY_TRIANGLES, QUADS, PLY_MIXED], ids=["tri", "quad", "both"])
@pytest.mark.parametrize("extra", [False, True])
def test_ply(tmp_path, kind, faces, extra):
    read = read_figure(put(tmp_path, "c.ply", ply(kind, faces, extra=extra)))
    assert is_cube(read.mesh) and read.unit is None
    np.testing.assert_array_equal(read.mesh.vertices, CORNERS)


@pytest.mark.parametrize("kind", ["ascii", "binary_little_endian"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_ply_of_other_writers(tmp_path, kind, end):
    data = ply(kind, PLY_MIXED, name="vertex_index", end=end)
    assert is_cube(read_mesh(put(tmp_path, "c.ply", data.replace(b"uchar int", b"uint8 int32"))))


@pytest.mark.parametrize("order", ["little", "big"])
def test_ply_with_wide_list_lengths(tmp_path, order):
    data = ply(f"binary_{order}_endian", [], extra=False).replace(b"uchar int", b"uint ushort")
    mark = "<" if order == "little" else ">"
    for face in PLY_MIXED:
        data += struct.pack(f"{mark}I{len(face)}H", len(face), *face)
    data = data.replace(b"element face 0", b"element face %d" % len(PLY_MIXED))
    assert is_cube(read_mesh(put(tmp_path, "c.ply", data)))


# --- reading 3MF ------------------------------------------------------------------

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


def mesh_xml(points=CORNERS) -> str:
    vertices = "".join('<vertex x="{}" y="{}" z="{}"/>'.format(*p) for p in points.tolist())
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in TRIANGLES)
    return f"<mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>"


def package(path: Path, resources: str, build: str, unit: str = "millimeter", head="") -> Path:
    """A 3MF file with the given inside, around what the writer puts about it."""
    write_3mf(cube(), path, name="x", number=1, metadata={})
    with zipfile.ZipFile(path) as old:
        around = {name: old.read(name) for name in old.namelist()}
    around["3D/3dmodel.model"] = (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" xmlns="{CORE}">{head}'
        f"<resources>{resources}</resources><build>{build}</build></model>"
    ).encode()
    with zipfile.ZipFile(path, "w") as new:
        for name, data in around.items():
            new.writestr(name, data)
    return path


ONE = f'<object id="1">{mesh_xml()}</object>'


@pytest.mark.parametrize(
    ("unit", "mm"),
    [
        ("micron", 0.001),
        ("millimeter", 1.0),
        ("centimeter", 10.0),
        ("inch", 25.4),
        ("foot", 304.8),
        ("meter", 1000.0),
    ],
)
def test_3mf_comes_in_mm(tmp_path, unit, mm):
    read = read_figure(package(tmp_path / "c.3mf", ONE, '<item objectid="1"/>', unit))
    assert is_cube(read.mesh, mm) and read.unit == "mm" and read.notes == ()


def test_3mf_build_items_stand_where_they_are_put(tmp_path):
    items = '<item objectid="1"/><item objectid="1" transform="0 1 0 -2 0 0 0 0 3 10 20 30"/>'
    mesh = read_mesh(package(tmp_path / "c.3mf", ONE, items, "centimeter"))
    assert len(mesh.vertices) == 16 and len(mesh.faces) == 24 and mesh.is_closed
    # A row (x, y, z, 1) times the matrix: x goes to y, y to -2 x, z to 3 z.
    np.testing.assert_allclose(mesh.vertices[8:].min(axis=0), [80, 200, 300])
    np.testing.assert_allclose(mesh.vertices[8:].max(axis=0), [100, 210, 330])
    assert mesh.volume == pytest.approx(1000 * (1 + 6))


def test_3mf_components_of_components(tmp_path):
    resources = (
        ONE
        + '<object id="2"><components><component objectid="1"/>'
        + '<component objectid="1" transform="2 0 0 0 2 0 0 0 2 5 0 0"/></components></object>'
        + '<object id="3"><components>'
        + '<component objectid="2" transform="1 0 0 0 1 0 0 0 1 0 7 0"/></components></object>'
    )
    item = '<item objectid="3" transform="0 1 0 -1 0 0 0 0 1 0 0 0"/>'
    mesh = read_mesh(package(tmp_path / "c.3mf", resources, item))
    assert mesh.volume == pytest.approx(1 + 8) and mesh.is_closed
    # First the inner component's move, then the outer's, then the item's quarter turn.
    np.testing.assert_allclose(mesh.vertices[8:].min(axis=0), [-9, 5, 0])
    np.testing.assert_allclose(mesh.vertices[8:].max(axis=0), [-7, 7, 2])


def test_3mf_mirrored_items_are_not_inside_out(tmp_path):
    item = '<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>'
    assert is_cube(read_mesh(package(tmp_path / "c.3mf", ONE, item)))


def test_3mf_support_and_objects_that_are_not_built_stay_out(tmp_path):
    resources = ONE + "".join(
        f'<object id="{i}" type="{kind}">{mesh_xml()}</object>'
        for i, kind in ((2, "support"), (3, "solidsupport"), (4, "model"))
    )
    items = "".join(f'<item objectid="{i}"/>' for i in (1, 2, 3))
    assert is_cube(read_mesh(package(tmp_path / "c.3mf", resources, items)))


def test_3mf_that_breaks_a_small_rule_is_read_with_a_note(tmp_path):
    head = '<metadata name="Sculptor">a name the core specification does not know</metadata>'
    read = read_figure(package(tmp_path / "c.3mf", ONE, '<item objectid="1"/>', head=head))
    assert is_cube(read.mesh) and len(read.notes) == 1 and "Metadata" in read.notes[0]


# --- what cannot be read ----------------------------------------------------------

SOLID = stl_text(CORNERS[TRIANGLES])
BINARY = stl_bytes(CORNERS[TRIANGLES])
PLY = ply("binary_little_endian", PLY_TRIANGLES)
GARBAGE = bytes(range(256)) * 3
NAN = CORNERS[TRIANGLES].copy()
NAN[4, 1, 2] = np.nan


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.stl", b"", "is empty"),
        ("a.obj", b"", "is empty"),
        ("a.ply", b"", "is empty"),
        ("a.3mf", b"", "is empty"),
        ("a.fbx", b"data", ".stl, .obj, .ply or .3mf"),
        ("a", b"data", "not of a known kind"),
        ("a.stl", GARBAGE, "cut off"),
        ("a.obj", GARBAGE, "no triangles"),
        ("a.ply", GARBAGE, "expected 'ply'"),
        ("a.3mf", GARBAGE, "cannot be read"),
        ("a.stl", BINARY[:-1], "cut off"),
        ("a.stl", BINARY[:60], "cut off"),
        ("a.stl", stl_bytes(CORNERS[TRIANGLES], b"solid c")[:-1], "its length does not match"),
        ("a.stl", SOLID[:-20], "incomplete"),
        ("a.stl", SOLID[: len(SOLID) // 2], "incomplete"),
        ("a.stl", SOLID + SOLID[:200], "incomplete"),
        ("a.stl", SOLID.replace("1.0", "one", 1), "the line 'vertex 0.0 one 0.0'"),
        ("a.stl", SOLID.replace("1.0", "", 1), "the line 'vertex 0.0 0.0'"),
        ("a.stl", SOLID.replace("1.0", "1.0 2.0", 1), "the line 'vertex 0.0 1.0 2.0 0.0'"),
        ("a.stl", SOLID.replace(" outer loop", "# endsolid\n outer loop", 1), "cannot be read"),
        ("a.stl", "solid b\nendsolid b\n" + SOLID.split("\n", 1)[1][:-11], "outside its solids"),
        ("a.stl", stl_bytes([]), "no triangles"),
        ("a.stl", "solid a\nendsolid a\n", "no triangles"),
        ("a.stl", stl_bytes([CORNERS[[0, 0, 1]]]), "no triangles"),
        ("a.stl", stl_bytes(NAN), "vertex 14 has a coordinate that is not a finite number"),
        ("a.stl", SOLID.replace("1.0", "inf", 1), "not a finite number"),
        ("a.obj", OBJ_POINTS, "no triangles"),
        ("a.obj", OBJ_POINTS + "f 1 2\n", "no triangles"),
        ("a.obj", OBJ_POINTS + "f 1 2 3\nf 1 2 9\n", "points at a vertex that is not among the 8"),
        ("a.obj", OBJ_POINTS + "f -1 -2 -9\n", "'f -1 -2 -9' points at a vertex before"),
        ("a.obj", OBJ_POINTS + "f -0 1 2\n", "vertex 0"),
        ("a.obj", OBJ_POINTS + "f 1 2 3 00/1\n", "vertex 0"),
        ("a.obj", OBJ_POINTS + "f 0 1 2\n", "vertex 0"),
        ("a.obj", OBJ_POINTS + "f 1 2 x\n", "the line 'f 1 2 x'"),
        ("a.obj", OBJ_POINTS + "f 1 2 3\nf x 2 3\n", "the line 'f x 2 3'"),
        ("a.obj", OBJ_POINTS + "f 1 2 /3\n", "the line 'f 1 2 /3'"),
        ("a.obj", OBJ_POINTS + "f 1 2 99999999999999999999999\n", "cannot be read"),
        ("a.obj", OBJ_POINTS + "v 1 2\n" + obj_faces(), "the line 'v 1 2'"),
        ("a.obj", OBJ_POINTS + "v 1 2 z\n" + obj_faces(), "the line 'v 1 2 z'"),
        ("a.obj", OBJ_POINTS + "v 1 2 3z\n" + obj_faces(), "the line 'v 1 2 3z'"),
        ("a.obj", OBJ_POINTS + "v 1 2 nan\n" + obj_faces(), "vertex 9"),
        ("a.obj", OBJ_POINTS + "v 1 2 -inf\n" + obj_faces(), "vertex 9"),
        ("a.ply", PLY[: PLY.index(b"end_header")], "early end-of-file"),
        ("a.ply", PLY[: PLY.index(b"end_header") + 40], "'vertex': row 1: early end-of-file"),
        ("a.ply", PLY[:-1], "'edge': row 0: early end-of-file"),
        ("a.ply", PLY[:-60], "'face': row 8: property 'vertex_indices': early end-of-file"),
        ("a.ply", ply("binary_little_endian", PLY_MIXED)[:-60], "cannot be read"),
        ("a.ply", ply("ascii", QUADS)[:-40], "'face': row 3: property 'vertex_indices'"),
        ("a.ply", ply("ascii", QUADS).replace(b"200", b"red"), "'red'"),
        ("a.ply", ply("ascii", []), "no triangles"),
        ("a.ply", b"ply\nformat ascii 1.0\nend_header\n", "no triangles"),
        ("a.ply", PLY.replace(b"element vertex 8", b"element vertex 0"), "cannot be read"),
        ("a.ply", PLY.replace(b"element vertex 8", b"element vertex -8"), "promises -8"),
        ("a.ply", PLY.replace(b"face 12", b"face 9999999999"), "promises 9999999999"),
        ("a.ply", PLY.replace(b"list uchar int vert", b"list uchar float vert"), "whole numbers"),
        ("a.ply", PLY.replace(b"int vertex_indices", b"int corners"), "vertex_indices"),
        ("a.ply", PLY.replace(b"float x", b"float u"), "name x"),
        ("a.ply", PLY.replace(b"float x", b"quaternion x"), "quaternion"),
        ("a.ply", PLY.replace(b"binary_little_endian", b"middle_endian"), "middle_endian"),
        ("a.ply", PLY.replace(b"list uchar int", b"list uchar"), 'expected "property list'),
        ("a.ply", b"ply\nproperty float x\nend_header\n", "cannot be read"),
        ("a.ply", ply("ascii", [[0, 1, 2], [0, 1, 8]]), "face 2 points at a vertex"),
        ("a.ply", ply("ascii", [[0, 1, -1]]), "face 1 points at a vertex"),
        ("a.ply", ply("ascii", QUADS).replace(b"1.0 1.0", b"1.0 nan", 1), "vertex 4"),
        ("a.ply", ply("ascii", QUADS).replace(b" 4 0 ", b" nan 0 "), "cannot be read"),
        ("a.ply", ply("ascii", PLY_MIXED).replace(b" 4 4 ", b" -4 4 "), "cannot be read"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said_in_one_sentence(tmp_path, name, content, says):
    path = put(tmp_path, name, content)
    with pytest.raises(BadInput) as error:
        read_figure(path)
    assert says in one_sentence(error, path)


@pytest.mark.parametrize("name", ["gone.stl", "gone.3mf", "no folder/gone.obj"])
def test_a_missing_file(tmp_path, name):
    with pytest.raises(BadInput) as error:
        read_mesh(tmp_path / name)
    assert "There is no file" in one_sentence(error, tmp_path / name)


def test_a_folder_is_not_a_file(tmp_path):
    (tmp_path / "a.stl").mkdir()
    with pytest.raises(BadInput) as error:
        read_mesh(tmp_path / "a.stl")
    assert "is a folder" in one_sentence(error, tmp_path / "a.stl")


def test_a_file_that_cannot_be_opened(tmp_path, monkeypatch):
    # Tests may run as root, whom no permission stops.
    path = put(tmp_path, "a.stl", BINARY)
    monkeypatch.setattr(Path, "read_bytes", _refuse)
    with pytest.raises(BadInput) as error:
        read_mesh(path)
    assert "cannot be opened (Permission denied)" in one_sentence(error, path)


def _refuse(*_args, **_kwargs):
    raise PermissionError(13, "Permission denied")


@pytest.mark.parametrize(
    ("resources", "item", "says"),
    [
        (ONE, "", "no triangles"),
        ("", "", "no triangles"),
        (ONE, '<item objectid="9"/>', "cannot be read"),
        (ONE.replace('v3="1"', 'v3="8"'), '<item objectid="1"/>', "cannot be read"),
        (ONE.replace('x="1.0"', 'x="nan"'), '<item objectid="1"/>', "cannot be read"),
        (ONE.replace("</mesh>", ""), '<item objectid="1"/>', "cannot be read"),
        (ONE, '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 1e38 0 0"/>' * 2, ""),
    ],
)
def test_a_bad_3mf(tmp_path, resources, item, says):
    path = package(tmp_path / "a.3mf", resources, item)
    if not says:  # far away, but finite: read as it is
        assert read_mesh(path).bounds[1, 0] > 9e37
        return
    with pytest.raises(BadInput) as error:
        read_mesh(path)
    assert says in one_sentence(error, path)


def test_a_3mf_cut_off(tmp_path):
    write_3mf(ball(), tmp_path / "a.3mf", name="ball", number=1, metadata={})
    data = (tmp_path / "a.3mf").read_bytes()
    for length in (10, len(data) // 2, len(data) - 30):
        path = put(tmp_path, "b.3mf", data[:length])
        with pytest.raises(BadInput) as error:
            read_mesh(path)
        assert "cannot be read" in one_sentence(error, path)


# --- as written -------------------------------------------------------------------


def test_as_written_rounds_to_float32():
    written = as_written(ball())
    np.testing.assert_array_equal(written.vertices, ball().vertices.astype(np.float32))
    np.testing.assert_array_equal(written.faces, ball().faces)
    assert written.vertices.dtype == np.float64 and written.is_closed


def test_as_written_welds_what_float32_cannot_tell_apart():
    # At 100 mm float32 steps by 7.6e-6 mm; the cube's edge from 0 to 1 shrinks to less.
    points = CORNERS.copy()
    points[1] = points[0] + [1e-6, 0, 0]
    mesh = Mesh.of(points + 100, TRIANGLES, np.arange(12))
    written = as_written(mesh)
    gone = [k for k, face in enumerate(TRIANGLES.tolist()) if {0, 1} <= set(face)]
    assert len(gone) == 2 and len(written.vertices) == 7 and written.is_closed
    assert written.tag.tolist() == [k for k in range(12) if k not in gone]


def test_as_written_can_end_in_a_fold_that_the_caller_must_catch():
    # Two tetrahedra a hair apart become one solid that hangs together at an edge.
    tetra = np.array([[0, 0, 0], [0, 0, 1], [1, 0, 0.5], [0, 1, 0.5]])
    faces = np.array([[0, 3, 2], [0, 2, 1], [1, 2, 3], [0, 1, 3]])
    other = tetra * [-1, -1, 1] - [1e-6, 0, 0]
    mesh = Mesh.of(np.vstack([tetra, other]) + 100, np.vstack([faces, faces + 4]))
    assert mesh.is_closed
    written = as_written(mesh)
    assert len(written.vertices) == 6 and not written.is_closed
    assert len(written.edge_counts.manifold_flaws) == 1


def test_as_written_leaves_out_vertices_that_no_face_uses():
    stray = Mesh.of(np.vstack([[9, 9, 9], CORNERS]), TRIANGLES + 1)
    assert is_cube(as_written(stray))


def test_as_written_of_nothing_is_nothing():
    assert len(as_written(Mesh.of(np.zeros((0, 3)), [])).faces) == 0


def test_as_written_twice_changes_nothing():
    once = as_written(ball())
    twice = as_written(once)
    np.testing.assert_array_equal(once.vertices, twice.vertices)
    np.testing.assert_array_equal(once.faces, twice.faces)


def test_too_far_out_to_be_written(tmp_path):
    with pytest.raises(BadInput, match="from the origin"):
        as_written(Mesh.of(CORNERS * FARTHEST * 1.01, TRIANGLES))
    write_3mf(
        Mesh.of(CORNERS * FARTHEST, TRIANGLES), tmp_path / "a.3mf", name="", number=1, metadata={}
    )
    assert read_mesh(tmp_path / "a.3mf").size.tolist() == [FARTHEST] * 3


# --- writing STL ------------------------------------------------------------------


def test_stl_layout(tmp_path):
    path = tmp_path / "c.stl"
    write_stl(cube(), path, "Left arm")
    data = path.read_bytes()
    assert data[:80].startswith(b"Seamwright ") and data[:80].rstrip().endswith(b"Left arm")
    assert len(data) == 84 + 12 * 50 and struct.unpack("<I", data[80:84]) == (12,)
    for k, face in enumerate(TRIANGLES):
        values = struct.unpack("<12fH", data[84 + 50 * k : 134 + 50 * k])
        a, b, c = CORNERS[face]
        normal = np.cross(b - a, c - a)
        assert values[:3] == tuple(normal)  # the cube's are of unit length as they are
        assert values[3:12] == tuple(np.ravel([a, b, c])) and values[12] == 0


def test_stl_normals_are_unit_and_a_face_without_area_has_none(tmp_path):
    needle = Mesh.of(
        [[0, 0, 0], [1, 1, 1], [2, 2, 2], [5, 0, 0], [0, 7, 0]], [[0, 1, 2], [0, 3, 4]]
    )
    write_stl(needle, tmp_path / "c.stl", "")
    data = (tmp_path / "c.stl").read_bytes()
    assert struct.unpack("<3f", data[84:96]) == (0, 0, 0)
    assert struct.unpack("<3f", data[134:146]) == (0, 0, 1)


@pytest.mark.parametrize("name", ["solid", "", "héros ✂ 左腕", "x" * 200, "two\nlines"])
def test_stl_header_is_80_bytes_and_never_announces_text(tmp_path, name):
    write_stl(cube(), tmp_path / "c.stl", name)
    data = (tmp_path / "c.stl").read_bytes()
    assert len(data) == 84 + 12 * 50 and not data.lower().startswith(b"solid")
    assert is_cube(read_mesh(tmp_path / "c.stl"))


def test_stl_round_trip_is_exact(tmp_path):
    write_stl(ball(), tmp_path / "c.stl", "ball")
    back, written = read_mesh(tmp_path / "c.stl"), as_written(ball())
    np.testing.assert_array_equal(back.vertices[back.faces], written.vertices[written.faces])
    assert len(back.vertices) == len(written.vertices) and back.is_closed


# --- writing 3MF ------------------------------------------------------------------


def nearly_equal(read: np.ndarray, written: np.ndarray) -> None:
    """Off by one step of float32, or by the ninth decimal, which is the last lib3mf writes."""
    step = np.spacing(np.abs(written).astype(np.float32)).astype(np.float64)
    assert (np.abs(read - written) <= np.maximum(step, 1e-9)).all()


def test_3mf_round_trip(tmp_path):
    write_3mf(ball(), tmp_path / "c.3mf", name="ball", number=1, metadata={})
    read, written = read_figure(tmp_path / "c.3mf"), as_written(ball())
    nearly_equal(read.mesh.vertices, written.vertices)
    np.testing.assert_array_equal(read.mesh.faces, written.faces)
    assert read.mesh.is_closed and read.mesh.volume == pytest.approx(written.volume, rel=1e-6)
    assert read.unit == "mm" and read.notes == ()


FLOATS = st.floats(-1e9, 1e9, width=32) | st.floats(-300, 300) | st.floats(-1e-6, 1e-6)


@settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(hnp.arrays(np.float64, (9, 3), elements=FLOATS))
def test_both_formats_keep_float32(tmp_path, points):
    mesh = Mesh.of(points, [[0, 1, 2], [2, 1, 3], [3, 4, 5], [6, 7, 8]])
    written = as_written(mesh)
    if len(written.faces) == 0:
        return
    write_3mf(mesh, tmp_path / "c.3mf", name="n", number=2, metadata={})
    back = read_mesh(tmp_path / "c.3mf")
    nearly_equal(back.vertices, written.vertices)
    np.testing.assert_array_equal(back.faces, written.faces)
    write_stl(mesh, tmp_path / "c.stl", "n")
    soup = read_mesh(tmp_path / "c.stl")
    np.testing.assert_array_equal(soup.vertices[soup.faces], written.vertices[written.faces])


def model(path: Path) -> str:
    with zipfile.ZipFile(path) as package:
        return package.read("3D/3dmodel.model").decode()


def test_3mf_metadata_is_in_the_order_of_the_specification(tmp_path):
    data = {"Description": "a < b & c", "Title": "Ötzi"}
    write_3mf(cube(), tmp_path / "a.3mf", name="n", number=1, metadata=data)
    write_3mf(cube(), tmp_path / "b.3mf", name="n", number=1, metadata=dict(reversed(data.items())))
    assert (tmp_path / "a.3mf").read_bytes() == (tmp_path / "b.3mf").read_bytes()
    text = model(tmp_path / "a.3mf")
    assert re.findall(r'<metadata name="(\w+)"[^>]*>([^<]*)<', text)[:2] == [
        ("Title", "Ötzi"),
        ("Description", "a &lt; b &amp; c"),
    ]
    assert re.search(r'"Application"[^>]*>Seamwright \d+\.\d+', text)


def test_3mf_takes_all_core_metadata_and_no_other(tmp_path):
    everything = {name: f"value of {name}" for name in METADATA_NAMES}
    write_3mf(cube(), tmp_path / "a.3mf", name="n", number=1, metadata=everything)
    assert all(value in model(tmp_path / "a.3mf") for value in everything.values())
    with pytest.raises(BadInput, match="'Author' is unknown; use one of Title, Designer"):
        write_3mf(cube(), tmp_path / "b.3mf", name="n", number=1, metadata={"Author": "x"})


def test_3mf_names_are_on_one_line(tmp_path):
    write_3mf(cube(), tmp_path / "a.3mf", name=" left\n\tarm ", number=1, metadata={})
    assert 'name="left arm"' in model(tmp_path / "a.3mf")
    assert read_figure(tmp_path / "a.3mf").notes == ()


@pytest.mark.parametrize("bad", ["bell \a", "half \ud800", "nul \0", "\ufffe"])
def test_3mf_refuses_what_xml_cannot_hold(tmp_path, bad):
    for name, title in ((bad, "t"), ("n", bad)):
        with pytest.raises(BadInput, match="holds a character that 3MF cannot"):
            write_3mf(cube(), tmp_path / "a.3mf", name=name, number=1, metadata={"Title": title})
    assert not list(tmp_path.iterdir())


def test_3mf_is_the_same_from_two_processes_at_two_times(tmp_path):
    # A zip archive's clock steps by two seconds.
    script = (
        "import sys, time; time.sleep(float(sys.argv[2]));"
        "from seamwright.files import write_3mf, write_stl; from seamwright.mesh import Mesh;"
        "m = Mesh.of([[0, 0, .1], [.7, 0, 0], [0, .3, 0], [0, 0, 9]],"
        " [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]);"
        "write_3mf(m, sys.argv[1] + '.3mf', name='n', number=3, metadata={'Title': 't'});"
        "write_stl(m, sys.argv[1] + '.stl', 'n')"
    )
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", script, str(tmp_path / name), wait],
            env={**os.environ, "PYTHONPATH": LIB, "PYTHONHASHSEED": wait[0], "TZ": zone},
        )
        for name, wait, zone in (("a", "0", "UTC"), ("b", "2.1", "Asia/Tokyo"))
    ]
    assert [run.wait() for run in runs] == [0, 0]
    for suffix in (".3mf", ".stl"):
        assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()


def test_nothing_heavy_is_imported_before_it_is_needed():
    script = (
        "import sys, seamwright.files, seamwright.figure;"
        "print({'trimesh', 'plyfile', 'lib3mf', 'manifold3d', 'bpy'} & set(sys.modules))"
    )
    said = subprocess.check_output(
        [sys.executable, "-c", script], env={**os.environ, "PYTHONPATH": LIB}, text=True
    )
    assert said.strip() == "set()"


# --- files whole or not at all ----------------------------------------------------


def write_as(kind: str, mesh: Mesh, path: Path) -> None:
    if kind == "stl":
        write_stl(mesh, path, "n")
    else:
        write_3mf(mesh, path, name="n", number=1, metadata={})


@pytest.mark.parametrize("kind", ["stl", "3mf"])
def test_a_file_is_replaced_and_nothing_else_is_left(tmp_path, kind):
    path = put(tmp_path, f"a.{kind}", "old")
    write_as(kind, cube(), path)
    assert is_cube(read_mesh(path)) and list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("kind", ["stl", "3mf"])
@pytest.mark.parametrize("where", ["replace", "write"])
def test_the_old_file_stays_when_writing_fails(tmp_path, monkeypatch, kind, where):
    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    path = put(tmp_path, f"a.{kind}", "old")
    if where == "replace":
        monkeypatch.setattr(Path, "replace", full)
    else:
        monkeypatch.setattr(Path, "open", full)
    with pytest.raises(BadInput) as error:
        write_as(kind, cube(), path)
    assert "(No space left on device)" in one_sentence(error, path)
    monkeypatch.undo()
    assert path.read_bytes() == b"old" and list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("kind", ["stl", "3mf"])
def test_a_file_where_nothing_can_be_written(tmp_path, kind):
    put(tmp_path, "file", "in the way")
    for path in (tmp_path / "file" / f"a.{kind}", tmp_path / "no folder" / f"a.{kind}"):
        with pytest.raises(BadInput) as error:
            write_as(kind, cube(), path)
        assert "cannot be written" in one_sentence(error, path)
    (tmp_path / f"a.{kind}").mkdir()
    with pytest.raises(BadInput, match="cannot be written"):
        write_as(kind, cube(), tmp_path / f"a.{kind}")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(["file", f"a.{kind}"])


@pytest.mark.parametrize("kind", ["stl", "3mf"])
def test_an_empty_mesh_is_not_written(tmp_path, kind):
    collapsed = Mesh.of([[1e6, 0, 0], [1e6 + 1e-4, 0, 0], [1e6, 0, 1e-50]], [[0, 1, 2]])
    path = tmp_path / f"a.{kind}"
    for mesh in (Mesh.of(np.zeros((0, 3)), []), collapsed):
        with pytest.raises(BadInput) as error:
            write_as(kind, mesh, path)
        assert "no triangles" in one_sentence(error, path)
    assert not list(tmp_path.iterdir())


# --- folders whole or not at all --------------------------------------------------


def fill(folder: Path) -> None:
    (folder / "stl").mkdir()
    (folder / "stl" / "1.stl").write_text("new")
    (folder / "report.json").write_text("{}")


def fail(folder: Path) -> None:
    fill(folder)
    raise KeyError("half way")


def content(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): p.read_text(encoding="utf-8")
        for p in folder.rglob("*")
        if p.is_file()
    }


NEW = {"stl/1.stl": "new", "report.json": "{}"}


def former(folder: Path) -> dict[str, str]:
    (folder / "3mf").mkdir(parents=True)
    (folder / "3mf" / "9.3mf").write_text("old")
    (folder / "report.json").write_text("old")
    return content(folder)


@pytest.mark.parametrize("replace", [False, True])
def test_a_new_folder(tmp_path, replace):
    write_folder_whole(tmp_path / "out", replace, fill)
    assert content(tmp_path / "out") == NEW and os.listdir(tmp_path) == ["out"]
    made = tmp_path / "plain"
    made.mkdir()
    assert (tmp_path / "out").stat().st_mode == made.stat().st_mode


def test_a_folder_is_filled_beside_the_target_and_not_in_it(tmp_path):
    seen = []

    def look(folder: Path) -> None:
        seen.append((folder.parent, folder.exists(), (tmp_path / "out").exists()))

    write_folder_whole(str(tmp_path / "out"), False, look)
    assert seen == [(tmp_path, True, False)] and (tmp_path / "out").is_dir()


def test_a_relative_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_folder_whole(Path("out"), False, fill)
    assert content(tmp_path / "out") == NEW


def test_an_existing_folder_needs_replace(tmp_path):
    old = former(tmp_path / "out")
    with pytest.raises(BadInput) as error:
        write_folder_whole(tmp_path / "out", False, fill)
    assert "--replace" in one_sentence(error, tmp_path / "out")
    assert content(tmp_path / "out") == old and os.listdir(tmp_path) == ["out"]


def test_replacing_leaves_only_the_new(tmp_path):
    former(tmp_path / "out")
    write_folder_whole(tmp_path / "out", True, fill)
    assert content(tmp_path / "out") == NEW and os.listdir(tmp_path) == ["out"]


def test_an_empty_folder_may_be_replaced(tmp_path):
    (tmp_path / "out").mkdir()
    write_folder_whole(tmp_path / "out", True, fill)
    assert content(tmp_path / "out") == NEW


def test_a_folder_that_is_no_result_is_never_replaced(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "holiday.jpg").write_text("dear")
    with pytest.raises(BadInput) as error:
        write_folder_whole(tmp_path / "out", True, fill)
    assert "report.json" in one_sentence(error, tmp_path / "out")
    assert content(tmp_path / "out") == {"holiday.jpg": "dear"}
    (tmp_path / "out" / "report.json").mkdir()  # a folder of that name is no report
    with pytest.raises(BadInput, match="not a former result"):
        write_folder_whole(tmp_path / "out", True, fill)


@pytest.mark.parametrize("error", [KeyError("x"), BadInput("x"), OSError("x"), KeyboardInterrupt()])
def test_an_error_while_filling_leaves_nothing_and_passes_through(tmp_path, error):
    def fail_with(folder: Path) -> None:
        fill(folder)
        raise error

    with pytest.raises(type(error)) as raised:
        write_folder_whole(tmp_path / "out", False, fail_with)
    assert raised.value is error and not os.listdir(tmp_path)
    old = former(tmp_path / "out")
    with pytest.raises(type(error)):
        write_folder_whole(tmp_path / "out", True, fail_with)
    assert content(tmp_path / "out") == old and os.listdir(tmp_path) == ["out"]


@pytest.mark.parametrize("at", [0, 1])
def test_the_former_result_comes_back_when_moving_fails(tmp_path, monkeypatch, at):
    # Renames: the former aside (0), the new into place (1), and only then the way back.
    rename, calls = Path.rename, []

    def refuse_one(self, target):
        calls.append((self.name, Path(target).name))
        if len(calls) == at + 1:
            raise PermissionError(13, "Permission denied")
        return rename(self, target)

    old = former(tmp_path / "out")
    monkeypatch.setattr(Path, "rename", refuse_one)
    with pytest.raises(BadInput) as error:
        write_folder_whole(tmp_path / "out", True, fill)
    assert "cannot be moved" in one_sentence(error, tmp_path / "out")
    assert content(tmp_path / "out") == old and os.listdir(tmp_path) == ["out"]
    assert len(calls) == (1 if at == 0 else 3)


def test_the_former_result_is_not_lost_even_when_it_cannot_be_put_back(tmp_path, monkeypatch):
    rename, calls = Path.rename, []

    def refuse_all_but_first(self, target):
        calls.append(self)
        if len(calls) > 1:
            raise PermissionError(13, "Permission denied")
        return rename(self, target)

    old = former(tmp_path / "out")
    monkeypatch.setattr(Path, "rename", refuse_all_but_first)
    with pytest.raises(BadInput) as error:
        write_folder_whole(tmp_path / "out", True, fill)
    (left,) = tmp_path.iterdir()
    assert content(left) == old
    assert f"is left in '{left}'" in one_sentence(error, tmp_path / "out")


def test_the_target_is_a_file(tmp_path):
    path = put(tmp_path, "out", "mine")
    for replace in (False, True):
        with pytest.raises(BadInput) as error:
            write_folder_whole(path, replace, fill)
        assert "is a file" in one_sentence(error, path)
    assert path.read_text(encoding="utf-8") == "mine"


def test_the_parent_is_missing_or_a_file(tmp_path):
    put(tmp_path, "file", "mine")
    for parent in (tmp_path / "gone", tmp_path / "file"):
        with pytest.raises(BadInput) as error:
            write_folder_whole(parent / "out", False, fill)
        assert "make it first" in one_sentence(error, parent)
    assert os.listdir(tmp_path) == ["file"]


def test_a_folder_is_refused_before_the_work(tmp_path):
    old, path = former(tmp_path / "out"), put(tmp_path, "file", "mine")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "holiday.jpg").write_text("dear")
    for target, replace, says in (
        (tmp_path / "out", False, "--replace"),
        (tmp_path / "photos", True, "report.json"),
        (path, True, "is a file"),
    ):
        with pytest.raises(BadInput) as error:
            require_free_folder(target, replace)
        assert says in one_sentence(error, target)
    with pytest.raises(BadInput) as error:
        require_free_folder(tmp_path / "gone" / "out", True)
    assert "make it first" in one_sentence(error, tmp_path / "gone")
    require_free_folder(str(tmp_path / "out"), True)
    require_free_folder(tmp_path / "new", False)
    assert content(tmp_path / "out") == old
    assert sorted(os.listdir(tmp_path)) == ["file", "out", "photos"]


def test_a_folder_that_cannot_be_looked_into(tmp_path, monkeypatch):
    former(tmp_path / "out")
    monkeypatch.setattr(Path, "iterdir", _refuse)
    with pytest.raises(BadInput) as error:
        require_free_folder(tmp_path / "out", True)
    assert "looked into (Permission denied)" in one_sentence(error, tmp_path / "out")


def test_the_parent_cannot_be_written_to(tmp_path, monkeypatch):
    monkeypatch.setattr(Path, "mkdir", _refuse)
    with pytest.raises(BadInput) as error:
        write_folder_whole(tmp_path / "out", False, fill)
    assert "cannot be written to (Permission denied)" in one_sentence(error, tmp_path)
    assert not os.listdir(tmp_path)


def test_a_link_is_followed_and_kept(tmp_path):
    former(tmp_path / "real")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_folder_whole(tmp_path / "link", True, fill)
    assert (tmp_path / "link").is_symlink() and content(tmp_path / "real") == NEW
