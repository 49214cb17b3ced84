"""The whole job on a demo figure made from nothing, with pictures before and after.

    python scripts/demo.py            # into demo_out/
    python scripts/demo.py --out DIR

Needs Blender as a Python module (pip install "bpy==5.0.1").
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np

from seamwright.files import read_mesh

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE / "demo"))

# Okabe & Ito, "Color universal design" (2008): safe for colour-blind readers.
PALETTE = ("#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7")
CLAY = "#B8A48C"
APART = 0.45
"""How far pieces are moved out in the picture, as a share of their distance from the middle."""

LIFT = 75.0
"""How far the pieces above a seam are lifted off in its picture, mm."""
SEAMS_SHOWN = {
    "right arm": ((-1.0, 0.0, 0.0), (-25.0, 12.0)),
    "belt": ((0.0, 0.0, 1.0), (-28.0, 24.0)),
    "cloak": ((0.0, 0.0, 1.0), (165.0, 14.0)),
}
"""Seams with a picture of their own: the way their pieces are moved apart, and the view
(azimuth and elevation, degrees). The arm's plane goes through the hand on the hip too, which
its reach leaves alone; the belt is a line seam; the cloak is crossed by two seams."""


def main() -> int:
    """Make the figure, run the job on it, and render both."""
    parser = argparse.ArgumentParser(description="Make the demo figure and take it apart.")
    parser.add_argument("--out", type=Path, default=Path("demo_out"), help="folder for everything")
    options = parser.parse_args()
    out = options.out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    run(HERE / "demo" / "make_figure.py", "--out", out)
    shutil.copy(HERE / "demo" / "keeper.toml", out / "keeper.toml")
    code = run("-m", "seamwright", out / "keeper.toml", "--replace", check=False)
    if code == 0:
        pictures(out)
        seam_pictures(out)
        sheets(out)
        made = "before-after.png, seams.png, kinds.png, builds.png, builds.svg"
        print(f"\nResults: {out / 'keeper-pieces'}\nIn numbers: {out / 'demo.md'}")
        print(f"Pictures in {out}: {made}")
    return code


def run(*words: object, check: bool = True) -> int:
    """Run Python with these words and return its exit code."""
    return subprocess.run([sys.executable, *map(str, words)], check=check).returncode


def pictures(out: Path) -> None:
    """Render the figure whole, and its pieces moved apart, side by side views alike."""
    # bpy comes with `render`; the job itself runs without it, in a process of its own.
    from render import render_meshes, side_by_side  # noqa: PLC0415

    figure = read_mesh(out / "keeper.stl")
    render_meshes(
        [("figure", figure.vertices * 1000, figure.faces, colour(CLAY))], out / "before.png"
    )
    # Loose pegs have files of their own, lying as they print.
    every = (out / "keeper-pieces" / "stl").glob("*.stl")
    files = sorted(f for f in every if "-peg-" not in f.stem)
    meshes = [read_mesh(f) for f in files]
    middle = np.mean([m.bounds.mean(axis=0) for m in meshes], axis=0)
    render_meshes(
        [
            (f.stem, m.vertices, m.faces, colour(PALETTE[k % len(PALETTE)]))
            for k, (f, m) in enumerate(zip(files, meshes, strict=True))
        ],
        out / "after.png",
        explode=[APART * (m.bounds.mean(axis=0) - middle) for m in meshes],
    )
    side_by_side([out / "before.png", out / "after.png"], out / "before-after.png")


def seam_pictures(out: Path) -> None:
    """Render the pieces that meet at each of a few seams, moved apart along it."""
    from render import render_meshes, side_by_side  # noqa: PLC0415

    found = json.loads((out / "keeper-pieces" / "report.json").read_text(encoding="utf-8"))
    stems = {p["piece"]: p["file"] for p in found["pieces"]}
    made = []
    for name, (axis, view) in SEAMS_SHOWN.items():
        below, above = (
            sorted({j["pieces"][k] for j in found["joints"] if j["seam"] == name}) for k in (0, 1)
        )
        items, shifts = [], []
        for number in [*below, *above]:
            mesh = read_mesh(out / "keeper-pieces" / "stl" / f"{stems[number]}.stl")
            tone = colour(PALETTE[number % len(PALETTE)])
            items.append((stems[number], mesh.vertices, mesh.faces, tone))
            shifts.append(LIFT * np.array(axis) * (0 if number in below else 1))
        made.append(out / f"seam-{name.replace(' ', '-')}.png")
        render_meshes(items, made[-1], size=(1000, 1200), view=view, explode=np.array(shifts))
    side_by_side(made, out / "seams.png")


def sheets(out: Path) -> None:
    """Render each kind of joint cut open and every build, and write the tables."""
    from kinds import kinds_picture  # noqa: PLC0415
    from sheets import builds_picture, builds_sheet, tables  # noqa: PLC0415

    results = out / "keeper-pieces"
    kinds_picture(out / "kinds.png")
    builds_picture(results, out / "builds.png")
    builds_sheet(results, out / "builds.svg")
    tables(results, out / "demo.md")


def colour(code: str) -> tuple[float, float, float]:
    """sRGB 0 to 1 from a #RRGGBB code."""
    return tuple(int(code[k : k + 2], 16) / 255 for k in (1, 3, 5))  # type: ignore[return-value]


if __name__ == "__main__":
    sys.exit(main())
