"""The demo's builds in pictures, and its tables as Markdown."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from render import OKABE_ITO, MeshItem, render_meshes, side_by_side

from seamwright.files import read_mesh
from seamwright.silhouette import turn_matrix

PLATE = (0.80, 0.81, 0.83)
APART = 90.0
"""mm between platforms in the picture."""

COLUMNS = 4
"""Builds side by side."""


def builds_picture(results: Path, picture: Path) -> Path:
    """Render every build on its platform: each piece in its pose, where it is to be printed."""
    report = json.loads((results / "report.json").read_text(encoding="utf-8"))
    x, y, _ = report["printer"]["usable_mm"]
    pieces = {p["name"]: p for p in report["pieces"]}
    items: list[MeshItem] = []
    for k, build in enumerate(report["builds"]["builds"]):
        row, column = divmod(k, COLUMNS)
        corner = np.array([column * (x + APART), -row * (y + APART), 0.0])
        items.append(_plate(f"platform {k + 1}", corner, (x, y)))
        for n, part in enumerate(build["parts"]):
            if part["part"] in pieces:
                points, faces = _placed(results, pieces[part["part"]], part)
                tone = OKABE_ITO[n % (len(OKABE_ITO) - 1)]
                items.append((part["part"], points + corner, faces, tone))
    render_meshes(items, picture, size=(2400, 1800), view=(-14.0, 46.0), margin=1.03)
    return side_by_side([picture], picture)


def _placed(
    results: Path, piece: dict[str, Any], part: dict[str, Any]
) -> tuple[np.ndarray, np.ndarray]:
    mesh = read_mesh(results / "stl" / f"{piece['file']}.stl")
    points = mesh.vertices @ np.array(piece["pose_rotation"]).T
    points[:, :2] = points[:, :2] @ turn_matrix(part["turn_deg"]).T
    points += [part["x_mm"], part["y_mm"], -points[:, 2].min()]
    return points, mesh.faces


def _plate(name: str, at: np.ndarray, size: tuple[float, float]) -> MeshItem:
    """A thin slab in place of a platform."""
    x, y = size
    points = np.array(
        [[a, b, c] for c in (-4.0, -0.2) for a, b in ((0, 0), (x, 0), (x, y), (0, y))]
    )
    faces = [
        [0, 2, 1], [0, 3, 2], [4, 5, 6], [4, 6, 7], [0, 1, 5], [0, 5, 4], [1, 2, 6], [1, 6, 5],
        [2, 3, 7], [2, 7, 6], [3, 0, 4], [3, 4, 7],
    ]  # fmt: skip
    return name, points + at, np.array(faces), PLATE


def builds_sheet(results: Path, sheet: Path) -> Path:
    """All top views of the builds on one sheet, as SVG."""
    views = [p.read_text(encoding="utf-8") for p in sorted((results / "builds").glob("*.svg"))]
    boxes = [[float(n) for n in _VIEW_BOX.search(view)[1].split()] for view in views]  # type: ignore[index]
    wide, high = max(b[2] for b in boxes), max(b[3] for b in boxes)
    rows = -(-len(views) // COLUMNS)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {COLUMNS * wide:.0f} '
        f'{rows * high:.0f}" font-family="sans-serif">'
    ]
    for k, view in enumerate(views):
        row, column = divmod(k, COLUMNS)
        # The tiles of each view have names of their own.
        own = re.sub(r'(id="|url\(#|href="#)', rf"\g<1>v{k}-", view)
        size = f'x="{column * wide:.1f}" y="{row * high:.1f}" width="{wide}" height="{high}"'
        own = re.sub(r' width="[^"]*" height="[^"]*">', f" {size}>", own, count=1)
        parts.append(own)
    sheet.write_text("\n".join([*parts, "</svg>"]) + "\n", encoding="utf-8")
    return sheet


_VIEW_BOX = re.compile(r'viewBox="([^"]*)"')


def tables(results: Path, page: Path) -> Path:
    """Joints, builds, ledger and stance of the demo as a page of Markdown."""
    report = json.loads((results / "report.json").read_text(encoding="utf-8"))
    builds, stance = report["builds"], report["stance"]
    bought = [f"- buy {b['count']} x {b['what']}, {b['size_mm']} mm" for b in report["to_buy"]]
    loose = [
        f"- print {p['name']}, {p['width_mm']:.1f} mm wide and {p['length_mm']:.1f} mm long"
        for p in report["loose_pegs"]
    ]
    lines = [
        "# The demo figure in numbers",
        "",
        "Written by `python scripts/demo.py`; everything here is in the result folder too "
        "(`joints.csv`, `builds.csv`, `ledger.csv`, `parts.csv`, `report.json`).",
        "",
        "## Joints",
        "",
        *_table(_rows(results / "joints.csv")),
        "",
        f"Strength: {report['strength']}.",
        "",
        "Why each is as it is:",
        "",
        *(f"- {j['joint']} ({j['seam']}): {j['reason']}." for j in report["joints"]),
        "",
        "Beside the pieces:",
        "",
        *loose,
        *bought,
        "",
        "## Assembly order",
        "",
        *(f"{s['step']}. {s['said']}" for s in report["assembly"]["steps"]),
        "",
        "## Builds",
        "",
        builds["said"],
        "",
        *_table(
            [
                ["build", "printer", "parts", "height mm", "covered", "time h", "material g"],
                *(
                    [
                        b["build"], b["printer"], ", ".join(p["part"] for p in b["parts"]),
                        f"{b['height_mm']:.0f}", f"{b['covered']:.0%}",
                        f"{b['estimate']['time_h']:.1f}", f"{b['estimate']['material_g']:.0f}",
                    ]
                    for b in builds["builds"]
                ),
            ]
        ),
        "",
        f"The figure: {builds['estimate']['said']}",
        "",
        "## Poses",
        "",
        *(f"- {p['name']}: {p['pose']}" for p in report["pieces"]),
        "",
        "## Ledger",
        "",
        *_table(_rows(results / "ledger.csv")),
        "",
        *(f"- {c['check']}: {c['found']}" for c in report["checks"]),
        "",
        "## Stance",
        "",
        stance["said"],
        "",
        *(f"- {r}" for r in stance.get("remedies", [])),
        "",
        "## Take care",
        "",
        *(f"- {c}" for c in report["cautions"]),
    ]  # fmt: skip
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return page


def _rows(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def _table(rows: Iterable[Iterable[object]]) -> list[str]:
    head, *rest = [[str(cell) for cell in row] for row in rows]
    lines = [
        "| " + " | ".join(h.replace("_", " ") for h in head) + " |",
        "|" + " --- |" * len(head),
    ]
    return lines + ["| " + " | ".join(row) + " |" for row in rest]
