"""The gauge: writing it, and taking over the clearance that it found."""

from pathlib import Path

import bpy
from bpy.props import BoolProperty, FloatProperty, StringProperty

from seamwright.errors import BadInput

from .work import Work, late


class SEAMWRIGHT_OT_make_gauge(Work, bpy.types.Operator):
    """Write a small test print that finds the clearance of the printer: a bar of sockets and one \
peg to try in them"""

    bl_idname = "seamwright.make_gauge"
    bl_label = "Make Gauge"
    bl_options = {"REGISTER"}

    directory: StringProperty(
        name="Directory",
        description="Where the gauge's folder goes",
        subtype="DIR_PATH",
        options={"SKIP_SAVE"},
    )
    folder: StringProperty(
        name="Folder",
        description="Name of the gauge's folder",
        default="gauge",
        options={"SKIP_SAVE"},
    )
    width: FloatProperty(
        name="Peg Width (mm)",
        description="Across the gauge's peg, in mm; 0 for 12, or for the middle one of the widths "
        "of the figure's pegs once they are sized",
        default=0.0,
        min=0.0,
        soft_max=30.0,
    )
    replace: BoolProperty(
        name="Replace",
        description="Replace an earlier gauge of that name; no other folder is ever replaced",
        default=False,
        options={"SKIP_SAVE"},
    )
    filter_folder: BoolProperty(default=True, options={"HIDDEN", "SKIP_SAVE"})

    def invoke(self, context, _event):
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def draw(self, _context):
        self.layout.prop(self, "folder")
        self.layout.prop(self, "width")
        self.layout.prop(self, "replace")

    def work(self, context):
        if not self.directory:
            raise BadInput("No directory is given; choose where the gauge's folder goes.")
        target = Path(bpy.path.abspath(self.directory)) / (self.folder.strip() or "gauge")
        if target.exists() and not self.replace:
            raise BadInput(f"'{target}' exists; give another folder name or tick Replace.")
        said = late("gauges").written(context, target, self.width, self.replace)
        context.scene.seamwright.gauge_found = "\n".join(said)
        return said[0]


class SEAMWRIGHT_OT_it_fitted(Work, bpy.types.Operator):
    """Take over the clearance of the tightest socket in which the gauge's peg goes home"""

    bl_idname = "seamwright.it_fitted"
    bl_label = "It Fitted"

    number: FloatProperty(
        name="Clearance (mm)",
        description="Clearance that fitted, in mm: the number at the socket is in hundredths, so "
        "for 30 give 0.30",
        default=0.2,
        min=0.0,
        soft_max=1.0,
        precision=2,
        step=1,
        options={"SKIP_SAVE"},
    )

    def invoke(self, context, _event):
        self.number = context.scene.seamwright.clearance
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, _context):
        self.layout.use_property_split = True
        self.layout.prop(self, "number")

    def work(self, context):
        return late("gauges").taken(context, self.number)


CLASSES = (SEAMWRIGHT_OT_make_gauge, SEAMWRIGHT_OT_it_fitted)
