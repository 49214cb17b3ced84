"""Files against the 3MF Core Specification and against readers that are not ours."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import lib3mf
import numpy as np
import pytest
import trimesh

from seamwright.files import (
    METADATA_NAMES,
    as_written,
    read_figure,
    read_mesh,
    write_3mf,
    write_stl,
)
from seamwright.mesh import Mesh

# Names below: 3MF Consortium, "3D Manufacturing Format: Core Specification & Reference
# Guide", version 1.3.0; the package parts also ECMA-376 part 2 (Open Packaging Conventions).
# PRODUCTION is the namespace of its Production Extension, from memory as ST_UUID below.
CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
PRODUCTION = "{http://schemas.microsoft.com/3dmanufacturing/production/2015/06}"
TYPES = "{http://schemas.openxmlformats.org/package/2006/content-types}"
RELATIONS = "{http://schemas.openxmlformats.org/package/2006/relationships}"
# The specification's table of metadata names that need no namespace; from memory, and
# lib3mf in strict mode takes these and refuses others.
SPECIFIED_METADATA = {
    "Title",
    "Designer",
    "Description",
    "Copyright",
    "LicenseTerms",
    "Rating",
    "CreationDate",
    "ModificationDate",
    "Application",
}
# ST_Number of the specification's schema; the pattern is from memory.
NUMBER = re.compile(r"[-+]?(([0-9]+(\.[0-9]+)?)|(\.[0-9]+))([eE][-+]?[0-9]+)?")

NAME = 'Left arm "upper" <1> & hand'
METADATA = {"Title": "Dragon, left arm", "Description": "Piece 3 of 12", "Designer": "studio"}


def shell() -> Mesh:
    """A ball with a smaller ball hollowed out of it, off the origin; both icospheres."""
    outer = trimesh.creation.icosphere(subdivisions=3, radius=41.3)
    inner = trimesh.creation.icosphere(subdivisions=2, radius=12.1)
    faces = np.vstack([outer.faces, inner.faces[:, ::-1] + len(outer.vertices)])
    points = np.vstack([outer.vertices, inner.vertices]) + np.array([217.7, -33.1, 0.013])
    return Mesh.of(points, faces)


@pytest.fixture
def written(tmp_path) -> tuple[Path, Mesh]:
    path = tmp_path / "03.3mf"
    write_3mf(shell(), path, name=NAME, number=3, metadata=METADATA)
    return path, as_written(shell())


def part(path: Path, name: str) -> ElementTree.Element:
    with zipfile.ZipFile(path) as package:
        return ElementTree.fromstring(package.read(name))


def nearly_equal(found: np.ndarray, written: np.ndarray) -> None:
    """Off by one step of float32, or by the ninth decimal, which is the last lib3mf writes."""
    step = np.spacing(np.abs(written).astype(np.float32)).astype(np.float64)
    assert (np.abs(found - written) <= np.maximum(step, 1e-9)).all()


# --- the XML, by the specification ------------------------------------------------


def test_package_parts_and_types(written):
    path, _ = written
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        assert sorted(package.namelist()) == [
            "3D/3dmodel.model",
            "[Content_Types].xml",
            "_rels/.rels",
        ]
        # Open Packaging Conventions: stored or deflated, and nothing encrypted.
        assert {i.compress_type for i in package.infolist()} <= {0, 8}
        assert not any(i.flag_bits & 1 for i in package.infolist())
    types = {e.get("Extension"): e.get("ContentType") for e in part(path, "[Content_Types].xml")}
    # lib3mf declares pictures as well, which the specification allows for thumbnails.
    assert (
        types.items()
        >= {
            "rels": "application/vnd.openxmlformats-package.relationships+xml",
            "model": "application/vnd.ms-package.3dmanufacturing-3dmodel+xml",
        }.items()
    )
    (relation,) = part(path, "_rels/.rels").findall(f"{RELATIONS}Relationship")
    # The StartPart relationship.
    assert relation.get("Type") == "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    assert relation.get("Target") == "/3D/3dmodel.model"
    assert part(path, "[Content_Types].xml").tag == f"{TYPES}Types"


def test_unit_name_and_part_number(written):
    path, _ = written
    root = part(path, "3D/3dmodel.model")
    assert root.tag == f"{CORE}model"
    # "millimeter" is one of ST_Unit: micron, millimeter, centimeter, inch, foot, meter.
    assert root.get("unit") == "millimeter"
    assert root.get("requiredextensions") is None
    (thing,) = root.findall(f"{CORE}resources/{CORE}object")
    # CT_Object: id, type, name and partnumber are its attributes.
    own = {key: value for key, value in thing.attrib.items() if not key.startswith(PRODUCTION)}
    assert own == {"id": "1", "type": "model", "name": NAME, "partnumber": "3"}
    (item,) = root.findall(f"{CORE}build/{CORE}item")
    # CT_Item: objectid names the object; partnumber is optional; no transform is identity.
    own = {key: value for key, value in item.attrib.items() if not key.startswith(PRODUCTION)}
    assert own == {"objectid": "1", "partnumber": "3"}
    # ST_UUID of the extension: 8-4-4-4-12 hexadecimal digits; all of them differ.
    marks = [e.get(f"{PRODUCTION}UUID") for e in (thing, item, root.find(f"{CORE}build"))]
    assert all(re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", m or "") for m in marks)
    assert len(set(marks)) == 3
    # The order CT_Model prescribes: metadata, resources, build.
    order = [child.tag.removeprefix(CORE) for child in root]
    assert order == ["metadata"] * (len(order) - 2) + ["resources", "build"]


def test_metadata_names(written):
    path, _ = written
    assert set(METADATA_NAMES) == SPECIFIED_METADATA
    found = {e.get("name"): e.text for e in part(path, "3D/3dmodel.model").iter(f"{CORE}metadata")}
    assert found.keys() <= SPECIFIED_METADATA
    assert found == {**METADATA, "Application": found["Application"]}
    assert re.fullmatch(r"Seamwright \d+\.\d+\.\d+", found["Application"])


def test_numbers_and_indices(written):
    path, mesh = written
    root = part(path, "3D/3dmodel.model")
    rows = [[e.get(axis) for axis in "xyz"] for e in root.iter(f"{CORE}vertex")]
    assert all(NUMBER.fullmatch(text) for row in rows for text in row)
    nearly_equal(np.array(rows, dtype=np.float32), mesh.vertices)
    faces = [[int(e.get(v)) for v in ("v1", "v2", "v3")] for e in root.iter(f"{CORE}triangle")]
    np.testing.assert_array_equal(faces, mesh.faces)
    # A triangle's three indices must differ.
    assert all(len(set(face)) == 3 for face in faces)


# --- read back by others ----------------------------------------------------------


def test_lib3mf_reads_it_in_strict_mode_without_a_warning(written):
    # lib3mf is the 3MF Consortium's own reference implementation.
    path, mesh = written
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    things = model.GetMeshObjects()
    assert things.Count() == 1 and things.MoveNext()
    thing = things.GetCurrentMeshObject()
    assert thing.GetName() == NAME and thing.GetPartNumber() == "3"
    assert thing.GetVertexCount() == len(mesh.vertices)
    assert thing.GetTriangleCount() == len(mesh.faces)
    assert thing.IsManifoldAndOriented()
    points = np.array([p.Coordinates for p in thing.GetVertices()])
    nearly_equal(points, mesh.vertices)
    items = model.GetBuildItems()
    assert items.Count() == 1 and items.MoveNext()
    assert items.GetCurrent().GetPartNumber() == "3"
    group = model.GetMetaDataGroup()
    names = {group.GetMetaData(i).GetName() for i in range(group.GetMetaDataCount())}
    assert names == {*METADATA, "Application"}


def test_trimesh_reads_the_3mf(written):
    pytest.importorskip("lxml", reason="trimesh reads 3MF with lxml")
    path, mesh = written
    scene = trimesh.load_scene(path)
    assert scene.units in ("millimeter", "millimeters", "mm")
    (back,) = scene.geometry.values()
    assert len(back.vertices) == len(mesh.vertices) and len(back.faces) == len(mesh.faces)
    assert back.is_watertight and back.is_winding_consistent
    assert back.volume == pytest.approx(shell().volume, rel=1e-6)
    np.testing.assert_allclose(back.vertices, mesh.vertices, rtol=0, atol=1e-5)


def test_trimesh_reads_the_stl_watertight(tmp_path):
    write_stl(shell(), tmp_path / "3.stl", NAME)
    back = trimesh.load_mesh(tmp_path / "3.stl")
    assert back.is_watertight and back.is_winding_consistent
    assert len(back.faces) == len(shell().faces) and len(back.vertices) == len(shell().vertices)
    assert back.volume == pytest.approx(shell().volume, rel=1e-6)
    # The normals in the file are those that follow from its corners.
    raw = trimesh.exchange.stl.load_stl_binary(io.BytesIO((tmp_path / "3.stl").read_bytes()))
    np.testing.assert_allclose(raw["face_normals"], back.face_normals, atol=2e-4)
    assert raw["metadata"]["header"].startswith("Seamwright")


# --- files that others wrote ------------------------------------------------------


@pytest.mark.parametrize(
    ("suffix", "options"),
    [
        ("stl", {}),
        ("stl", {"file_type": "stl_ascii"}),
        ("obj", {"include_normals": True, "digits": 12}),
        ("ply", {"encoding": "binary"}),
        ("ply", {"encoding": "ascii"}),
    ],
)
def test_what_trimesh_writes_is_read_alike(tmp_path, suffix, options):
    source = trimesh.Trimesh(shell().vertices, shell().faces, process=False)
    path = tmp_path / f"a.{suffix}"
    source.export(path, **options)
    read = read_figure(path)
    assert read.unit is None and read.mesh.is_closed
    assert len(read.mesh.vertices) == len(source.vertices)
    assert read.mesh.volume == pytest.approx(source.volume, rel=1e-6)
    theirs = trimesh.load_mesh(path)
    assert read.mesh.volume == pytest.approx(theirs.volume, rel=1e-9)
    np.testing.assert_allclose(read.mesh.bounds, theirs.bounds, rtol=1e-9)


def test_what_lib3mf_writes_is_read_alike(tmp_path):
    mesh = as_written(shell())
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.Inch)
    thing = model.AddMeshObject()
    points = [lib3mf.Position(Coordinates=(*p,)) for p in mesh.vertices.tolist()]
    faces = [lib3mf.Triangle(Indices=(*f,)) for f in mesh.faces.tolist()]
    thing.SetGeometry(points, faces)
    model.AddBuildItem(thing, wrapper.GetTranslationTransform(1.0, 2.0, 3.0))
    model.QueryWriter("3mf").WriteToFile(str(tmp_path / "a.3mf"))
    read = read_figure(tmp_path / "a.3mf")
    assert read.unit == "mm" and read.mesh.is_closed
    # lib3mf rounds to six decimals, in float32: that is up to 3e-5 in at this place.
    expected = (mesh.vertices + np.array([1.0, 2.0, 3.0])) * 25.4
    np.testing.assert_allclose(read.mesh.vertices, expected, rtol=0, atol=25.4 * 4e-5)
    np.testing.assert_array_equal(read.mesh.faces, mesh.faces)


# A known trap of STL readers (common practice, no source): an exporter that writes
# "solid" into the header of a binary file. The length decides.
def test_a_binary_stl_that_says_solid_is_read_as_trimesh_reads_it(tmp_path):
    source = trimesh.creation.icosphere(subdivisions=2)
    data = bytearray(source.export(file_type="stl"))
    data[:5] = b"solid"
    (tmp_path / "a.stl").write_bytes(data)
    theirs = trimesh.load_mesh(tmp_path / "a.stl")
    assert read_mesh(tmp_path / "a.stl").volume == pytest.approx(theirs.volume, rel=1e-12)
