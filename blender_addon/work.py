"""What all our operators share: work that returns a sentence, long work, and late imports.

Long work is a generator. It reads and changes the scene itself, and yields what is slow as a
task: a function of a progress callback alone, on arrays, which may run in a thread.
"""

import importlib
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from types import ModuleType
from typing import Any

import bpy

from seamwright.errors import BadInput, Cancelled, Progress, SeamwrightError

RUNTIME = ("numpy", "scipy", "manifold3d", "lib3mf", "trimesh", "tomli_w")
"""The packages that the geometry needs; the extension brings them as wheels."""


Steps = Generator[Callable[[Progress], Any], Any, Any]
"""Long work: yields tasks, is sent what each gives, and returns what it is about."""

_LOOK = 0.1
"""Seconds between two looks at a task in its thread."""

_CANCELLED = "Cancelled; nothing was changed."

VIEWING = (
    "TIMER", "TIMER_REPORT", "TIMER_REGION", "MOUSEMOVE", "INBETWEEN_MOUSEMOVE", "MIDDLEMOUSE",
    "WHEELUPMOUSE", "WHEELDOWNMOUSE", "TRACKPADPAN", "TRACKPADZOOM", "MOUSEROTATE",
    "MOUSESMARTZOOM", "NDOF_MOTION", "WINDOW_DEACTIVATE",
)  # fmt: skip
"""Events that look at the scene and change nothing: all that goes on while long work does."""


class Warned(str):
    """What an operator says of work that was done and needs a second look."""

    __slots__ = ()


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


def finished(steps: Steps, progress: Progress = lambda _done, _what: None) -> Any:
    """Do long work here and now; returns what it returns."""
    try:
        task = next(steps)
        while True:
            try:
                given = task(progress)
            except SeamwrightError as error:
                task = steps.throw(error)
            else:
                task = steps.send(given)
    except StopIteration as stop:
        return stop.value


class Running:
    """Long work whose tasks run in a thread: how much is done of the one that runs, and what."""

    def __init__(self, steps: Steps) -> None:
        self.steps, self.done, self.what = steps, 0.0, ""
        self.is_stopped = False
        self.said: Any = None
        self._future: Future[Any] | None = None

    def look(self) -> bool:
        """Go on as soon as the task is through; whether all is done. Raises what goes wrong."""
        if self._future is not None and not self._future.done():
            return False
        try:
            if self._future is None:
                task = next(self.steps)
            elif (error := self._future.exception()) is not None:
                task = self.steps.throw(error)
            else:
                task = self.steps.send(self._future.result())
        except StopIteration as stop:
            self.said = stop.value
            return True
        thread = ThreadPoolExecutor(1)
        self._future = thread.submit(task, self._tell)
        thread.shutdown(wait=False)
        return False

    def stop(self) -> None:
        """Leave all as it was. What a thread is still at ends by itself and goes nowhere."""
        self.is_stopped = True
        # What the steps would put back may be gone by now, with the file that it was in.
        with suppress(Cancelled, StopIteration, ReferenceError):
            self.steps.throw(Cancelled(_CANCELLED))

    def _tell(self, done: float, what: str) -> None:
        if self.is_stopped:
            raise Cancelled(_CANCELLED)
        self.done, self.what = done, what


@contextmanager
def failure_told(context: bpy.types.Context, figure: bpy.types.Object) -> Iterator[None]:
    """What goes wrong with pieces is told by the panel as well, with regions that would help."""
    settings = _settings(context, figure)
    before, settings.offer = settings.offer, ""
    del settings
    try:
        yield
    except Cancelled:
        _settings(context, figure).offer = before
        raise
    except SeamwrightError as error:
        offer = late("quality").offer_of(error, context, figure)
        settings = _settings(context, figure)
        settings.pieces_found, settings.offer = str(error), offer
        raise


def _settings(context: bpy.types.Context, figure: bpy.types.Object) -> bpy.types.PropertyGroup:
    """The scene's settings, looked up anew: Blender tells of an object that is gone with its file,
    but not of settings. Raises ReferenceError if the figure is gone."""
    assert figure.name
    return context.scene.seamwright


class Work:
    """An operator whose `work` returns a sentence, or raises one."""

    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        try:
            said = self.work(context)
        except SeamwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return self.tell(said)

    def tell(self, said):
        """Report what was done."""
        self.report({"WARNING" if isinstance(said, Warned) else "INFO"}, said)
        return {"FINISHED"}


class LongWork(Work):
    """An operator whose `steps` are long work that returns a sentence.

    From a button it goes on by itself while the window stays alive, with its progress in the
    status bar, until it is done or Esc leaves all as it was. From a script it is done at once.
    """

    def invoke(self, context, _event):
        return self.execute(context) if bpy.app.background else self.begin(context)

    def begin(self, context):
        """Start the work; what `invoke` is to return."""
        if _busy:
            self.report({"ERROR"}, "Other work is going on; wait for it, or cancel it with Esc.")
            return {"CANCELLED"}
        self._running = Running(self.steps(context))
        ended = self._looked(context)
        if ended is not None:
            return ended
        manager = context.window_manager
        manager.progress_begin(0, 100)
        timer = manager.event_timer_add(_LOOK, window=context.window)
        _busy.append((self._running, timer))
        manager.modal_handler_add(self)
        self._show(context)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        if event.type == "ESC" and event.value == "PRESS":
            self.cancel(context)
            self.report({"INFO"}, _CANCELLED)
            return {"CANCELLED"}
        if event.type == "TIMER":
            try:
                ended = self._looked(context)
            except Exception:
                # A fault of ours is told by Blender; it must not leave all buttons busy.
                _end(context)
                raise
            if ended is not None:
                _end(context)
                return ended
            self._show(context)
        viewing = event.type in VIEWING or event.type.startswith("NUMPAD")
        return {"PASS_THROUGH"} if viewing else {"RUNNING_MODAL"}

    def cancel(self, context):
        """As Esc does; Blender calls it when a file is opened meanwhile."""
        self._running.stop()
        _end(context)

    def work(self, context):
        with shown_progress(context) as progress:
            return finished(self.steps(context), progress)

    def _looked(self, context):
        """What to return now that it has ended; None if it has not."""
        try:
            if not self._running.look():
                return None
        except SeamwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        except ReferenceError:
            # A script or an opened file took away what the work is about.
            self.report({"ERROR"}, "The figure is no longer there; begin again.")
            return {"CANCELLED"}
        return self.tell(self._running.said)

    def _show(self, context):
        percent, what = int(100 * self._running.done), self._running.what
        context.window_manager.progress_update(percent)
        said = f"{self.bl_label}: {what or 'making ready'}, {percent} %     Esc: Cancel"
        context.workspace.status_text_set(said)


_busy: list[tuple[Running, bpy.types.Timer]] = []
"""The long work that goes on, and the timer by which it is looked at."""


def _end(context: bpy.types.Context) -> None:
    """Take away what shows that long work goes on."""
    manager = context.window_manager
    while _busy:
        manager.event_timer_remove(_busy.pop()[1])
        manager.progress_end()
    if context.workspace is not None:
        context.workspace.status_text_set(None)


def leave_all(context: bpy.types.Context) -> None:
    """End what goes on as Esc does: Blender forgets a class's operators without a word to them."""
    if _busy:
        for running, _timer in _busy:
            running.stop()
        _end(context)


def is_busy() -> bool:
    """Whether long work is going on."""
    return bool(_busy)


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
