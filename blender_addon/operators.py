"""What the panel's buttons do. The geometry is imported when a button first needs it."""

from pathlib import Path

import bpy
from bpy.props import BoolProperty, StringProperty

from seamwright.errors import BadInput

from . import preferences
from . import scene as ours
from .work import LongWork, Work, failure_told, late, leave_edit_mode


class SEAMWRIGHT_OT_use_selected(Work, bpy.types.Operator):
    """Take the selected object as the figure"""

    bl_idname = "seamwright.use_selected"
    bl_label = "Use Selected"

    def work(self, context):
        figure = ours.selected_figure(context)
        preferences.take_usual(context)
        context.scene.seamwright.figure = figure
        return f"'{figure.name}' is the figure.{ours.said_of_link(figure)}"


class SEAMWRIGHT_OT_inspect(Work, bpy.types.Operator):
    """Say what the figure is like at its true size, and what mending does to it"""

    bl_idname = "seamwright.inspect"
    bl_label = "Inspect Figure"

    def work(self, context):
        figure = ours.figure_of(context)
        lines = late("pieces").inspected(context, figure)
        context.scene.seamwright.figure = figure
        context.scene.seamwright.found = "\n".join(lines)
        return lines[-1]


class SEAMWRIGHT_OT_make_pieces(LongWork, bpy.types.Operator):
    """Part the figure along its seams into jointed, checked pieces; the figure stays as it is"""

    bl_idname = "seamwright.make_pieces"
    bl_label = "Make Pieces"

    hide_figure: BoolProperty(
        name="Hide Figure",
        description="Hide the figure afterwards, so that the pieces can be seen",
        default=True,
    )

    def steps(self, context):
        figure = ours.figure_of(context)
        pieces = late("pieces")
        with failure_told(context, figure):
            result = yield from pieces.making(context, figure)
        leave_edit_mode(context)
        ours.choose(context, figure)
        pieces.show(context, figure, result)
        late("joints").take_result(context, figure, result)
        lines = pieces.said_of(result)
        report = ours.report_text(lines)
        found = pieces.panel_lines(result, report.name)
        context.scene.seamwright.pieces_found = "\n".join(found)
        if self.hide_figure and figure.mode == "OBJECT" and ours.is_listed(figure, context):
            figure.hide_set(True)
        return lines[0]


class SEAMWRIGHT_OT_take_offer(Work, bpy.types.Operator):
    """Take the regions that tie the figure together into the reach of the seams they are of"""

    bl_idname = "seamwright.take_offer"
    bl_label = "Take Offered Regions"

    def work(self, context):
        settings = context.scene.seamwright
        if not settings.offer:
            raise BadInput("No further regions are offered; make the pieces to see.")
        leave_edit_mode(context)
        said = late("quality").take_offer(context, ours.figure_of(context), settings.offer)
        settings.offer, settings.pieces_found = "", said
        return said


class SEAMWRIGHT_OT_show_figure(Work, bpy.types.Operator):
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


class SEAMWRIGHT_OT_write_files(LongWork, bpy.types.Operator):
    """Write the pieces as STL and 3MF with builds, lists, report, assembly book and job"""

    bl_idname = "seamwright.write_files"
    bl_label = "Write Files"

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
    is_asked: BoolProperty(options={"HIDDEN", "SKIP_SAVE"})
    begins: BoolProperty(options={"HIDDEN", "SKIP_SAVE"})

    def invoke(self, context, event):
        if self.begins:
            return super().invoke(context, event)
        self.is_asked = True
        figure = ours.chosen_figure(context)
        if figure is not None and not self.folder:
            self.folder = _folder_name(figure)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def draw(self, _context):
        self.layout.prop(self, "folder")
        self.layout.prop(self, "replace")

    def execute(self, context):
        if not self.is_asked or bpy.app.background:
            return super().execute(context)
        # The file browser ends its operator; the work goes on in one of its own.
        bpy.ops.seamwright.write_files(
            "INVOKE_DEFAULT", directory=self.directory, folder=self.folder, replace=self.replace,
            begins=True,
        )  # fmt: skip
        return {"FINISHED"}

    def steps(self, context):
        figure = ours.figure_of(context)
        if not self.directory:
            raise BadInput("No directory is given; choose where the result folder goes.")
        name = self.folder.strip() or _folder_name(figure)
        target = Path(bpy.path.abspath(self.directory)) / name
        # The library says the same, but names a switch of the command.
        if target.exists() and not self.replace:
            raise BadInput(f"'{target}' exists; give another folder name or tick Replace.")
        with failure_told(context, figure):
            pieces = late("pieces")
            result, plan = yield from pieces.writing(context, figure, target, self.replace)
        late("joints").take_result(context, figure, result)
        builds = late("builds")
        builds.take_plan(context, figure, plan)
        figure.seamwright.written_mark = context.scene.seamwright.builds_mark
        said = f"Files written to '{target}'."
        context.scene.seamwright.pieces_found = "\n".join((said, *builds.plan_lines(plan)))
        return said


def _folder_name(figure):
    return f"{bpy.path.clean_name(figure.seamwright.job_name or figure.name)}-pieces"


class _JobFile(Work):
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
        path = late("job").saved(context, figure, self.path())
        return f"Job saved as '{path}'."


class SEAMWRIGHT_OT_load_job(_JobFile, bpy.types.Operator):
    """Put a job file into the panel, in place of what was decided about its figure"""

    bl_idname = "seamwright.load_job"
    bl_label = "Load Job"

    def work(self, context):
        path = self.path()
        leave_edit_mode(context)
        return late("job").loaded(context, path)


CLASSES = (
    SEAMWRIGHT_OT_use_selected,
    SEAMWRIGHT_OT_inspect,
    SEAMWRIGHT_OT_make_pieces,
    SEAMWRIGHT_OT_take_offer,
    SEAMWRIGHT_OT_show_figure,
    SEAMWRIGHT_OT_write_files,
    SEAMWRIGHT_OT_save_job,
    SEAMWRIGHT_OT_load_job,
)
