"""Build the Blender extension: zips with the add-on, the library and the wheels it needs.

    python scripts/build_extension.py --all [--out dist]          every zip
    python scripts/build_extension.py --python 3.13 --platform linux-x64
    python scripts/build_extension.py                             without wheels

A clean folder is put together and given to Blender's own extension build: that of the
`blender` on PATH, else that of the installed bpy package; each zip is then validated by the
same. Wheels are those of `scripts/wheels.toml`, fetched where they are not there yet, and
each Python and platform has a zip of its own. Without wheels and without a Blender, the
folder is zipped as it is, which only misses Blender's check of the manifest. Equal sources
give equal zips. The zips' paths are the last lines printed.
"""

from __future__ import annotations

import argparse
import ast
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from importlib.util import find_spec
from pathlib import Path

from fetch_wheels import FETCHED, TAGS, WheelSet, fetched, wheel_sets

ROOT = Path(__file__).resolve().parents[1]
ADDON = ROOT / "blender_addon"
LIBRARY = ROOT / "lib" / "seamwright"
LIBRARY_NAME = LIBRARY.name

STAMP = 315619200
ZIP_STAMP = (1980, 1, 2, 0, 0, 0)
"""1980-01-02: the first whole day that a zip can hold in every time zone; all files carry it."""

_MACHINE = {
    "linux-x64": ("manylinux", "_x86_64"),
    "windows-x64": ("win_amd64", ""),
    "macos-arm64": ("macosx", "_arm64"),
    "macos-x64": ("macosx", "_x86_64"),
}
"""How the tags of wheels begin and end that run on each platform."""

_ABSOLUTE = re.compile(rf"^(\s*)from {LIBRARY_NAME}(\.| )", re.MULTILINE)


def main(argv: list[str] | None = None) -> int:
    """Build the zips. Returns the exit code: 0 done, 2 something is missing or refused."""
    sets = wheel_sets()
    parser = argparse.ArgumentParser(description="Build the Blender extension's zips.")
    parser.add_argument("--out", type=Path, default=ROOT / "dist", help="folder for the zips")
    parser.add_argument("--python", choices=sorted(sets), help="with the wheels of this Python")
    parser.add_argument("--platform", choices=sorted(TAGS), help="with this platform's wheels")
    parser.add_argument("--all", action="store_true", help="with wheels, for all there are")
    parser.add_argument("--wheels", type=Path, default=FETCHED, help="where fetched wheels are")
    options = parser.parse_args(argv)
    manifest = tomllib.loads((ADDON / "blender_manifest.toml").read_text(encoding="utf-8"))
    version = re.search(
        r'^__version__ = "(.+)"$', (LIBRARY / "__init__.py").read_text("utf-8"), re.MULTILINE
    )
    if version is None or version[1] != manifest["version"]:
        print("The manifest's version is not the library's; make them equal.", file=sys.stderr)
        return 2
    out = options.out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    name = f"{manifest['id']}-{manifest['version']}"
    if options.all or options.python or options.platform:
        built = []
        for wheels in sets.values():
            if options.python in (None, wheels.python):
                platforms = [p for p in wheels.files if options.platform in (None, p)]
                built += [with_wheels(wheels, p, options.wheels, out, name) for p in platforms]
        if not built:
            print("There are no wheels of that Python for that platform.", file=sys.stderr)
            return 2
    else:
        built = [without_wheels(out / f"{name}.zip")]
    for path in built:
        print(path)
    return 0


def without_wheels(target: Path) -> Path:
    """The zip for a Python that has the packages already."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / LIBRARY_NAME
        assemble(folder)
        if blender_tool() is None:
            print("No Blender and no bpy package here: the manifest is not checked by Blender.")
            zip_folder(folder, target)
        else:
            ask_blender("build", "--source-dir", str(folder), "--output-filepath", str(target))
            ask_blender("validate", str(target))
    return target


def with_wheels(wheels: WheelSet, platform: str, store: Path, out: Path, name: str) -> Path:
    """One Python's zip for one platform, split off and validated by Blender's own tool.

    Each platform has a manifest of its own, though Blender could split one for all: Blender
    4.2.0 would then tell at every start of the wheels that it has no use for.
    """
    if blender_tool() is None:
        raise SystemExit("Building with wheels needs Blender: put it on PATH or install bpy.")
    files = fetched(wheels, platform, store)
    ending = platform.replace("-", "_")
    target = out / f"{name}-python{wheels.python}-{ending}.zip"
    with tempfile.TemporaryDirectory() as temporary:
        folder, split = Path(temporary) / LIBRARY_NAME, Path(temporary) / "split"
        assemble(folder)
        put_in_wheels(folder, files, platform, wheels.blender_version_min)
        date(folder)
        split.mkdir()
        where = ("--source-dir", str(folder), "--output-dir", str(split))
        ask_blender("build", "--split-platforms", *where)
        dated(split / f"{name}-{ending}.zip", target)
    ask_blender("validate", str(target))
    require_fitting(target, wheels.python, platform)
    return target


def require_fitting(target: Path, python: str, platform: str) -> None:
    """Stop if a zip asks for more than files, or not all of it is for one Python and platform.

    A wheel is known by the tags in its name (PEP 427). Blender finds out only as it is installed.
    """
    with zipfile.ZipFile(target) as archive:
        manifest = tomllib.loads(archive.read("blender_manifest.toml").decode())
        inside = sorted(f"./{name}" for name in archive.namelist() if name.endswith(".whl"))
    if manifest["platforms"] != [platform] or list(manifest["permissions"]) != ["files"]:
        raise SystemExit(f"The manifest in '{target.name}' names other platforms or permissions.")
    if sorted(manifest["wheels"]) != inside:
        raise SystemExit(f"The wheels in '{target.name}' are not those that its manifest names.")
    system, machine = _MACHINE[platform]
    for name in inside:
        wanted, _abi, runs_on = Path(name).stem.split("-")[-3:]
        fits = runs_on == "any" or (runs_on.startswith(system) and runs_on.endswith(machine))
        if wanted not in ("py3", "cp" + python.replace(".", "")) or not fits:
            raise SystemExit(
                f"'{name}' in '{target.name}' is not for Python {python} on {platform}; see "
                "wheels.toml."
            )


def assemble(folder: Path) -> None:
    """Put together what each zip holds: add-on, library and licence."""
    clean = shutil.ignore_patterns("__pycache__", "*.pyc", ".*")
    shutil.copytree(ADDON, folder, ignore=clean)
    shutil.copytree(LIBRARY, folder / LIBRARY_NAME, ignore=clean)
    for source in folder.rglob("*.py"):
        inside = source.parent == folder / LIBRARY_NAME
        source.write_text(relative(source.read_text("utf-8"), inside), encoding="utf-8")
        require_relative(source)
    if (ROOT / "LICENSE").is_file():
        shutil.copy(ROOT / "LICENSE", folder / "LICENSE")
    date(folder)


def date(folder: Path) -> None:
    """Give everything in a folder the one date, so that equal files make equal zips."""
    for path in [folder, *folder.rglob("*")]:
        os.utime(path, (STAMP, STAMP))


def relative(text: str, inside: bool) -> str:
    """A module's imports of the library made relative.

    Blender wants an extension to keep its modules under its own name and to leave
    sys.path alone, so the library inside it is imported by its place.
    """
    package = "." if inside else f".{LIBRARY_NAME}"

    def place(found: re.Match[str]) -> str:
        if found[2] == " ":
            return f"{found[1]}from {package} "
        return f"{found[1]}from {package.rstrip('.')}."

    return _ABSOLUTE.sub(place, text)


def require_relative(source: Path) -> None:
    """Stop if a module still imports the library by its absolute name."""
    for node in ast.walk(ast.parse(source.read_text("utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module or ""]
        if any(name.partition(".")[0] == LIBRARY_NAME for name in names):
            raise SystemExit(
                f"{source.name}, line {node.lineno}: import the library as "
                f"'from {LIBRARY_NAME}.module import name', so that it can be made relative."
            )


def dated(source: Path, target: Path) -> None:
    """Copy a zip with all its files of the one date: Blender dates a split manifest today."""
    part = target.with_suffix(".part")
    with zipfile.ZipFile(source) as given, zipfile.ZipFile(part, "w") as archive:
        for entry in given.infolist():
            entry.date_time = ZIP_STAMP
            archive.writestr(entry, given.read(entry))
    os.replace(part, target)


def put_in_wheels(folder: Path, files: list[Path], platform: str, blender_version_min: str) -> None:
    """Copy wheels and say in the manifest which they are and what they are for."""
    (folder / "wheels").mkdir()
    names = [inside_name(file.name, platform) for file in files]
    for file, name in zip(files, names, strict=True):
        shutil.copyfile(file, folder / "wheels" / name)
    lines = "".join(f'    "./wheels/{name}",\n' for name in names)
    manifest = folder / "blender_manifest.toml"
    text = re.sub(
        r'^blender_version_min = ".*"$',
        f'blender_version_min = "{blender_version_min}"',
        manifest.read_text("utf-8"),
        flags=re.MULTILINE,
    )
    # Before the first table: what follows a table's head would belong to it.
    head, table, rest = text.partition("\n[")
    manifest.write_text(
        f'{head}\nplatforms = ["{platform}"]\nwheels = [\n{lines}]\n{table}{rest}', encoding="utf-8"
    )


def inside_name(wheel: str, platform: str) -> str:
    """The name a wheel gets in the zip: that of the one kind of Mac where it is for both.

    Blender 4.2.0 does not know that a universal2 wheel is for the Mac that it runs on.
    """
    machine = {"macos-arm64": "arm64", "macos-x64": "x86_64"}.get(platform, "")
    return wheel.replace("_universal2.whl", f"_{machine}.whl")


def blender_tool() -> list[str] | None:
    """The command of Blender's own extension tool, if there is a Blender."""
    blender = shutil.which("blender")
    if blender is not None:
        return [blender, "--factory-startup", "--command", "extension"]
    spec = find_spec("bpy")
    if spec is None or spec.origin is None:
        return None
    tools = Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py")
    tool = next(iter(sorted(tools)), None)
    return None if tool is None else [sys.executable, str(tool)]


def ask_blender(*arguments: str) -> None:
    """Run Blender's extension tool; stop if it refuses."""
    if subprocess.run([*(blender_tool() or []), *arguments], check=False).returncode:
        raise SystemExit(f"Blender refused to {arguments[0]} the extension; see above.")


def zip_folder(folder: Path, target: Path) -> None:
    """Zip a folder's files in order of their names, all with one date."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            entry = zipfile.ZipInfo(path.relative_to(folder).as_posix(), ZIP_STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, path.read_bytes())


if __name__ == "__main__":
    sys.exit(main())
