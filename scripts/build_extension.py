"""Build the Blender extension: one zip with the add-on and the library inside.

    python scripts/build_extension.py [--out dist] [--wheels FOLDER]

A clean folder is put together and given to Blender's own extension build: that of the
`blender` on PATH, else that of the installed bpy package. With neither, the folder is
zipped as it is, which only misses Blender's check of the manifest. Equal sources give equal
zips. The zip's path is the last line printed.
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

ROOT = Path(__file__).resolve().parents[1]
ADDON = ROOT / "blender_addon"
LIBRARY = ROOT / "lib" / "seamwright"
LIBRARY_NAME = LIBRARY.name

STAMP = 315619200
"""1980-01-02: the first whole day that a zip can hold in every time zone; all files carry it."""

_ABSOLUTE = re.compile(rf"^(\s*)from {LIBRARY_NAME}(\.| )", re.MULTILINE)


def main(argv: list[str] | None = None) -> int:
    """Build the zip. Returns the exit code: 0 done, 2 something is missing or refused."""
    parser = argparse.ArgumentParser(description="Build the Blender extension's zip.")
    parser.add_argument("--out", type=Path, default=ROOT / "dist", help="folder for the zip")
    parser.add_argument(
        "--wheels", type=Path, help="folder of wheels to put in and to list in the manifest"
    )
    options = parser.parse_args(argv)
    manifest = tomllib.loads((ADDON / "blender_manifest.toml").read_text(encoding="utf-8"))
    version = re.search(
        r'^__version__ = "(.+)"$', (LIBRARY / "__init__.py").read_text("utf-8"), re.MULTILINE
    )
    if version is None or version[1] != manifest["version"]:
        print("The manifest's version is not the library's; make them equal.", file=sys.stderr)
        return 2
    options.out.mkdir(parents=True, exist_ok=True)
    target = options.out.resolve() / f"{manifest['id']}-{manifest['version']}.zip"
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / manifest["id"]
        assemble(folder, options.wheels)
        builder = blender_builder()
        if builder is None:
            print("No Blender and no bpy package here: the manifest is not checked by Blender.")
            zip_folder(folder, target)
        else:
            done = subprocess.run(
                [*builder, "--source-dir", str(folder), "--output-filepath", str(target)],
                check=False,
            )
            if done.returncode:
                print("Blender refused to build the extension; see above.", file=sys.stderr)
                return 2
    print(target)
    return 0


def assemble(folder: Path, wheels: Path | None) -> None:
    """Put together what the zip holds: add-on, library, licence and wheels."""
    clean = shutil.ignore_patterns("__pycache__", "*.pyc", ".*")
    shutil.copytree(ADDON, folder, ignore=clean)
    shutil.copytree(LIBRARY, folder / LIBRARY_NAME, ignore=clean)
    for source in folder.rglob("*.py"):
        inside = source.parent == folder / LIBRARY_NAME
        source.write_text(relative(source.read_text("utf-8"), inside), encoding="utf-8")
        require_relative(source)
    if (ROOT / "LICENSE").is_file():
        shutil.copy(ROOT / "LICENSE", folder / "LICENSE")
    if wheels is not None:
        put_in_wheels(folder, wheels)
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


def put_in_wheels(folder: Path, wheels: Path) -> None:
    """Copy the wheels and list them in the manifest."""
    found = sorted(wheels.glob("*.whl"))
    if not found:
        raise SystemExit(f"There are no wheels in '{wheels}'; give a folder that has some.")
    (folder / "wheels").mkdir()
    for wheel in found:
        shutil.copy(wheel, folder / "wheels" / wheel.name)
    lines = "".join(f'    "./wheels/{wheel.name}",\n' for wheel in found)
    manifest = folder / "blender_manifest.toml"
    # Before the first table: what follows a table's head would belong to it.
    head, table, rest = manifest.read_text("utf-8").partition("\n[")
    manifest.write_text(f"{head}\nwheels = [\n{lines}]\n{table}{rest}", encoding="utf-8")


def blender_builder() -> list[str] | None:
    """The command that builds an extension with Blender's own tool, if there is one."""
    blender = shutil.which("blender")
    if blender is not None:
        return [blender, "--command", "extension", "build"]
    spec = find_spec("bpy")
    if spec is None or spec.origin is None:
        return None
    tools = Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py")
    tool = next(iter(sorted(tools)), None)
    return None if tool is None else [sys.executable, str(tool), "build"]


def zip_folder(folder: Path, target: Path) -> None:
    """Zip a folder's files in order of their names, all with one date."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            entry = zipfile.ZipInfo(path.relative_to(folder).as_posix(), (1980, 1, 2, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, path.read_bytes())


if __name__ == "__main__":
    sys.exit(main())
