"""What the panel's buttons do. The geometry is imported when a button first needs it."""

import importlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import bpy
from bpy.props import BoolProperty, EnumProperty, StringProperty
from mathutils import Matrix, Vector

from seamwright.errors import BadInput, SeamwrightError

from . import scene as ours

RUNTIME = ("numpy", "scipy", "manifold3d", "lib3mf", "tomli_w")
"""The packages that the geometry needs; the extension brings them as wheels."""


def _late(name: str) -> ModuleType:
    """One of our modules that import the geometry.

    Raises
    ------
    BadInput
        If a package that it needs is not there.
    """
    try:
        return importlib.import_module(f".{name}", __package__)
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        if package not in RUNTIME:
            raise
        raise BadInput(
            f"Python package '{package}' is missing; install Seamwright from its extension zip, "
            "which brings it."
        ) from error


@contextmanager
def _progress(context: bpy.types.Context) -> Iterator[Callable[[float, str], None]]:
    """A progress callback shown at the mouse pointer."""
    manager = context.window_manager
    manager.progress_begin(0, 100)
    try:
        yield lambda done, _what: manager.progress_update(int(100 * done))
    finally:
        manager.progress_end()


class _Work:
    """An operator whose `work` returns a sentence, or raises one."""

    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        try:
            said = self.work(context)
        except SeamwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.report({"INFO"}, said)
        return {"FINISHED"}


class SEAMWRIGHT_OT_use_selected(_Work, bpy.types.Operator):
    """Take the selected object as the figure"""

    bl_idname = "seamwright.use_selected"
    bl_label = "Use Selected"

    def work(self, context):
        figure = ours.selected_figure(context)
        context.scene.seamwright.figure = figure
        return f"'{figure.name}' is the figure."


class SEAMWRIGHT_OT_inspect(_Work, bpy.types.Operator):
    """Say what the figure is like at its true size, and what mending does to it"""

    bl_idname = "seamwright.inspect"
    bl_label = "Inspect Figure"

    def work(self, context):
        figure = ours.figure_of(context)
        lines = _late("pieces").inspected(context, figure)
        context.scene.seamwright.figure = figure
        context.scene.seamwright.found = "\n".join(lines)
        return lines[-1]


_AXES = {"X": 0, "Y": 1, "Z": 2}


class SEAMWRIGHT_OT_add_seam(_Work, bpy.types.Operator):
    """Add a flat seam to the figure; move and turn it like any object, its arrow is side A"""

    bl_idname = "seamwright.add_seam"
    bl_label = "Add Seam"

    axis: EnumProperty(
        name="Axis",
        description="Axis of the scene that the seam's plane is square to",
        items=[
            ("Z", "Z", "A level seam, side A above"),
            ("Y", "Y", "An upright seam, side A behind"),
            ("X", "X", "An upright seam, side A to the right"),
        ],
        default="Z",
    )
    at: EnumProperty(
        name="At",
        description="Where the seam's origin goes",
        items=[
            ("CURSOR", "3D Cursor", "Where the 3D cursor is"),
            ("MIDDLE", "Middle of Figure", "The middle of the figure's box"),
        ],
        default="CURSOR",
    )

    def work(self, context):
        figure = ours.figure_of(context)
        context.view_layer.update()
        low, high = ours.bounds(figure)
        place = (low + high) / 2 if self.at == "MIDDLE" else context.scene.cursor.location
        n = _AXES[self.axis]
        u, v = (n + 1) % 3, (n + 2) % 3
        size = high - low
        margin = 0.2 * max(size[:])
        columns = [Vector() for _ in range(3)]
        columns[0][u], columns[1][v] = size[u] + margin, size[v] + margin
        columns[2][n] = max(size[:]) / 4 or 1.0
        matrix = Matrix(columns).transposed().to_4x4()
        matrix.translation = place
        seam = ours.add_seam(context, figure, "Seam", matrix)
        context.scene.seamwright.figure = figure
        if context.mode == "OBJECT":
            _select(context, seam)
        return f"'{seam.name}' added to '{figure.name}'."


class SEAMWRIGHT_OT_select_seam(_Work, bpy.types.Operator):
    """Select this seam, to move it or to change what it does"""

    bl_idname = "seamwright.select_seam"
    bl_label = "Select Seam"

    name: StringProperty(name="Name", description="Name of the seam's object")

    def work(self, context):
        seam = context.scene.objects.get(self.name)
        if seam is None or not seam.seamwright.is_seam:
            raise BadInput(f"There is no seam '{self.name}' in the scene.")
        if context.mode != "OBJECT":
            raise BadInput("Seams are selected in Object Mode; switch to it.")
        if not ours.is_listed(seam, context):
            raise BadInput(f"Seam '{seam.name}' is in no collection of this view layer; show it.")
        _select(context, seam)
        return f"'{seam.name}' selected."


def _select(context, obj):
    for other in context.view_layer.objects.selected:
        other.select_set(False)
    if ours.is_listed(obj, context):
        obj.select_set(True)
        context.view_layer.objects.active = obj


def _active_seam(context):
    seam = context.view_layer.objects.active
    if seam is None or not seam.seamwright.is_seam or seam.seamwright.figure is None:
        raise BadInput("The active object is no seam of a figure; select a seam.")
    return seam


class SEAMWRIGHT_OT_stop_at(_Work, bpy.types.Operator):
    """Let the active seam end at this one, or run on through it"""

    bl_idname = "seamwright.stop_at"
    bl_label = "Stop at Seam"

    name: StringProperty(name="Name", description="Name of the seam's object to stop at")

    def work(self, context):
        seam = _active_seam(context)
        others = ours.seams_of(seam.seamwright.figure, context.scene)
        other = next((o for o in others if o.name == self.name and o != seam), None)
        if other is None:
            raise BadInput(f"The figure has no other seam '{self.name}' to stop at.")
        stops = seam.seamwright.stops_at
        at = next((n for n, stop in enumerate(stops) if stop.seam == other), None)
        if at is not None:
            stops.remove(at)
            return f"'{seam.name}' runs through '{other.name}'."
        stops.add().seam = other
        return f"'{seam.name}' stops at '{other.name}'."


class SEAMWRIGHT_OT_list_regions(_Work, bpy.types.Operator):
    """Say which regions the active seam's section has, with their numbers"""

    bl_idname = "seamwright.list_regions"
    bl_label = "List Regions"

    def work(self, context):
        seam = _active_seam(context)
        said = _late("pieces").regions_of(context, seam.seamwright.figure, seam)
        context.scene.seamwright.found = said
        return said


class SEAMWRIGHT_OT_make_pieces(_Work, bpy.types.Operator):
    """Part the figure along its seams into jointed, checked pieces; the figure stays as it is"""

    bl_idname = "seamwright.make_pieces"
    bl_label = "Make Pieces"

    hide_figure: BoolProperty(
        name="Hide Figure",
        description="Hide the figure afterwards, so that the pieces can be seen",
        default=True,
    )

    def work(self, context):
        figure = ours.figure_of(context)
        pieces = _late("pieces")
        with _progress(context) as progress:
            result = pieces.made(context, figure, progress)
        pieces.show(context, figure, result)
        context.scene.seamwright.figure = figure
        lines = pieces.said_of(result)
        report = ours.report_text(lines)
        plain = sum(not joint.pegs for joint in result.joints)
        context.scene.seamwright.found = "\n".join(
            (
                lines[0],
                *((f"{ours.counted(plain, 'joint')} without a peg.",) if plain else ()),
                f"Checks and reasons: Text Editor, '{report.name}'.",
            )
        )
        if self.hide_figure and figure.mode == "OBJECT" and ours.is_listed(figure, context):
            figure.hide_set(True)
        return lines[0]


class SEAMWRIGHT_OT_show_figure(_Work, bpy.types.Operator):
    """Show the figure, or hide it to see its pieces"""

    bl_idname = "seamwright.show_figure"
    bl_label = "Show Figure"

    def work(self, context):
        figure = ours.figure_of(context)
        if not ours.is_listed(figure, context):
            raise BadInput(f"'{figure.name}' is in no collection of this view layer; include it.")
        hide = not figure.hide_get()
        figure.hide_set(hide)
        return f"'{figure.name}' is {'hidden' if hide else 'shown'}."


class SEAMWRIGHT_OT_write_files(_Work, bpy.types.Operator):
    """Write the pieces as STL and 3MF with the parts list, the report and the job"""

    bl_idname = "seamwright.write_files"
    bl_label = "Write Files"
    bl_options = {"REGISTER"}

    directory: StringProperty(
        name="Directory",
        description="Where the result folder goes",
        subtype="DIR_PATH",
        options={"SKIP_SAVE"},
    )
    folder: StringProperty(
        name="Folder",
        description="Name of the result folder; empty for the figure's name and '-pieces'",
        options={"SKIP_SAVE"},
    )
    replace: BoolProperty(
        name="Replace",
        description="Replace an earlier result of that name; no other folder is ever replaced",
        default=False,
        options={"SKIP_SAVE"},
    )
    filter_folder: BoolProperty(default=True, options={"HIDDEN", "SKIP_SAVE"})

    def invoke(self, context, _event):
        figure = ours.chosen_figure(context)
        if figure is not None and not self.folder:
            self.folder = _folder_name(figure)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def draw(self, _context):
        self.layout.prop(self, "folder")
        self.layout.prop(self, "replace")

    def work(self, context):
        figure = ours.figure_of(context)
        if not self.directory:
            raise BadInput("No directory is given; choose where the result folder goes.")
        name = self.folder.strip() or _folder_name(figure)
        target = Path(bpy.path.abspath(self.directory)) / name
        # The library says the same, but names a switch of the command.
        if target.exists() and not self.replace:
            raise BadInput(f"'{target}' exists; give another folder name or tick Replace.")
        with _progress(context) as progress:
            _late("pieces").written(context, figure, target, self.replace, progress)
        return f"Files written to '{target}'."


def _folder_name(figure):
    return f"{bpy.path.clean_name(figure.seamwright.job_name or figure.name)}-pieces"


class _JobFile(_Work):
    filepath: StringProperty(
        name="File", description="The job file, .toml", subtype="FILE_PATH", options={"SKIP_SAVE"}
    )
    filter_glob: StringProperty(default="*.toml", options={"HIDDEN"})

    def invoke(self, context, _event):
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def path(self):
        if not self.filepath:
            raise BadInput("No file is given; choose a job file.")
        return Path(bpy.path.abspath(self.filepath))


class SEAMWRIGHT_OT_save_job(_JobFile, bpy.types.Operator):
    """Save what the panel says as a job file, which the batch runs without the panel"""

    bl_idname = "seamwright.save_job"
    bl_label = "Save Job"
    bl_options = {"REGISTER"}

    check_existing: BoolProperty(default=True, options={"HIDDEN"})

    def invoke(self, context, event):
        figure = ours.chosen_figure(context)
        if figure is not None and not self.filepath:
            self.filepath = f"{bpy.path.clean_name(figure.name)}.toml"
        return super().invoke(context, event)

    def work(self, context):
        figure = ours.figure_of(context)
        path = _late("job").saved(context, figure, self.path())
        return f"Job saved as '{path}'."


class SEAMWRIGHT_OT_load_job(_JobFile, bpy.types.Operator):
    """Put a job file into the panel, in place of what was decided about its figure"""

    bl_idname = "seamwright.load_job"
    bl_label = "Load Job"

    def work(self, context):
        return _late("job").loaded(context, self.path())


CLASSES = (
    SEAMWRIGHT_OT_use_selected,
    SEAMWRIGHT_OT_inspect,
    SEAMWRIGHT_OT_add_seam,
    SEAMWRIGHT_OT_select_seam,
    SEAMWRIGHT_OT_stop_at,
    SEAMWRIGHT_OT_list_regions,
    SEAMWRIGHT_OT_make_pieces,
    SEAMWRIGHT_OT_show_figure,
    SEAMWRIGHT_OT_write_files,
    SEAMWRIGHT_OT_save_job,
    SEAMWRIGHT_OT_load_job,
)
