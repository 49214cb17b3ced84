"""Speed of Seamwright as ratios against named references, all measured in the same run.

    python scripts/bench.py            # everything, as a Markdown table
    python scripts/bench.py --small    # a twentieth of the size, to see that it runs
    python scripts/bench.py --growth   # also how the times grow, up to ten million triangles

Two figures are cut: a displaced sphere of 1.3 million triangles by a slanted plane, and a
body with four limbs and a head, also of 1.3 million, by a seam that takes one arm of what
its plane meets. Ours and the reference take turns, and of each the median counts. The exit
code is 1 if something that is asked for is missed.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from itertools import cycle
from pathlib import Path

import manifold3d
import numpy as np
import trimesh

from bench_addon import addon_rows
from bench_after import after_rows
from bench_common import Arrays, Row, Work, body, bumps, displaced_sphere, seconds, solid
from seamwright.frame import Frame
from seamwright.job import read_job
from seamwright.mesh import Mesh
from seamwright.pieces import Piece, take_apart
from seamwright.run import load
from seamwright.seam import Reach, Seam
from seamwright.section import section
from seamwright.shapes import sphere

POINT, NORMAL = (3.0, 2.0, 1.0), (0.1, 0.2, 1.0)
WRIST, ALONG = (52.0, 0.0, 22.0), (0.1, 0.1, 1.0)
ROOT = Path(__file__).resolve().parent.parent
LIVE = 0.015
"""Seconds within which a dragged section must be there."""
PREPARED = 0.5
"""Seconds that may be spent once so that it is."""
SIZES = (100_000, 300_000, 1_000_000, 3_000_000, 10_000_000)


def split(whole: manifold3d.Manifold, seam: Seam) -> list[object]:
    """Both closed halves out of a Manifold, as arrays."""
    n = seam.frame.normal
    halves = whole.split_by_plane(n, float(n @ seam.point))
    return [h.to_mesh64() for h in halves]


def both_sides(pieces: tuple[Piece, ...]) -> None:
    """Stop if a seam did not give two closed pieces: its time would mean nothing."""
    if len(pieces) != 2 or not all(p.mesh.is_closed for p in pieces):
        raise SystemExit("A seam of the benchmark does not leave two closed pieces.")


def by_trimesh(figure: Arrays, seam: Seam) -> object:
    """Both closed halves by trimesh: a capped slice for either side."""
    mesh = trimesh.Trimesh(*figure, process=False)
    n = seam.frame.normal
    return [mesh.slice_plane(seam.point, s * n, cap=True, engine="manifold") for s in (1, -1)]


def dragged(count: int) -> list[Frame]:
    """Planes that a seam passes while it is dragged and turned across the sphere."""
    shift = np.linspace(-60, 60, count)
    return [Frame.on_plane((3, 2, s), (0.1 + 0.002 * s, 0.2, 1.0)) for s in shift]


def section_by_trimesh(mesh: trimesh.Trimesh, frame: Frame) -> object:
    """Section, its polygons and their measures by trimesh."""
    flat, _ = mesh.section(plane_origin=frame.origin, plane_normal=frame.normal).to_2D()
    return [(p.area, p.length, p.centroid) for p in flat.polygons_full]


def section_by_seamwright(mesh: Mesh, frame: Frame) -> object:
    """Section, its regions and their measures."""
    return [(r.area, r.perimeter, r.centroid) for r in section(mesh, frame).regions]


def section_rows(figure: Arrays, runs: int) -> Iterator[Row]:
    """Sections of a figure prepared once, the plane another each time; and preparing it."""
    mesh = Mesh.of(*figure)
    _ = mesh.blocks
    other = trimesh.Trimesh(*figure, process=False)
    planes = dragged(24)
    ours, theirs = cycle(planes), cycle(planes)
    own, reference = seconds(
        max(runs, 23),
        lambda: section_by_seamwright(mesh, next(ours)),
        lambda: section_by_trimesh(other, next(theirs)),
    )
    name = "dragged section with area, perimeter, centroid / trimesh section + polygons"
    yield Row(name, own, reference, 8)
    yield Row(f"the same / {1000 * LIVE:g} ms", own, LIVE, 1)
    (own,) = seconds(runs, lambda: Mesh.of(*figure).blocks)
    yield Row(f"preparing that figure, once / {PREPARED:g} s", own, PREPARED, 1)


def seam_rows(name: str, figure: Arrays, seam: Seam, runs: int) -> Iterator[Row]:
    """One seam, from bare arrays to both closed sides, and from a figure made ready."""
    both_sides(take_apart(Mesh.of(*figure), (seam,)))
    own, reference = seconds(
        runs,
        lambda: take_apart(Mesh.of(*figure), (seam,)),
        lambda: split(solid(*figure), seam),
    )
    yield Row(
        f"{name}, arrays to both sides / manifold3d build + split_by_plane", own, reference, 8
    )
    blender = blender_boolean(figure, seam)
    if blender:
        # A turn takes it seconds: three are enough.
        own, reference = seconds(
            min(runs, 3), lambda: take_apart(Mesh.of(*figure), (seam,)), blender
        )
        yield Row(
            f"{name}, arrays to both sides / Blender's Boolean, Manifold solver", own, reference, 25
        )
    ready, whole = Mesh.of(*figure), solid(*figure)
    _ = ready.blocks
    own, reference = seconds(runs, lambda: take_apart(ready, (seam,)), lambda: split(whole, seam))
    yield Row(f"{name}, figure ready / manifold3d split_by_plane alone", own, reference, 0)


def blender_boolean(figure: Arrays, seam: Seam) -> Work | None:
    """Both sides by Blender's modifier, the object made already; None without Blender."""
    try:
        import bpy  # noqa: PLC0415  (mostly not there, and heavy)
        from mathutils import Matrix  # noqa: PLC0415
    except ImportError:
        return None
    bpy.ops.wm.read_factory_settings(use_empty=True)
    solvers = bpy.types.BooleanModifier.bl_rna.properties["solver"].enum_items
    if "MANIFOLD" not in solvers:
        return None
    vertices, faces = figure
    mesh = bpy.data.meshes.new("figure")
    mesh.vertices.add(len(vertices))
    mesh.vertices.foreach_set("co", vertices.astype(np.float32).ravel())
    mesh.loops.add(faces.size)
    mesh.loops.foreach_set("vertex_index", faces.ravel())
    mesh.polygons.add(len(faces))
    mesh.polygons.foreach_set("loop_start", np.arange(0, faces.size, 3, dtype=np.int32))
    mesh.update()
    side = bpy.data.meshes.new("side")
    cube = trimesh.creation.box(extents=(1000, 1000, 500))
    side.from_pydata((cube.vertices + np.array([0, 0, 250])).tolist(), [], cube.faces.tolist())
    objects = [bpy.data.objects.new(m.name, m) for m in (mesh, side)]
    for ob in objects:
        bpy.context.scene.collection.objects.link(ob)
    turn = np.eye(4)
    turn[:3, :3], turn[:3, 3] = seam.frame.axes.T, seam.frame.origin
    objects[1].matrix_world = Matrix(turn.tolist())
    modifier = objects[0].modifiers.new("seam", "BOOLEAN")
    modifier.object, modifier.solver = objects[1], "MANIFOLD"

    def evaluate() -> None:
        for operation in ("INTERSECT", "DIFFERENCE"):
            modifier.operation = operation
            graph = bpy.context.evaluated_depsgraph_get()
            if len(objects[0].evaluated_get(graph).data.polygons) in (0, len(faces)):
                raise SystemExit("Blender's Boolean did not cut the figure.")

    return evaluate


def twenty() -> tuple[Seam, ...]:
    """Twenty seams across the sphere: twelve and four and four, which cross each other."""
    ways = [((0.1, 0.05, 1.0), 12), ((1.0, 0.1, 0.05), 4), ((0.05, 1.0, 0.1), 4)]
    seams = []
    for way, count in ways:
        for shift in np.linspace(-70, 70, count):
            point = tuple((shift * np.array(way)).tolist())
            seams.append(Seam(len(seams) + 1, f"seam {len(seams) + 1}", point, way))
    return tuple(seams)


def rows_of(small: bool, runs: int) -> Iterator[Row]:
    """All rows of the table."""
    ball = displaced_sphere(6 if small else 8)
    seam = Seam(1, "bench", POINT, NORMAL)
    yield from section_rows(ball, runs)
    yield from seam_rows("one seam", ball, seam, runs)
    own, reference = seconds(
        min(runs, 3),
        lambda: take_apart(Mesh.of(*ball), (seam,)),
        lambda: by_trimesh(ball, seam),
    )
    yield Row("one seam, arrays to both sides / trimesh slice_plane(cap=True)", own, reference, 2)
    one_of_many = Seam(1, "wrist", WRIST, ALONG, Reach("nearest", (WRIST,)))
    yield from seam_rows("one of four limbs", body(140 if small else 600), one_of_many, runs)
    seams = twenty()
    own, reference = seconds(
        min(runs, 3), lambda: take_apart(Mesh.of(*ball), seams), lambda: solid(*ball)
    )
    yield Row("twenty seams / one manifold3d build", own, reference, 1 / 3)
    yield from after_rows(ball, small, runs)
    yield from addon_rows(ball, small, runs)


# --- growth ----------------------------------------------------------------------------


def growth(sizes: tuple[int, ...]) -> Iterator[str]:
    """How times grow with the number of triangles, as lines of a table."""
    yield "| triangles | prepare, s | dragged section, ms | one seam, s | manifold3d, s |"
    yield "| --- | --- | --- | --- | --- |"
    for size in sizes:
        # A ball of n sides has n² - 2 n faces.
        ball = sphere(1.0, 2 * round((1 + (size + 1) ** 0.5) / 2))
        vertices = 100 * ball.vertices * bumps(ball.vertices)[:, None]
        yield growth_line((vertices, ball.faces), 3 if size < 5_000_000 else 1)


def growth_line(figure: Arrays, runs: int) -> str:
    """One line of that table."""
    seam = Seam(1, "bench", POINT, NORMAL)
    (own,) = seconds(runs, lambda: take_apart(Mesh.of(*figure), (seam,)))
    (prepared,) = seconds(runs, lambda: Mesh.of(*figure).blocks)
    mesh, planes = Mesh.of(*figure), cycle(dragged(24))
    _ = mesh.blocks
    (live,) = seconds(23, lambda: section_by_seamwright(mesh, next(planes)))
    (manifold,) = seconds(runs, lambda: split(solid(*figure), seam))
    return (
        f"| {len(figure[1]):,} | {prepared:.3f} | {1000 * live:.1f} | {own:.3f} | {manifold:.3f} |"
    )


# --- memory ----------------------------------------------------------------------------


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


# --- the tables ------------------------------------------------------------------------


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
    """Print the tables; 1 if a ratio that was asked for is missed."""
    parser = argparse.ArgumentParser(description="Speed as ratios against named references.")
    parser.add_argument("--small", action="store_true", help="a twentieth of the size")
    parser.add_argument("--runs", type=int, default=5, help="timed runs of each, the median counts")
    parser.add_argument("--job", type=Path, help="also measure the peak memory of this job")
    parser.add_argument("--growth", action="store_true", help="also sizes up to ten million")
    options = parser.parse_args()
    print(machine())
    memory = peak_memory(options.job) if options.job else None
    print("\n| what / reference | ours, s | reference, s | times faster | asked |")
    print("| --- | --- | --- | --- | --- |")
    missed = False
    with_blender = False
    for row in rows_of(options.small, options.runs):
        missed |= row.missed
        with_blender |= "Blender's Boolean" in row.name
        asked = f"{row.asked:.2g}" if row.asked else ""
        ratio = f"{row.reference / row.ours:.1f}{' (missed)' if row.missed else ''}"
        print(f"| {row.name} | {row.ours:.4f} | {row.reference:.4f} | {ratio} | {asked} |")
    if not with_blender:
        print("\nBlender's Boolean was not measured: there is no bpy with a Manifold solver here.")
    if memory:
        missed |= memory[0] > memory[1]
        print(f"\nPeak memory of the job: {memory[0]:.0f} MB; allowed {memory[1]:.0f} MB.")
    if options.growth:
        print()
        for line in growth(SIZES[:2] if options.small else SIZES):
            print(line, flush=True)
    return int(missed and not options.small)


if __name__ == "__main__":
    sys.exit(main())
