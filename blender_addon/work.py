"""What all our operators share: work that returns a sentence, progress, and late imports."""

import importlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType

import bpy

from seamwright.errors import BadInput, SeamwrightError

RUNTIME = ("numpy", "scipy", "manifold3d", "lib3mf", "tomli_w")
"""The packages that the geometry needs; the extension brings them as wheels."""


def late(name: str) -> ModuleType:
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
def shown_progress(context: bpy.types.Context) -> Iterator[Callable[[float, str], None]]:
    """A progress callback shown at the mouse pointer."""
    manager = context.window_manager
    manager.progress_begin(0, 100)
    try:
        yield lambda done, _what: manager.progress_update(int(100 * done))
    finally:
        manager.progress_end()


@contextmanager
def failure_told(context: bpy.types.Context, figure: bpy.types.Object) -> Iterator[None]:
    """What goes wrong with pieces is told by the panel as well, with regions that would help."""
    settings = context.scene.seamwright
    settings.offer = ""
    try:
        yield
    except SeamwrightError as error:
        settings.pieces_found = str(error)
        settings.offer = late("quality").offer_of(error, context, figure)
        raise


class Work:
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


def leave_edit_mode(context: bpy.types.Context) -> None:
    """Go to Object Mode before objects are added, moved or removed.

    Undo in Edit Mode knows the edited mesh or curve alone and would leave them behind.
    """
    if context.mode.startswith("EDIT"):
        bpy.ops.object.mode_set(mode="OBJECT")


def select(context: bpy.types.Context, obj: bpy.types.Object) -> None:
    """Make an object of the view layer the only selected one and the active one."""
    for other in context.view_layer.objects.selected:
        other.select_set(False)
    obj.select_set(True)
    context.view_layer.objects.active = obj
