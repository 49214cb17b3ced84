"""Sculpt the demo figure, "The Keeper's Child", from nothing and save it.

Run ``python scripts/demo/make_figure.py --out FOLDER`` where ``bpy`` is installed, or
``blender -b -P scripts/demo/make_figure.py -- --out FOLDER``. Writes ``keeper.stl`` (metres,
binary) and ``keeper.blend`` (one mesh object, "Keeper").
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import bpy
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import cloak
import coat
import head
import props
import surface
from fields import Item, group
from render import CLAY, mesh_from_arrays, render_meshes

NAME = "Keeper"
TRIANGLES = 400_000
LO = np.array([-300.0, -240.0, -8.0])
HI = np.array([325.0, 160.0, 990.0])
RIGHT_BOOT = (np.array([-58.0, 12.0, 57.0]), -20.0)
LEFT_BOOT = (np.array([82.0, -5.0, 72.0]), 14.0)


def figure() -> Item:
    """Return the whole figure as one field in mm, standing on z = 0 and facing -Y."""
    right, right_wrist = props.hip_hand()
    left, left_wrist = props.grip_hand()
    sleeves = [
        coat.sleeve([[-78, 6, 624], [-223, 50, 554], right_wrist], [43, 40, 37], 1.0).blend(14.0),
        coat.sleeve([[86, 0, 642], [186, 0, 574], left_wrist], [44, 42, 38], 7.0).blend(14.0),
    ]
    boots = [
        props.boot(o, turn, lean)
        for (o, turn), lean in ((RIGHT_BOOT, (4.0, 0.0)), (LEFT_BOOT, (-34.0, 12.0)))
    ]
    return group(
        [
            coat.torso(),
            *sleeves,
            *coat.skirt_trim(),
            coat.rope_belt(),
            cloak.cloak(),
            coat.collar(),
            head.head(),
            coat.scarf(),
            *[b.blend(2.0) for b in boots],
            props.satchel(),
            props.pole(),
            props.lantern(),
            right.blend(1.5),
            left.blend(1.5),
            props.base(),
        ]
    )


def sculpt(voxel: float) -> tuple[np.ndarray, np.ndarray]:
    """Sample the figure with a grid step of ``voxel`` mm -> (V, 3) mm and (Q, 4) quads."""
    cells = np.ceil((HI - LO) / (voxel * surface.BLOCK)).astype(int) * surface.BLOCK
    grid = surface.sample(figure(), LO, cells, voxel)
    grid = surface.fill(surface.plug(grid, voxel))
    grid, code = surface.settle(grid)
    vertices, quads = surface.largest(*surface.extract(grid, code))
    return vertices * voxel + LO, quads


def evaluated(obj: bpy.types.Object) -> tuple[np.ndarray, np.ndarray]:
    """Return the object's mesh after modifiers: (V, 3) float32 and (T, 3) int32."""
    mesh = obj.evaluated_get(bpy.context.evaluated_depsgraph_get()).to_mesh()
    co = np.empty(len(mesh.vertices) * 3, dtype=np.float32)
    mesh.vertices.foreach_get("co", co)
    mesh.calc_loop_triangles()
    tri = np.empty(len(mesh.loop_triangles) * 3, dtype=np.int32)
    mesh.loop_triangles.foreach_get("vertices", tri)
    obj.to_mesh_clear()
    return co.reshape(-1, 3), tri.reshape(-1, 3)


def refine(vertices: np.ndarray, quads: np.ndarray, target: int) -> tuple[np.ndarray, np.ndarray]:
    """Relax and thin the quads with Blender modifiers -> (V, 3) metres, (T, 3) triangles."""
    mesh = mesh_from_arrays(NAME, vertices * 0.001, quads)
    obj = bpy.data.objects.new(NAME, mesh)
    bpy.context.scene.collection.objects.link(obj)
    relax = obj.modifiers.new("Relax", "SMOOTH")
    relax.factor, relax.iterations = 0.35, 1
    thin = obj.modifiers.new("Thin", "DECIMATE")
    thin.ratio = min(1.0, target / (2.0 * len(quads)))
    v, f = evaluated(obj)
    bpy.data.objects.remove(obj)
    bpy.data.meshes.remove(mesh)
    # The underside is flat by construction; remove what relaxing did to it.
    v = v.copy()
    v[v[:, 2] < 0.0006, 2] = 0.0
    return v, f


def write_stl(path: Path, vertices: np.ndarray, faces: np.ndarray) -> None:
    """Write (V, 3) float32 vertices and (T, 3) triangles as binary STL, same bytes each run."""
    tri = vertices.astype(np.float32)[faces]
    normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-20)
    record = np.zeros(len(faces), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    record["n"], record["v"] = normal, tri
    header = b"The Keeper's Child, metres".ljust(80, b" ")
    path.write_bytes(header + np.uint32(len(faces)).tobytes() + record.tobytes())


def save_blend(path: Path, vertices: np.ndarray, faces: np.ndarray) -> None:
    """Save a .blend that holds one mesh object named "Keeper" in metres."""
    scene = bpy.context.scene
    scene.unit_settings.system = "METRIC"
    scene.unit_settings.scale_length = 1.0
    mesh = mesh_from_arrays(NAME, vertices, faces, smooth=True)
    obj = bpy.data.objects.new(NAME, mesh)
    scene.collection.objects.link(obj)
    bpy.context.view_layer.objects.active = obj
    bpy.ops.wm.save_as_mainfile(filepath=str(path), compress=True)


def measures(vertices: np.ndarray, faces: np.ndarray) -> str:
    """Describe the figure in one line: size (mm), triangles and volume (cm3)."""
    mm = vertices.astype(np.float64) * 1000.0
    a, b, c = (mm[faces[:, i]] for i in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0
    size = np.ptp(mm, axis=0)
    return (
        f"{size[0]:.1f} x {size[1]:.1f} x {size[2]:.1f} mm, {len(faces)} triangles, "
        f"{volume / 1000.0:.0f} cm3"
    )


def arguments() -> argparse.Namespace:
    """Read the options; in Blender they follow a lone ``--``."""
    given = sys.argv[sys.argv.index("--") + 1 :] if "--" in sys.argv else sys.argv[1:]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("."), help="folder for the files")
    parser.add_argument("--voxel", type=float, default=1.8, help="grid step in mm")
    parser.add_argument("--triangles", type=int, default=TRIANGLES)
    parser.add_argument("--picture", action="store_true", help="also write keeper.png")
    return parser.parse_args(given)


def main() -> None:
    """Build the figure and write its files."""
    options = arguments()
    start = time.perf_counter()
    bpy.ops.wm.read_factory_settings(use_empty=True)
    options.out.mkdir(parents=True, exist_ok=True)
    v, quads = sculpt(options.voxel)
    print(f"sculpted {len(quads)} quads in {time.perf_counter() - start:.1f} s")
    v, f = refine(v, quads, options.triangles)
    write_stl(options.out / "keeper.stl", v, f)
    save_blend((options.out / "keeper.blend").resolve(), v, f)
    if options.picture:
        render_meshes([(NAME, v * 1000.0, f, CLAY)], options.out / "keeper.png")
    print(f"{NAME}: {measures(v, f)}, {time.perf_counter() - start:.1f} s")


if __name__ == "__main__":
    main()
