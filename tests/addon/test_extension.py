"""The built zip: it brings its library with it, and keeps to its own name in Blender."""

from __future__ import annotations

import importlib
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

bpy = pytest.importorskip("bpy")

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def builder():
    sys.path.insert(0, str(ROOT / "scripts"))
    return importlib.import_module("build_extension")


@pytest.fixture(scope="module")
def built(tmp_path_factory, builder) -> Path:
    folder = tmp_path_factory.mktemp("dist")
    assert builder.main(["--out", str(folder)]) == 0
    (path,) = folder.iterdir()
    return path


def test_the_zip_holds_add_on_library_and_manifest(built):
    with zipfile.ZipFile(built) as archive:
        names = archive.namelist()
        manifest = tomllib.loads(archive.read("blender_manifest.toml").decode())
    assert built.name == f"seamwright-{manifest['version']}.zip"
    assert manifest["blender_version_min"] == "4.2.0"
    assert list(manifest["permissions"]) == ["files"]
    library = {f"seamwright/{p.name}" for p in (ROOT / "lib" / "seamwright").glob("*.py")}
    addon = {p.name for p in (ROOT / "blender_addon").glob("*.py")}
    assert library | addon <= set(names)
    assert not [n for n in names if "__pycache__" in n or n.endswith(".pyc")]


def test_equal_sources_give_equal_zips(built, builder, tmp_path, monkeypatch):
    assert builder.main(["--out", str(tmp_path)]) == 0
    assert (tmp_path / built.name).read_bytes() == built.read_bytes()
    monkeypatch.setattr(builder, "blender_tool", lambda: None)
    for name in ("a", "b"):
        assert builder.main(["--out", str(tmp_path / name)]) == 0
    a, b = (tmp_path / name / built.name for name in ("a", "b"))
    assert a.read_bytes() == b.read_bytes()
    with zipfile.ZipFile(a) as plain, zipfile.ZipFile(built) as blenders:
        assert sorted(plain.namelist()) == sorted(blenders.namelist())
        assert all(plain.read(name) == blenders.read(name) for name in plain.namelist())


def test_an_absolute_import_of_the_library_stops_the_build(builder, tmp_path):
    source = tmp_path / "late.py"
    source.write_text("x = 1\nimport seamwright.mesh\n")
    with pytest.raises(SystemExit, match=r"late\.py, line 2"):
        builder.require_relative(source)


def test_the_unpacked_extension_works_without_the_library_beside_it(built, tmp_path):
    with zipfile.ZipFile(built) as archive:
        archive.extractall(tmp_path / "extensions" / "shelf")
    code = (
        "import os, sys, bpy\n"
        "path = list(sys.path)\n"
        "import shelf\n"
        "bpy.ops.wm.read_factory_settings(use_empty=True)\n"
        "shelf.register()\n"
        "bpy.ops.mesh.primitive_uv_sphere_add(radius=0.2)\n"
        "bpy.ops.seamwright.add_seam(at='MIDDLE')\n"
        "bpy.context.scene.seamwright.figure = bpy.data.objects['Sphere']\n"
        "bpy.context.scene.seamwright.build_volume = (500, 500, 500)\n"
        "bpy.ops.seamwright.make_pieces()\n"
        "print(len(bpy.data.collections['Pieces of Sphere'].objects), 'pieces')\n"
        "shelf.unregister()\n"
        "print([m for m in sys.modules if m.partition('.')[0] == 'seamwright'])\n"
        "print(sys.path == path)\n"
        # Before Blender 5, bpy as a module crashes as Python ends if a property with an update
        # callback was ever registered.
        "sys.stdout.flush()\n"
        "os._exit(0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={"PYTHONPATH": str(tmp_path / "extensions"), "PATH": "/usr/bin:/bin"},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-3:] == ["2 pieces", "[]", "True"]
