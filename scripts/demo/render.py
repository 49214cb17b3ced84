"""Clay-style pictures of meshes with Blender's Workbench renderer (no window needed)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import bpy
import numpy as np
from mathutils import Matrix, Vector

# Okabe-Ito colours (sRGB, 0..1): told apart by colour-blind viewers too.
OKABE_ITO = tuple(
    tuple(int(code[i : i + 2], 16) / 255.0 for i in (0, 2, 4))
    for code in ("E69F00", "56B4E9", "009E73", "F0E442", "0072B2", "D55E00", "CC79A7", "999999")
)
CLAY = (0.86, 0.75, 0.62)

MeshItem = tuple[str, np.ndarray, np.ndarray, Sequence[float]]


def _linear(colour: Sequence[float]) -> tuple[float, float, float, float]:
    """Convert an sRGB colour (0..1) to the linear RGBA that Blender stores."""
    c = np.asarray(colour, dtype=np.float64)[:3]
    lin = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return (float(lin[0]), float(lin[1]), float(lin[2]), 1.0)


def mesh_from_arrays(
    name: str, vertices: np.ndarray, faces: np.ndarray, smooth: bool = False
) -> bpy.types.Mesh:
    """Build a Blender mesh from (V, 3) positions and (F, K) corner indices (K = 3 or 4)."""
    mesh = bpy.data.meshes.new(name)
    faces = np.ascontiguousarray(faces, dtype=np.int32)
    count, sides = faces.shape
    mesh.vertices.add(len(vertices))
    mesh.vertices.foreach_set("co", np.ascontiguousarray(vertices, dtype=np.float32).ravel())
    mesh.loops.add(count * sides)
    mesh.loops.foreach_set("vertex_index", faces.ravel())
    mesh.polygons.add(count)
    mesh.polygons.foreach_set("loop_start", np.arange(0, count * sides, sides, dtype=np.int32))
    mesh.update(calc_edges=True)
    if smooth:
        mesh.shade_smooth()
    return mesh


def view_matrix(view: tuple[float, float]) -> Matrix:
    """Camera rotation for (azimuth, elevation) in degrees.

    Azimuth 0 looks at the figure's front (from -Y); positive azimuth walks towards +X.
    """
    az, el = np.radians(view)
    eye = Vector((np.sin(az) * np.cos(el), -np.cos(az) * np.cos(el), np.sin(el)))
    return eye.to_track_quat("Z", "Y").to_matrix()


def _setup_workbench(scene: bpy.types.Scene, background: Sequence[float]) -> None:
    """Set studio light, cavity, shadows, per-object colour and a plain background."""
    scene.render.engine = "BLENDER_WORKBENCH"
    scene.display.render_aa = "8"
    shading = scene.display.shading
    shading.light = "STUDIO"
    if "paint.sl" in bpy.context.preferences.studio_lights:
        # An even, bright rig: folds read by shape, not by dark sides.
        shading.studio_light = "paint.sl"
    shading.color_type = "OBJECT"
    shading.show_cavity = True
    shading.cavity_type = "BOTH"
    shading.cavity_ridge_factor = 0.8
    shading.cavity_valley_factor = 1.2
    shading.curvature_ridge_factor = 0.9
    shading.curvature_valley_factor = 1.1
    shading.show_shadows = True
    shading.shadow_intensity = 0.22
    scene.display.light_direction = (0.45, -0.55, 0.75)
    scene.display.matcap_ssao_distance = 0.05
    shading.show_object_outline = False
    shading.show_specular_highlight = True
    world = bpy.data.worlds.new("Backdrop")
    world.color = _linear(background)[:3]
    scene.world = world
    shading.background_type = "WORLD"
    scene.view_settings.view_transform = "Standard"


def _frame(
    scene: bpy.types.Scene,
    points: np.ndarray,
    size: tuple[int, int],
    view: tuple[float, float],
    margin: float,
) -> None:
    """Add an orthographic camera that holds all (N, 3) points (m) with a margin (ratio)."""
    turn = view_matrix(view)
    local = points @ np.array(turn)
    lo, hi = local.min(axis=0), local.max(axis=0)
    camera = bpy.data.cameras.new("View")
    camera.type = "ORTHO"
    extent = (hi - lo) * margin
    aspect = size[0] / size[1]
    camera.ortho_scale = float(
        max(extent[0], extent[1] * aspect) if aspect >= 1.0 else max(extent[0] / aspect, extent[1])
    )
    camera.clip_end = 100.0
    mid = (lo + hi) * 0.5
    mid[2] = hi[2] + 2.0
    eye = bpy.data.objects.new("View", camera)
    eye.matrix_world = Matrix.Translation(turn @ Vector(mid)) @ turn.to_4x4()
    scene.collection.objects.link(eye)
    scene.camera = eye


def render_meshes(
    items: Sequence[MeshItem],
    path: str | Path,
    *,
    size: tuple[int, int] = (1200, 1400),
    view: tuple[float, float] = (25.0, 12.0),
    explode: np.ndarray | None = None,
    focus: np.ndarray | None = None,
    margin: float = 1.06,
    background: Sequence[float] = (0.93, 0.94, 0.95),
) -> Path:
    """Render meshes to a PNG and return its path.

    ``items`` holds (name, vertices (V, 3) mm, faces (F, 3), sRGB colour 0..1); ``explode`` is an
    optional (len(items), 3) shift in mm; ``focus`` an optional (2, 3) box in mm to frame instead
    of everything. The scene is temporary: no data of the open file is changed.
    """
    scene = bpy.data.scenes.new("Picture")
    made: list[bpy.types.ID] = []
    shifts = np.zeros((len(items), 3)) if explode is None else np.asarray(explode, dtype=float)
    corners = []
    for (name, vertices, faces, colour), shift in zip(items, shifts, strict=True):
        v = (np.asarray(vertices, dtype=np.float64) + shift) * 0.001
        mesh = mesh_from_arrays(name, v, faces, smooth=True)
        # Cut faces keep their crisp rims, sculpted ones hide their facets.
        mesh.set_sharp_from_angle(angle=np.radians(38.0))
        obj = bpy.data.objects.new(name, mesh)
        obj.color = _linear(colour)
        scene.collection.objects.link(obj)
        made += [obj, mesh]
        corners.append(v[:: max(1, len(v) // 20000)])
    points = np.concatenate(corners)
    if focus is not None:
        lo, hi = np.asarray(focus, dtype=float) * 0.001
        points = np.array([[(lo, hi)[(n >> a) & 1][a] for a in range(3)] for n in range(8)])
    _setup_workbench(scene, background)
    _frame(scene, points, size, view, margin)
    scene.render.resolution_x, scene.render.resolution_y = size
    scene.render.resolution_percentage = 100
    scene.render.image_settings.file_format = "PNG"
    path = Path(path).resolve()
    path.parent.mkdir(parents=True, exist_ok=True)
    scene.render.filepath = str(path)
    bpy.ops.render.render(write_still=True, scene=scene.name)
    made += [scene.camera, scene.camera.data, scene.world]
    bpy.data.scenes.remove(scene)
    bpy.data.batch_remove(made)
    return path


def side_by_side(paths: Sequence[str | Path], path: str | Path, shrink: int = 2) -> Path:
    """Join PNGs of one height into one picture, each 1 / `shrink` of its size."""
    strips = []
    for source in paths:
        image = bpy.data.images.load(str(source))
        image.scale(image.size[0] // shrink, image.size[1] // shrink)
        pixels = np.empty(image.size[0] * image.size[1] * 4, dtype=np.float32)
        image.pixels.foreach_get(pixels)
        strips.append(pixels.reshape(image.size[1], image.size[0], 4))
        bpy.data.images.remove(image)
    joined = np.concatenate(strips, axis=1)
    result = bpy.data.images.new("Side by side", joined.shape[1], joined.shape[0])
    result.pixels.foreach_set(np.ascontiguousarray(joined).ravel())
    result.filepath_raw = str(Path(path).resolve())
    result.file_format = "PNG"
    result.save()
    bpy.data.images.remove(result)
    return Path(path)
