"""Speed of Seamwright as ratios against named references, all measured in the same run.

    python scripts/bench.py            # everything, as a Markdown table
    python scripts/bench.py --small    # a twentieth of the size, to see that it runs

The figure is a displaced sphere of 1.3 million triangles, cut by one slanted plane into
two closed halves.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import manifold3d
import numpy as np
import trimesh

from seamwright.frame import Frame
from seamwright.job import read_job
from seamwright.mesh import Mesh
from seamwright.pieces import take_apart
from seamwright.run import load
from seamwright.seam import Seam
from seamwright.section import section

POINT, NORMAL = (3.0, 2.0, 1.0), (0.1, 0.2, 1.0)
ROOT = Path(__file__).resolve().parent.parent


def displaced_sphere(subdivisions: int) -> Mesh:
    """A bumpy sphere of about 100 mm radius with 20 × 4^subdivisions triangles."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions)
    v = np.asarray(ball.vertices)
    bump = 1 + 0.06 * np.sin(9 * v[:, 0]) * np.cos(7 * v[:, 1]) + 0.02 * np.sin(40 * v[:, 2])
    return Mesh.of(100 * v * bump[:, None], ball.faces)


def seconds(work: Callable[[], object], runs: int) -> float:
    """Median wall time of several runs, the first thrown away."""
    times = []
    for _ in range(runs + 1):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times[1:]))


def by_seamwright(vertices: np.ndarray, faces: np.ndarray) -> object:
    """Both closed halves, from bare arrays."""
    return take_apart(Mesh.of(vertices, faces), (Seam(1, "bench", POINT, NORMAL),))


def by_manifold(vertices: np.ndarray, faces: np.ndarray) -> object:
    """Both closed halves by manifold3d: build, split, and out again."""
    solid = manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))
    n = np.asarray(NORMAL) / np.linalg.norm(NORMAL)
    halves = solid.split_by_plane(n, float(n @ POINT))
    return [h.to_mesh64() for h in halves]


def by_trimesh(vertices: np.ndarray, faces: np.ndarray) -> object:
    """Both closed halves by trimesh: a capped slice for either side."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    n = np.asarray(NORMAL) / np.linalg.norm(NORMAL)
    return [mesh.slice_plane(POINT, s * n, cap=True, engine="manifold") for s in (1, -1)]


def section_by_trimesh(vertices: np.ndarray, faces: np.ndarray) -> object:
    """Section and its polygons by trimesh."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    flat, _ = mesh.section(plane_origin=POINT, plane_normal=NORMAL).to_2D()
    return [p.area for p in flat.polygons_full]


def section_by_seamwright(vertices: np.ndarray, faces: np.ndarray) -> object:
    """Section and its regions' areas."""
    found = section(Mesh(vertices, faces, np.zeros(len(faces), np.int32)), frame())
    return [r.area for r in found.regions]


def frame() -> Frame:
    """The plane everything is cut by."""
    return Frame.on_plane(POINT, NORMAL)


def cut_rows(subdivisions: int, runs: int) -> list[tuple[str, float, float, float]]:
    """Name, our seconds, the reference's seconds, and the ratio to reach."""
    mesh = displaced_sphere(subdivisions)
    v, f = mesh.vertices, mesh.faces
    ours = seconds(lambda: by_seamwright(v, f), runs)
    rows = [
        ("one seam, both capped halves / manifold3d build + split_by_plane", ours,
         seconds(lambda: by_manifold(v, f), runs), 4.0),
        ("one seam, both capped halves / trimesh slice_plane(cap=True), both sides", ours,
         seconds(lambda: by_trimesh(v, f), runs), 2.0),
        ("section and region areas / trimesh section + polygons",
         seconds(lambda: section_by_seamwright(v, f), runs),
         seconds(lambda: section_by_trimesh(v, f), runs), 1.0),
    ]  # fmt: skip
    return rows


def peak_memory(job: Path) -> tuple[float, float]:
    """Peak of the whole demo job and its bound, MB: 6 times the figure's arrays plus 300 MB."""
    mesh, _ = load(read_job(job), job.parent)
    arrays = (mesh.vertices.nbytes + mesh.faces.nbytes + mesh.tag.nbytes) / 1e6
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "seamwright", str(job), "--quiet", "--out", f"{folder}/o"]
        before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        subprocess.run(command, check=True)
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    if peak <= before:
        raise SystemExit("An earlier child process used more memory; run the benchmark afresh.")
    return peak / 1024, 6 * arrays + 300


def machine() -> str:
    """The machine in one line."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [
            x.split(":")[1].strip() for x in info.read_text().splitlines() if "model name" in x
        ]
        model = names[0] if names else model
    return (
        f"{model}, {os.cpu_count()} cores, {platform.system()}, Python "
        f"{platform.python_version()}, numpy {np.__version__}, trimesh {trimesh.__version__}"
    )


def main() -> int:
    """Print the table; 1 if a ratio that was asked for is missed."""
    parser = argparse.ArgumentParser(description="Speed as ratios against named references.")
    parser.add_argument("--small", action="store_true", help="a twentieth of the size")
    parser.add_argument("--runs", type=int, default=5, help="timed runs of each, the median counts")
    parser.add_argument("--job", type=Path, help="also measure the peak memory of this job")
    options = parser.parse_args()
    print(machine())
    memory = peak_memory(options.job) if options.job else None
    rows = cut_rows(6 if options.small else 8, options.runs)
    print("\n| what / reference | ours, s | reference, s | times faster | asked |")
    print("| --- | --- | --- | --- | --- |")
    missed = False
    for name, ours, reference, asked in rows:
        missed |= reference / ours < asked
        print(f"| {name} | {ours:.3f} | {reference:.3f} | {reference / ours:.1f} | {asked:g} |")
    if memory:
        missed |= memory[0] > memory[1]
        print(f"\nPeak memory of the job: {memory[0]:.0f} MB; allowed {memory[1]:.0f} MB.")
    return int(missed and not options.small)


if __name__ == "__main__":
    sys.exit(main())
