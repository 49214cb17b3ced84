"""The window test: the built zip in a real Blender, driven by mouse and keys.

    python scripts/window_test.py trixie|sid [--out DIR] [--figure FILE.stl] [--pictures DIR]

Needs root and Debian's packages (see `window_env.sh`, which makes the folder with the Blender
and is quick if it is there already) and pip's index for the wheels. The zip is built by that
Blender, installed by its command line and driven by `tests/window/drive.py`; pictures of every
step lie in the folder `run` of `--out` afterwards, and those of `PICTURES` go to `--pictures`.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from pathlib import Path

from fetch_wheels import FETCHED, fetched, wheel_sets

ROOT = Path(__file__).resolve().parents[1]
ENVIRONMENT = Path(__file__).with_name("window_env.sh")
PYTHON = {"trixie": "3.13", "sid": "3.14"}
"""The Python of each suite's Blender."""
PARTS = ("lib", "blender_addon", "scripts", "tests/window", "LICENSE")
PICTURES = {"draws_a_line_seam": "panel-seams.png", "makes_pieces": "panel-pieces.png"}
"""Steps whose pictures the README shows, and the files' names there."""


def main(argv: list[str] | None = None) -> int:
    """Make what is needed and run the test. Returns its exit code."""
    parser = argparse.ArgumentParser(description="Drive the extension in a real Blender.")
    parser.add_argument("suite", choices=sorted(PYTHON), help="Debian's suite with the Blender")
    parser.add_argument("--out", type=Path, default=ROOT / "dist" / "window", help="work folder")
    parser.add_argument("--figure", type=Path, help="binary STL to take apart, not the small one")
    parser.add_argument("--pictures", type=Path, help="folder that the README's pictures go to")
    options = parser.parse_args(argv)
    folder = (options.out / options.suite).resolve()
    shared = options.out.resolve() / f"{options.suite}-shared"
    folder.parent.mkdir(parents=True, exist_ok=True)
    run("make", options.suite, folder)
    share(shared, PYTHON[options.suite], options.figure)
    run(
        "run", folder, shared, "python3", "scripts/build_extension.py", "--out", "/shared/zip",
        "--wheels", "/shared/wheels", "--python", PYTHON[options.suite], "--platform", "linux-x64",
    )  # fmt: skip
    (built,) = (shared / "zip").glob("*.zip")
    words = ["python3", "tests/window/drive.py", f"zip/{built.name}", "run"]
    if options.figure is not None:
        words.append("given.stl")
    code = run("run", folder, shared, *words, check=False)
    if code == 0 and options.pictures is not None:
        for step, name in PICTURES.items():
            (found,) = (shared / "run").glob(f"??-{step}.png")
            shutil.copyfile(found, options.pictures / name)
    return code


def run(*words: object, check: bool = True) -> int:
    """Run the script that knows the folder; its exit code."""
    return subprocess.run(["bash", str(ENVIRONMENT), *map(str, words)], check=check).returncode


def share(shared: Path, python: str, figure: Path | None) -> None:
    """Put what the test needs of this repository into the folder that it sees."""
    shutil.rmtree(shared, ignore_errors=True)
    clean = shutil.ignore_patterns("__pycache__", "*.pyc")
    for part in PARTS:
        source, target = ROOT / part, shared / part
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target, ignore=clean)
        else:
            shutil.copyfile(source, target)
    (shared / "wheels").mkdir()
    for path in fetched(wheel_sets()[python], "linux-x64", FETCHED):
        shutil.copyfile(path, shared / "wheels" / path.name)
    if figure is not None:
        shutil.copyfile(figure, shared / "given.stl")


if __name__ == "__main__":
    sys.exit(main())
