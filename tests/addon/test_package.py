"""The package: pinned wheels, a zip for each Python and platform, coming and going in Blender."""

from __future__ import annotations

import ast
import hashlib
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

bpy = pytest.importorskip("bpy")

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

import build_extension  # noqa: E402
import fetch_wheels  # noqa: E402

PACKAGES = {"scipy", "manifold3d", "lib3mf", "tomli-w", "trimesh"}
TAG = {"linux-x64": "manylinux", "windows-x64": "win_amd64", "macos-arm64": "macosx",
       "macos-x64": "macosx"}  # fmt: skip


def fields(wheel: str) -> tuple[str, str, str, str]:
    """Name, version, Python and platform of a wheel by its file name (PEP 427)."""
    name, version, python, _abi, platform = wheel.removesuffix(".whl").split("-")
    return name, version, python, platform


# --- the lock file -------------------------------------------------------------------------


def test_every_wheel_is_the_named_version_for_its_python_and_platform():
    sets = fetch_wheels.wheel_sets()
    assert list(sets) == ["3.11", "3.13", "3.14"]
    for wheels in sets.values():
        assert set(wheels.packages) == PACKAGES
        for platform, files in wheels.files.items():
            found = {name: fields(name) for name in files}
            versions = {n.replace("_", "-"): v for n, v, _python, _platform in found.values()}
            assert versions == wheels.packages, (wheels.python, platform)
            for _name, _version, python, tag in found.values():
                assert python in ("py3", "cp" + wheels.python.replace(".", ""))
                assert tag == "any" or tag.startswith(TAG[platform])
            assert all(len(bytes.fromhex(digest)) == 32 for digest in files.values())


def test_the_platforms_are_those_that_blender_has_for_each_python():
    """Blender 5.0 is the first without Intel Macs (release notes of Blender 5.0, from memory)."""
    sets = fetch_wheels.wheel_sets()
    assert set(sets["3.11"].files) == {"linux-x64", "windows-x64", "macos-arm64", "macos-x64"}
    assert set(sets["3.13"].files) == {"linux-x64", "windows-x64", "macos-arm64"}
    assert set(sets["3.14"].files) == {"linux-x64"}


def small_set(folder: Path, content: bytes = b"wheel") -> fetch_wheels.WheelSet:
    """A set of tiny files that are wheels by name only, put into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    files: dict[str, dict[str, str]] = {}
    for platform, tag in (("linux-x64", "manylinux_2_28_x86_64"), ("windows-x64", "win_amd64"),
                          ("macos-arm64", "macosx_11_0_universal2")):  # fmt: skip
        name = f"a-1-cp311-cp311-{tag}.whl"
        (folder / name).write_bytes(content)
        files[platform] = {name: hashlib.sha256(content).hexdigest()}
        files[platform]["b-1-py3-none-any.whl"] = hashlib.sha256(b"b").hexdigest()
    (folder / "b-1-py3-none-any.whl").write_bytes(b"b")
    return fetch_wheels.WheelSet("3.11", "4.2.0", {"a": "1", "b": "1"}, files)


def test_a_wheel_with_another_hash_is_not_used(tmp_path, monkeypatch):
    wheels = small_set(tmp_path)
    asked = []
    monkeypatch.setattr(fetch_wheels, "download", lambda lines, *_rest: asked.extend(lines))
    found = fetch_wheels.fetched(wheels, "linux-x64", tmp_path)
    assert [p.name for p in found] == sorted(wheels.files["linux-x64"])
    assert asked == []
    (tmp_path / "a-1-cp311-cp311-manylinux_2_28_x86_64.whl").write_bytes(b"other")
    with pytest.raises(SystemExit, match=r"a-1-.*is not what wheels\.toml says"):
        fetch_wheels.fetched(wheels, "linux-x64", tmp_path)
    digest = hashlib.sha256(b"wheel").hexdigest()
    assert f"a==1 --hash=sha256:{digest}" in asked and len(asked) == 2


# --- the zips ------------------------------------------------------------------------------


def manifest_of(path: Path) -> dict:
    with zipfile.ZipFile(path) as archive:
        return tomllib.loads(archive.read("blender_manifest.toml").decode())


def test_each_platform_gets_its_own_wheels_and_blender_finds_no_fault(tmp_path):
    wheels = small_set(tmp_path / "store")
    out = tmp_path / "out"
    out.mkdir()
    platforms = list(wheels.files)
    rest = (tmp_path / "store", out, "seamwright-0.1.0")
    built = [build_extension.with_wheels(wheels, platform, *rest) for platform in platforms]
    assert [p.name for p in built] == [
        "seamwright-0.1.0-python3.11-linux_x64.zip",
        "seamwright-0.1.0-python3.11-windows_x64.zip",
        "seamwright-0.1.0-python3.11-macos_arm64.zip",
    ]
    own = ("a-1-cp311-cp311-manylinux_2_28_x86_64.whl", "a-1-cp311-cp311-win_amd64.whl",
           "a-1-cp311-cp311-macosx_11_0_arm64.whl")  # fmt: skip
    for path, platform, name in zip(built, platforms, own, strict=True):
        manifest = manifest_of(path)
        expected = [f"./wheels/{name}", "./wheels/b-1-py3-none-any.whl"]
        for part in (manifest, manifest["build"]["generated"]):
            assert part["platforms"] == [platform]
            assert sorted(part["wheels"]) == expected
        with zipfile.ZipFile(path) as archive:
            inside = [n for n in archive.namelist() if n.endswith(".whl")]
        assert sorted(f"./{n}" for n in inside) == expected
        assert list(manifest["permissions"]) == ["files"]
        assert manifest["blender_version_min"] == "4.2.0"
    before = [p.read_bytes() for p in built]
    again = [build_extension.with_wheels(wheels, platform, *rest) for platform in platforms]
    assert [p.read_bytes() for p in again] == before


@pytest.mark.parametrize(
    ("wheel", "change", "said"),
    [
        ("a-1-cp313-cp313-manylinux_2_28_x86_64.whl", "", "is not for Python 3.11 on linux-x64"),
        ("a-1-cp311-cp311-win_amd64.whl", "", "is not for Python 3.11 on linux-x64"),
        ("a-1-cp311-cp311-manylinux_2_28_aarch64.whl", "", "is not for Python 3.11 on linux-x64"),
        ("a-1-cp311-cp311-manylinux_2_28_x86_64.whl", "", None),
        ("b-1-py3-none-any.whl", "", None),
        ("b-1-py3-none-any.whl", 'network = "Look for news"', "other platforms or permissions"),
    ],
)
def test_a_zip_that_does_not_fit_its_python_and_platform_stops_the_build(
    tmp_path, wheel, change, said
):
    target = tmp_path / "made.zip"
    manifest = f"""platforms = ["linux-x64"]
wheels = ["./wheels/{wheel}"]
[permissions]
files = "Write files"
{change}
"""
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("blender_manifest.toml", manifest)
        archive.writestr(f"wheels/{wheel}", b"wheel")
    if said is None:
        build_extension.require_fitting(target, "3.11", "linux-x64")
        with zipfile.ZipFile(target, "a") as archive:
            archive.writestr("wheels/c-1-py3-none-any.whl", b"stray")
        said = "are not those that its manifest names"
    with pytest.raises(SystemExit, match=said):
        build_extension.require_fitting(target, "3.11", "linux-x64")


def test_the_first_blender_is_that_of_the_set(tmp_path):
    wheels = small_set(tmp_path)
    build_extension.assemble(tmp_path / "folder")
    files = [tmp_path / name for name in wheels.files["windows-x64"]]
    build_extension.put_in_wheels(tmp_path / "folder", files, "windows-x64", "4.3.0")
    manifest = tomllib.loads(
        (tmp_path / "folder" / "blender_manifest.toml").read_text(encoding="utf-8")
    )
    assert manifest["blender_version_min"] == "4.3.0"
    assert manifest["platforms"] == ["windows-x64"]
    assert all((tmp_path / "folder" / name).is_file() for name in manifest["wheels"])


def test_a_python_and_platform_without_wheels_is_told(tmp_path, capsys):
    arguments = ["--out", str(tmp_path), "--python", "3.14", "--platform", "macos-x64"]
    assert build_extension.main(arguments) == 2
    assert "no wheels" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_no_network_is_used_and_no_permission_asked_for_it():
    manifest = tomllib.loads(
        (ROOT / "blender_addon" / "blender_manifest.toml").read_text(encoding="utf-8")
    )
    assert list(manifest["permissions"]) == ["files"]
    outward = {"urllib", "requests", "socket", "http", "ssl", "ftplib", "subprocess", "ctypes"}
    for folder in (ROOT / "blender_addon", ROOT / "lib" / "seamwright"):
        for source in folder.glob("*.py"):
            for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
                if isinstance(node, ast.ImportFrom) and node.level == 0:
                    names = [node.module]
                assert not outward & {name.partition(".")[0] for name in names}, source


# --- coming and going ----------------------------------------------------------------------

FAST = """
import sys, time, bpy
start = time.perf_counter()
import blender_addon
blender_addon.register()
print("seconds", time.perf_counter() - start)
"""

LEFT = """
import sys, bpy

def there():
    kept = {"types": set(dir(bpy.types)), "ops": set(dir(bpy.ops)) - {"seamwright"}}
    for home in (bpy.types.Object, bpy.types.Scene, bpy.types.Collection, bpy.types.Mesh,
                 bpy.types.WindowManager, bpy.types.Material):
        kept[home.__name__] = set(dir(home))
    handlers = bpy.app.handlers
    for name in dir(handlers):
        if isinstance(getattr(handlers, name), list):
            kept[name] = set(map(id, getattr(handlers, name)))
    for name in dir(bpy.types):
        draw = getattr(getattr(bpy.types, name), "draw", None)
        if hasattr(draw, "_draw_funcs"):
            kept["draw " + name] = set(map(id, draw._draw_funcs))
    config = bpy.context.window_manager.keyconfigs.addon
    for keymap in config.keymaps if config else ():
        kept["keys " + keymap.name] = {item.idname for item in keymap.keymap_items}
    return kept

import blender_addon
from unittest import mock
bpy.ops.wm.read_factory_settings(use_empty=True)
timers = []
with mock.patch.object(bpy.app.timers, "register", lambda call, **_k: timers.append(call)):
    before = there()
    blender_addon.register()
    bpy.ops.mesh.primitive_uv_sphere_add(radius=0.1)
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.make_pieces()
    print("new", sorted(k for k, v in there().items() if v != before.get(k)))
    blender_addon.unregister()
    after = there()
print("left", sorted(k for k in {*before, *after} if after.get(k) != before.get(k)))
print("timers", [t for t in timers if bpy.app.timers.is_registered(t)])
bpy.ops.wm.save_as_mainfile(filepath=sys.argv[-1])
"""

WITHOUT = """
import sys, bpy
bpy.ops.wm.open_mainfile(filepath=sys.argv[-1])
assert not hasattr(bpy.types.Object, "seamwright")
print("opened", sorted(o.name for o in bpy.data.objects if o.type == "MESH"))
bpy.ops.wm.save_as_mainfile(filepath=sys.argv[-1])
"""

AGAIN = """
import sys, bpy
import blender_addon
blender_addon.register()
bpy.ops.wm.open_mainfile(filepath=sys.argv[-1])
seams = [o.name for o in bpy.data.objects if o.seamwright.is_seam]
print("again", bpy.context.scene.seamwright.figure.name, seams)
"""

END = """
import os
sys.stdout.flush()
# Before Blender 5, bpy as a module crashes or hangs as Python ends if any property with an
# update callback was ever registered, ours or not.
os._exit(0)
"""


def ask(code: str, *arguments: object) -> dict[str, str]:
    """Run code in a Blender of its own; what it printed, by the first word of each line."""
    done = subprocess.run(
        [sys.executable, "-c", code + END, *map(str, arguments)],
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'lib'}", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return dict(line.split(" ", 1) for line in done.stdout.splitlines() if " " in line)


def test_import_and_registering_take_less_than_a_fifth_of_a_second():
    ask(FAST)  # which compiles what is new
    assert min(float(ask(FAST)["seconds"]) for _ in range(3)) < 0.2


def test_nothing_is_left_and_its_files_open_without_it(tmp_path):
    file = tmp_path / "made.blend"
    said = ask(LEFT, file)
    assert {"Collection", "Object", "Scene", "types"} <= set(ast.literal_eval(said["new"]))
    assert said["left"] == "[]"
    assert said["timers"] == "[]"
    names = "['Seam', 'Sphere', 'Sphere piece-01', 'Sphere piece-02']"
    assert ask(WITHOUT, file)["opened"] == names
    # Even when such a Blender saves the file, what was decided is kept.
    assert ask(AGAIN, file)["again"] == "Sphere ['Seam']"
