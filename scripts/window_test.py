"""The window test: the built zip in a real Blender, driven by mouse and keys.

    python scripts/window_test.py trixie|sid [--out DIR] [--short | --big]
        [--figure FILE.stl] [--pictures DIR] [--document FILE.md]

Needs root and Debian's packages (see `window_env.sh`, which makes the folder with the Blender
and is quick if it is there already) and pip's index for the wheels. The zip is built by that
Blender, installed by its command line and driven by `tests/window/drive.py`; pictures of every
step lie in the folder `run` of `--out` afterwards, and those of `PICTURES` go to `--pictures`.
"""

from __future__ import annotations

import argparse
import json
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
PICTURES = {
    "panel-1-figure.png": "??-takes_the_figure.png",
    "panel-2-draw-seam.png": "while-drawing-1.png",
    "panel-3-live-section.png": "while-moving.png",
    "panel-4-joints.png": "??-sizes_the_joints.png",
    "panel-5-pieces.png": "??-slides_explode.png",
    "panel-6-builds.png": "??-plans_builds.png",
    "panel-7-files.png": "??-writes_files.png",
}
"""What the README shows, by its names there, and which of the test's pictures each is of."""
SHOWN, COLOURS = "922x876+400+27", 160
"""What of a picture the README shows: the figure and the panel, in how many colours."""


def main(argv: list[str] | None = None) -> int:
    """Make what is needed and run the test. Returns its exit code."""
    parser = argparse.ArgumentParser(description="Drive the extension in a real Blender.")
    parser.add_argument("suite", choices=sorted(PYTHON), help="Debian's suite with the Blender")
    parser.add_argument("--out", type=Path, default=ROOT / "dist" / "window", help="work folder")
    parser.add_argument("--short", action="store_true", help="the steps that matter most alone")
    parser.add_argument("--big", action="store_true", help="a seam moved on a million triangles")
    parser.add_argument("--figure", type=Path, help="binary STL of the demo's figure")
    parser.add_argument("--pictures", type=Path, help="folder that the README's pictures go to")
    parser.add_argument("--document", type=Path, help="page on both suites' last runs, to write")
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
    words += ["--short"] * options.short + ["--big"] * options.big
    if options.figure is not None:
        words += ["--figure", "given.stl"]
    code = run("run", folder, shared, *words, check=False)
    passed = json.loads((shared / "run" / "log.json").read_text(encoding="utf-8"))["passed"]
    if passed and options.pictures is not None:
        for name, step in PICTURES.items():
            (found,) = (shared / "run").glob(step)
            run(
                "run", folder, shared, "convert", f"run/{found.name}", "-crop", SHOWN, "+repage",
                "-dither", "None", "-colors", COLOURS, f"PNG8:run/{name}",
            )  # fmt: skip
            shutil.copyfile(shared / "run" / name, options.pictures / name)
    if passed and options.document is not None:
        options.document.write_text(page(options.out.resolve()), encoding="utf-8")
    return code


def page(out: Path) -> str:
    """What the last runs of the suites that passed say, as a page with a table."""
    logs = {}
    for suite in sorted(PYTHON, reverse=True):
        path = out / f"{suite}-shared" / "run" / "log.json"
        log = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        if log.get("passed") and not log["short"]:
            logs[suite] = log
    steps = {name: said for log in logs.values() for name, said, _took in log["steps"]}
    took = [{name: f"{t:.1f}" for name, _said, t in log["steps"]} for log in logs.values()]
    rows = [
        [f"Debian {suite}, Blender {log['blender']}, Python {log['python']}, s"]
        for suite, log in logs.items()
    ]
    table = [
        ["step", *(row[0] for row in rows)],
        ["---"] * (1 + len(rows)),
        *([said, *(some.get(name, "") for some in took)] for name, said in steps.items()),
    ]
    said = [
        "# The window test",
        "",
        "What `python scripts/window_test.py trixie` (or `sid`) does as root: the zip is built and",
        "installed by that Blender, whose window on a screen without a monitor is then driven by",
        "mouse and keys; what the panel says is read from the screen. Each step ends the test if",
        "what it says does not hold, or if Blender's log has an error in it at the end. Times of",
        "steps are mostly those of reading the screen; the panel's are the processor's alone.",
        "",
        *(f"| {' | '.join(row)} |" for row in table),
    ]
    for suite, log in logs.items():
        said += ["", f"On {suite}, with {log['machine']}:", "", "```"]
        said += [f"The add-on loads in {log['loading']:.3f} s.", *log["said"], "```"]
    return "\n".join(said) + "\n"


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
