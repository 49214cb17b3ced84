"""A figure for the window test, made in Blender: `blender -b -P figure.py -- FOLDER BIG [STL]`.

A body with a head, arms and legs, 320 units high, welded from rounded limbs; divided into more
than 1.3 million triangles if BIG is 1; or the mesh of a given STL. It is saved as `figure.blend`
with the view as a user would have it, and the same triangles as `figure.stl`, from which the
library works without Blender.
"""

import struct
import sys
from pathlib import Path

import bpy

LIMBS = [  # from, to, radius at both
    ((0, 0, 900), (0, 0, 1350), 170, 190),
    ((0, 0, 1400), (0, 0, 1480), 80, 70),
    ((0, 0, 1620), (0, 0, 1660), 125, 125),
    ((-190, 0, 1370), (-330, 0, 900), 75, 55),
    ((190, 0, 1370), (330, 0, 900), 75, 55),
    ((-90, 0, 880), (-120, 0, 80), 110, 75),
    ((90, 0, 880), (120, 0, 80), 110, 75),
]
STEP = 18.0
HEIGHT = 320.0


def limbs():
    """The figure's object: balls along each limb, welded by a remesh."""
    balls = bpy.data.metaballs.new("Limbs")
    balls.resolution = balls.render_resolution = STEP
    balls.threshold = 0.6
    for a, b, ra, rb in LIMBS:
        count = 9
        for k in range(count):
            share = k / (count - 1)
            ball = balls.elements.new()
            ball.co = [p + share * (q - p) for p, q in zip(a, b, strict=True)]
            ball.radius = 1.6 * (ra + share * (rb - ra))
    obj = bpy.data.objects.new("Limbs", balls)
    bpy.context.scene.collection.objects.link(obj)
    mesh = bpy.data.meshes.new_from_object(
        obj.evaluated_get(bpy.context.evaluated_depsgraph_get()), preserve_all_data_layers=False
    )
    bpy.data.objects.remove(obj)
    return mesh


def divided(mesh):
    """The mesh with every face made sixty-four, smoothed as sculptors do."""
    obj = bpy.data.objects.new("Divided", mesh)
    bpy.context.scene.collection.objects.link(obj)
    obj.modifiers.new("Divided", "SUBSURF").levels = 3
    graph = bpy.context.evaluated_depsgraph_get()
    fine = bpy.data.meshes.new_from_object(obj.evaluated_get(graph))
    bpy.data.objects.remove(obj)
    return fine


def read_stl(path):
    """The mesh of a binary STL, its equal corners welded."""
    bpy.ops.wm.stl_import(filepath=str(path))
    obj = bpy.context.selected_objects[0]
    mesh = obj.data.copy()
    bpy.data.objects.remove(obj)
    return mesh


def write_stl(mesh, path):
    """The mesh's triangles as a binary STL, in Blender units."""
    mesh.calc_loop_triangles()
    out = [b"figure".ljust(80), struct.pack("<I", len(mesh.loop_triangles))]
    for triangle in mesh.loop_triangles:
        corners = [mesh.vertices[v].co for v in triangle.vertices]
        out.append(struct.pack("<12fH", 0, 0, 0, *(x for co in corners for x in co), 0))
    path.write_bytes(b"".join(out))


def main():
    """Make the files that the test starts from."""
    folder, big, *given = sys.argv[sys.argv.index("--") + 1 :]
    folder = Path(folder)
    bpy.ops.wm.read_factory_settings()
    for obj in list(bpy.data.objects):
        bpy.data.objects.remove(obj)
    scene = bpy.context.scene
    scene.unit_settings.scale_length = 0.001
    scene.unit_settings.length_unit = "MILLIMETERS"
    mesh = read_stl(given[0]) if given else limbs()
    if big == "1":
        mesh = divided(mesh)
    mesh.name = "Figure"
    low, high = (f(v.co.z for v in mesh.vertices) for f in (min, max))
    for vertex in mesh.vertices:
        vertex.co = (vertex.co[0], vertex.co[1], vertex.co[2] - low)
        vertex.co *= HEIGHT / (high - low)
    write_stl(mesh, folder / "figure.stl")
    obj = bpy.data.objects.new("Figure", mesh)
    scene.collection.objects.link(obj)
    for screen in bpy.data.screens:
        for area in screen.areas:
            if area.type == "VIEW_3D":
                space = area.spaces.active
                space.clip_end, space.overlay.grid_scale = 1e5, 1.0
                space.region_3d.view_perspective = "ORTHO"
                # From the front, which a user gets with the numpad's 1.
                space.region_3d.view_rotation = (0.7071068, 0.7071068, 0.0, 0.0)
                space.region_3d.view_location = (0.0, 0.0, HEIGHT / 2)
                space.region_3d.view_distance = 1.45 * HEIGHT
    bpy.ops.wm.save_as_mainfile(filepath=str(folder / "figure.blend"))


main()
