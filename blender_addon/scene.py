"""What of Seamwright lies in the scene: the figure, its seams and its pieces. Holds no geometry."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from operator import itemgetter
from types import ModuleType

import bpy
from mathutils import Color, Matrix, Vector

from seamwright.errors import BadInput

SURFACES = ("MESH", "CURVE", "SURFACE", "FONT", "META")
"""Object types that Blender can turn into a mesh."""

OKABE_ITO = {
    "orange": (230, 159, 0),
    "sky blue": (86, 180, 233),
    "bluish green": (0, 158, 115),
    "yellow": (240, 228, 66),
    "blue": (0, 114, 178),
    "vermillion": (213, 94, 0),
    "reddish purple": (204, 121, 167),
}
"""sRGB of Okabe & Ito 2008, "Color Universal Design", without black; from memory."""

_SEAM_ALPHA = 0.35
"""A seam is see-through, so that it shows where it crosses the figure."""

REPORT = "Seamwright report"
"""Name of the text that says what was made, checked and why."""


def can_be_figure(obj: bpy.types.Object) -> bool:
    """Whether an object has a surface and is neither a seam, a rod nor a piece of ours."""
    group = obj.seamwright
    return obj.type in SURFACES and not (group.is_seam or group.is_piece or group.is_rod)


def chosen_figure(context: bpy.types.Context) -> bpy.types.Object | None:
    """The scene's figure, if one is chosen and still there."""
    figure = context.scene.seamwright.figure
    return figure if is_there(figure, context.scene) else None


def figure_of(context: bpy.types.Context) -> bpy.types.Object:
    """The scene's figure; with none chosen, the one selected object. Raises BadInput."""
    return chosen_figure(context) or selected_figure(context)


def choose(context: bpy.types.Context, figure: bpy.types.Object) -> None:
    """Make an object the scene's figure; of the one that is, what was found stays."""
    if context.scene.seamwright.figure != figure:
        context.scene.seamwright.figure = figure


def selected_figure(context: bpy.types.Context) -> bpy.types.Object:
    """The one selected object, if it can be a figure. Raises BadInput."""
    selected = list(context.view_layer.objects.selected)
    if not selected:
        raise BadInput("Nothing is selected; select the figure's object.")
    fitting = [obj for obj in selected if can_be_figure(obj)]
    if not fitting:
        obj = selected[0]
        if obj.instance_type == "COLLECTION" and obj.instance_collection is not None:
            raise BadInput(
                f"'{obj.name}' is an instance of collection '{obj.instance_collection.name}'; make "
                "it real (Object, Apply, Make Instances Real) and select the figure's mesh object."
            )
        raise BadInput(f"'{obj.name}' is {_kind(obj)}; select the figure's mesh object.")
    if len(fitting) > 1:
        names = ", ".join(f"'{obj.name}'" for obj in fitting[:5])
        more = " and others" if len(fitting) > 5 else ""
        raise BadInput(
            f"{len(fitting)} objects are selected ({names}{more}); select the figure alone, or "
            "join them first."
        )
    return fitting[0]


def said_of_link(figure: bpy.types.Object) -> str:
    """What is to be known of a figure that is linked from another file; empty if it is not."""
    if figure.library is None:
        return ""
    return (
        f" It is linked from '{bpy.path.basename(figure.library.filepath)}', so what is decided of "
        "it is not kept in this file; make it local or a library override to keep it."
    )


def is_listed(obj: bpy.types.Object, context: bpy.types.Context) -> bool:
    """Whether the view layer has the object, so that it can be selected, shown and hidden."""
    return any(other == obj for other in context.view_layer.objects)


def _kind(obj: bpy.types.Object) -> str:
    if obj.seamwright.is_seam:
        return "a seam"
    if obj.seamwright.is_piece:
        return "a piece"
    if obj.seamwright.is_rod:
        return "a rod"
    return f"of type {obj.bl_rna.properties['type'].enum_items[obj.type].name} and has no surface"


def seams_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """The figure's seams in the scene, in their order."""
    return _ours_of(figure, scene, "is_seam")


def is_line(seam: bpy.types.Object) -> bool:
    """Whether a seam follows a line: its object is a curve, through the line's points."""
    return seam.type == "CURVE"


def joints_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """The Empties that decide for single joints of the figure's seams, in their order."""
    found = _ours_of(figure, scene, "is_joint")
    return [obj for obj in found if is_there(obj.seamwright.seam, scene)]


def rods_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """The figure's rods in the scene, in their order."""
    return _ours_of(figure, scene, "is_rod")


def pieces_of(figure: bpy.types.Object, scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """The figure's pieces in the scene, from the ground up."""
    return _ours_of(figure, scene, "is_piece")


def _ours_of(figure: bpy.types.Object, scene: bpy.types.Scene, what: str) -> list[bpy.types.Object]:
    """The figure's objects of a kind in the scene, by number and name. Asked often."""
    found = [
        (own.number, obj.name, obj)
        for obj in scene.objects
        if getattr(own := obj.seamwright, what) and own.figure == figure
    ]
    found.sort(key=itemgetter(0, 1))
    return [obj for _number, _name, obj in found]


def active_seam(context: bpy.types.Context) -> bpy.types.Object | None:
    """The active object, if it is a figure's seam; or the seam whose pad, outline, direction or
    single joint it is."""
    owner = active_jointed(context)
    if owner is not None:
        seam = owner.seamwright.seam if owner.seamwright.is_joint else owner
        return seam if is_there(seam, context.scene) else None
    active = context.view_layer.objects.active
    if active is None or active.seamwright.figure is None:
        return None
    for seam in seams_of(active.seamwright.figure, context.scene):
        if active in (seam.seamwright.pad, seam.seamwright.outline):
            return seam
    return None


def active_jointed(context: bpy.types.Context) -> bpy.types.Object | None:
    """What the panel's joint settings are of: the active seam, or single joint, or the one whose
    direction the active object is."""
    active = context.view_layer.objects.active
    if active is None or active.seamwright.figure is None:
        return None
    group = active.seamwright
    if group.is_seam or group.is_joint:
        return active
    figure, scene = group.figure, context.scene
    for obj in (*seams_of(figure, scene), *joints_of(figure, scene)):
        if active == obj.seamwright.direction:
            return obj
    return None


def is_there(obj: bpy.types.Object | None, scene: bpy.types.Scene) -> bool:
    """Whether what a pointer names is still in the scene: a deleted object may linger."""
    if obj is None:
        return False
    # Asked often, and `users_scene` looks through all scenes; names may be alike where objects
    # are linked.
    return scene.objects.get(obj.name) == obj or scene in obj.users_scene


def collection_of(
    figure: bpy.types.Object, scene: bpy.types.Scene, holds: str
) -> bpy.types.Collection | None:
    """The scene's collection of a figure's "SEAMS" or "PIECES", whatever its name is now."""
    for collection in scene.collection.children_recursive:
        group = collection.seamwright
        if group.holds == holds and group.figure == figure:
            return collection
    return None


def made_collection(
    figure: bpy.types.Object, scene: bpy.types.Scene, holds: str
) -> bpy.types.Collection:
    """The same, made if it is not there."""
    collection = collection_of(figure, scene, holds)
    if collection is None:
        collection = bpy.data.collections.new(f"{holds.capitalize()} of {figure.name}")
        collection.seamwright.holds = holds
        collection.seamwright.figure = figure
        scene.collection.children.link(collection)
    return collection


def piece_label(piece: bpy.types.Object) -> str:
    """A piece's number and name, without what every piece of its figure has in its name."""
    group = piece.seamwright
    name = piece.name
    if group.figure is not None:
        name = name.removeprefix(f"{group.figure.name} ")
    return name if name.endswith(str(group.number)) else f"{group.number}. {name}"


def counted(number: int, noun: str) -> str:
    """`1 seam`, `2 seams`."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def stand_apart(collection: bpy.types.Collection) -> None:
    """Move pieces out from their middle as the collection's `explode` says."""
    pieces = [obj for obj in collection.objects if obj.seamwright.is_piece]
    rests = [Vector(obj.seamwright.rest) for obj in pieces]
    if not rests:
        return
    middle = sum(rests, Vector()) / len(rests)
    for obj, rest in zip(pieces, rests, strict=True):
        obj.location = rest + collection.seamwright.explode * (rest - middle)


def matrix_of(obj: bpy.types.Object) -> Matrix:
    """An object's transform into the scene.

    Blender works out `matrix_world` only for what it shows. Of what hangs on nothing, or on
    another object as a whole or by a bone, it is reckoned here, hidden or not.
    """
    if obj.constraints or obj.parent_type not in ("OBJECT", "BONE"):
        return obj.matrix_world
    if obj.parent is None:
        return obj.matrix_basis
    if obj.visible_get():
        return obj.matrix_world
    place = matrix_of(obj.parent)
    bone = obj.parent.pose.bones.get(obj.parent_bone) if obj.parent_type == "BONE" else None
    if bone is not None:
        place = place @ bone.matrix @ Matrix.Translation((0, bone.length, 0))
    return place @ obj.matrix_parent_inverse @ obj.matrix_basis


def bounds(obj: bpy.types.Object) -> tuple[Vector, Vector]:
    """Least and greatest corner of an object's box in the scene, Blender units."""
    corners = [obj.matrix_world @ Vector(c) for c in obj.bound_box]
    low, high = zip(*((min(x), max(x)) for x in zip(*corners, strict=True)), strict=True)
    return Vector(low), Vector(high)


def size_balls(figure: bpy.types.Object, scene: bpy.types.Scene) -> None:
    """Show the balls of the figure's keep-clear area, and its rods, as large as they are."""
    mm = shown_mm(figure, scene)
    for item in figure.seamwright.keep_clear:
        if item.kind == "ball" and item.ball is not None:
            item.ball.empty_display_size = item.radius / mm
    for rod in rods_of(figure, scene):
        size_rod(rod, scene)


def size_rod(rod: bpy.types.Object, scene: bpy.types.Scene) -> None:
    """Show a rod as thick as it is."""
    group = rod.seamwright
    if group.is_rod and group.figure is not None and rod.type == "CURVE":
        rod.data.bevel_depth = group.diameter / 2 / shown_mm(group.figure, scene)


def shown_mm(figure: bpy.types.Object, scene: bpy.types.Scene) -> float:
    """Millimetres at true size in one Blender unit, for show only.

    A target height is told from the object's box, which may be higher than what is in it.
    """
    group = figure.seamwright
    if group.size == "HEIGHT":
        low, high = bounds(figure)
        return group.target_height / (high.z - low.z) if high.z > low.z else 1.0
    factor = group.scale if group.size == "SCALE" else 1.0
    return 1000.0 * scene.unit_settings.scale_length * factor


def shown_height(figure: bpy.types.Object, scene: bpy.types.Scene) -> float:
    """Height of a figure at true size, mm, for show only: that of its box."""
    low, high = bounds(figure)
    return (high.z - low.z) * shown_mm(figure, scene)


def add_seam(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    name: str,
    place: Matrix,
    sides: tuple[float, float],
) -> bpy.types.Object:
    """A new flat seam of the figure.

    place : takes its plane into the scene, without any scale: Blender warns of uneven ones.
    sides : of the rectangle that shows its plane, along x and y, Blender units.
    """
    obj = bpy.data.objects.new(name, _seam_mesh(*sides))
    obj.matrix_world = place
    return _as_seam(context, figure, obj)


def add_line_seam(
    context: bpy.types.Context,
    figure: bpy.types.Object,
    name: str,
    points: Sequence[Sequence[float]],
) -> bpy.types.Object:
    """A new line seam of the figure through points of the scene, Blender units."""
    obj = closed_curve(name, points)
    # Between its points the curve runs straight, under bulging skin; the line itself is drawn
    # over the skin, see `overlay`.
    obj.show_in_front = True
    obj.data.materials.append(material("vermillion"))
    return _as_seam(context, figure, obj)


def _as_seam(
    context: bpy.types.Context, figure: bpy.types.Object, obj: bpy.types.Object
) -> bpy.types.Object:
    """The same object, made the figure's last seam."""
    seams = seams_of(figure, context.scene)
    obj.hide_render = True
    obj.color = obj.data.materials[0].diffuse_color
    group = obj.seamwright
    group.is_seam = True
    group.figure = figure
    group.number = 1 + max((s.seamwright.number for s in seams), default=0)
    made_collection(figure, context.scene, "SEAMS").objects.link(obj)
    show_in_local_view(context, obj)
    return obj


def show_in_local_view(context: bpy.types.Context, obj: bpy.types.Object) -> None:
    """Show a new object in the 3D view that is worked in, if that shows some objects alone."""
    space = context.space_data
    if space is None or space.type != "VIEW_3D" or space.local_view is None:
        return
    context.view_layer.update()
    if is_listed(obj, context):
        obj.local_view_set(space, True)


def closed_curve(name: str, points: Sequence[Sequence[float]]) -> bpy.types.Object:
    """An object of one closed curve of straight parts, its origin amid its points."""
    obj = straight_curve(name, points)
    obj.data.splines[0].use_cyclic_u = True
    return obj


def straight_curve(name: str, points: Sequence[Sequence[float]]) -> bpy.types.Object:
    """An object of one open curve of straight parts, its origin amid its points."""
    corners = [Vector(p) for p in points]
    middle = sum(corners, Vector()) / len(corners)
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions = "3D"
    spline = curve.splines.new("POLY")
    spline.points.add(len(corners) - 1)
    spline.points.foreach_set("co", [x for p in corners for x in (*(p - middle), 1.0)])
    obj = bpy.data.objects.new(name, curve)
    obj.location = middle
    return obj


def add_companion(
    context: bpy.types.Context, figure: bpy.types.Object, obj: bpy.types.Object
) -> bpy.types.Object:
    """An Empty or curve that belongs to the figure's seams or areas, among its seams."""
    obj.hide_render = True
    obj.seamwright.figure = figure
    made_collection(figure, context.scene, "SEAMS").objects.link(obj)
    show_in_local_view(context, obj)
    return obj


def new_empty(name: str, shows: str, size: float) -> bpy.types.Object:
    """An Empty that shows as Blender's "SPHERE", "SINGLE_ARROW" and the like."""
    obj = bpy.data.objects.new(name, None)
    obj.empty_display_type = shows
    obj.empty_display_size = size
    obj.show_in_front = True
    return obj


def companions_of(seams: Sequence[bpy.types.Object]) -> list[bpy.types.Object]:
    """The pads, outlines and directions that were made with these seams or joints, and not by
    the user, and that no other has as well: a copied seam shares them."""
    kept = {
        other
        for obj in bpy.data.objects
        if obj not in seams
        for other in _own_companions(obj)
        if obj.users_scene
    }
    found = [other for seam in seams for other in _own_companions(seam)]
    return [other for other in dict.fromkeys(found) if other not in kept]


def _own_companions(obj: bpy.types.Object) -> list[bpy.types.Object]:
    group = obj.seamwright
    pointed = (group.pad, group.outline, group.direction)
    return [
        other
        for other in pointed
        if other is not None and other.seamwright.figure == group.figure is not None
    ]


def remove(objects: Sequence[bpy.types.Object]) -> None:
    """Remove objects of ours together with meshes and curves that nothing else uses."""
    data = {obj.data for obj in objects if obj.data is not None}
    bpy.data.batch_remove(list(dict.fromkeys(objects)))
    bpy.data.batch_remove([d for d in data if d.users == 0])


def _seam_mesh(wide: float, deep: float) -> bpy.types.Mesh:
    """A rectangle in its local plane; the arrow to side A is drawn over it, see `overlay`."""
    mesh = bpy.data.meshes.new("Seam")
    x, y = wide / 2, deep / 2
    mesh.from_pydata([(-x, -y, 0), (x, -y, 0), (x, y, 0), (-x, y, 0)], [], [(0, 1, 2, 3)])
    mesh.materials.append(material("vermillion", _SEAM_ALPHA))
    return mesh


def material(colour: str, alpha: float = 1.0) -> bpy.types.Material:
    """The material of one of the Okabe–Ito colours for the viewport, made once a file."""
    name = f"Seamwright {colour}" if alpha == 1.0 else f"Seamwright seam {colour}"
    found = bpy.data.materials.get((name, None))
    if found is None:
        found = bpy.data.materials.new(name)
        linear = Color([c / 255 for c in OKABE_ITO[colour]]).from_srgb_to_scene_linear()
        found.diffuse_color = (*linear, alpha)
    return found


def report_text(lines: tuple[str, ...]) -> bpy.types.Text:
    """The file's report, a text to read in Blender's Text Editor, filled anew."""
    text = bpy.data.texts.get(REPORT) or bpy.data.texts.new(REPORT)
    text.clear()
    text.write("\n".join(lines) + "\n")
    return text


def clear_joints(settings: bpy.types.PropertyGroup) -> None:
    """Forget what was found of the joints."""
    settings.joint_index = -1
    settings.joints.clear()
    settings.joints_mark = settings.joints_found = settings.strength = ""
    settings.assembly = settings.fights = settings.freer = ""


def clear_builds(settings: bpy.types.PropertyGroup) -> None:
    """Forget what was found of the builds."""
    settings.build_index = -1
    settings.builds.clear()
    settings.builds_found = settings.builds_mark = ""


def loaded(name: str) -> ModuleType | None:
    """One of our modules that import the geometry, if anything needed it yet."""
    return sys.modules.get(f"{__package__}.{name}")
