"""Long work in steps: it ends as at once, a thread has its tasks, and Esc leaves all as it was."""

from __future__ import annotations

import threading
import time
from contextlib import suppress

import pytest

bpy = pytest.importorskip("bpy")

from seamwright.errors import BadInput, Cancelled  # noqa: E402
from seamwright.shapes import sphere  # noqa: E402


def run(running) -> None:
    """Look until all is done."""
    until = time.monotonic() + 60
    while not running.look():
        assert time.monotonic() < until
        time.sleep(0.01)


@pytest.fixture
def figure(scene, add):
    obj = add(sphere(100))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    return obj


def state(settings) -> list:
    keys = ("pieces_found", "joints_found", "joints_mark", "offer", "strength", "pieces_mark")
    return [
        *(getattr(settings, key) for key in keys),
        [joint.name for joint in settings.joints],
        sorted(bpy.data.objects.keys()),
    ]


def steps_of(name: str):
    """An operator's steps with its usual settings, outside of Blender's own call."""
    import blender_addon  # noqa: PLC0415

    cls = next(c for c in blender_addon.CLASSES if c.__name__ == f"SEAMWRIGHT_OT_{name}")
    usual = type("Usual", (), {"hide_figure": True})()
    return cls.steps(usual, bpy.context)


def test_tasks_run_in_a_thread_and_the_rest_where_it_was_begun():
    from blender_addon.work import Running  # noqa: PLC0415

    seen = []

    def steps():
        seen.append(threading.current_thread())
        first = yield lambda _tell: threading.current_thread()
        seen.append(threading.current_thread())
        second = yield lambda tell: (tell(0.5, "half"), 7)[1]
        return first, second

    running = Running(steps())
    run(running)
    other, number = running.said
    assert number == 7 and (running.done, running.what) == (0.5, "half")
    assert other is not threading.main_thread()
    assert set(seen) == {threading.main_thread()}


@pytest.mark.parametrize("at_once", [True, False])
def test_what_goes_wrong_in_a_task_is_raised_in_the_steps(at_once):
    from blender_addon.work import Running, finished  # noqa: PLC0415

    def fails(_tell):
        raise BadInput("wrong")

    def steps():
        try:
            yield fails
        except BadInput as error:
            said = f"told of {error}"
        told = yield lambda _tell: said
        return told

    if at_once:
        assert finished(steps()) == "told of wrong"
        return
    running = Running(steps())
    run(running)
    assert running.said == "told of wrong"


def test_a_fault_of_ours_is_not_swallowed():
    from blender_addon.work import Running  # noqa: PLC0415

    def steps():
        yield lambda _tell: 1 / 0

    with pytest.raises(ZeroDivisionError):
        run(Running(steps()))


def test_a_stopped_task_ends_at_its_next_word_and_goes_nowhere():
    from blender_addon.work import Running  # noqa: PLC0415

    ended, begun = threading.Event(), threading.Event()

    def task(tell):
        try:
            while True:
                begun.set()
                tell(0.1, "on and on")
                time.sleep(0.005)
        except Cancelled:
            ended.set()
            raise

    def steps():
        yield task
        raise AssertionError("went on")

    running = Running(steps())
    assert not running.look()
    assert begun.wait(10)
    running.stop()
    assert ended.wait(10)


@pytest.mark.parametrize("name", ["make_pieces", "size_joints", "plan_builds"])
def test_in_steps_the_same_is_made_as_at_once(figure, name):
    from blender_addon.handlers import forget  # noqa: PLC0415
    from blender_addon.work import Running  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    assert getattr(bpy.ops.seamwright, name)() == {"FINISHED"}
    wanted = state(settings)
    forget()
    figure.hide_set(False)
    running = Running(steps_of(name))
    run(running)
    now = state(settings)
    assert running.said and now == wanted


@pytest.mark.parametrize("name", ["make_pieces", "size_joints", "plan_builds"])
@pytest.mark.parametrize("looks", [1, 3])
def test_cancelled_work_leaves_all_as_it_was(figure, name, looks):
    from blender_addon.work import Running  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    bpy.ops.seamwright.make_pieces(hide_figure=False)
    settings.offer = "{}"
    for obj in bpy.data.objects:
        if obj.seamwright.is_seam:
            obj.location.z += 5
    before = state(settings)
    running = Running(steps_of(name))
    for _ in range(looks):
        assert not running.look()
    running.stop()
    assert state(settings) == before
    # And the work can be done all the same.
    assert getattr(bpy.ops.seamwright, name)() == {"FINISHED"}


def test_in_the_background_a_button_does_it_at_once(figure):
    assert bpy.ops.seamwright.make_pieces("INVOKE_DEFAULT") == {"FINISHED"}
    assert "Pieces of Keeper" in bpy.data.collections


# --- at every stage ------------------------------------------------------------------------------

BUTTONS = ("make_pieces", "size_joints", "plan_builds", "write_files")


@pytest.fixture
def target(tmp_path, monkeypatch):
    """The folder that Write Files is to write."""
    folder = tmp_path / "out"
    options = {"directory": str(tmp_path), "folder": "out", "replace": True, "hide_figure": True}
    monkeypatch.setitem(globals(), "OPTIONS", options)
    return folder


def begun(name: str):
    """A button's work, begun."""
    import blender_addon  # noqa: PLC0415

    cls = next(c for c in blender_addon.CLASSES if c.__name__ == f"SEAMWRIGHT_OT_{name}")
    return cls.steps(type("Pressed", (), OPTIONS)(), bpy.context)


OPTIONS: dict = {}


class Halting:
    """Work that halts in its thread when a word is said, until it may go on."""

    def __init__(self, steps, at: int = -1) -> None:
        from blender_addon.work import Running  # noqa: PLC0415

        self.said: list[tuple[float, str]] = []
        self.reached, self.go = threading.Event(), threading.Event()
        self.running = Running(steps)
        tell = self.running._tell

        def heard(done: float, what: str) -> None:
            self.said.append((done, what))
            if len(self.said) - 1 == at:
                self.reached.set()
                assert self.go.wait(60)
            tell(done, what)

        self.running._tell = heard

    def halt(self) -> None:
        """Go on to the word at which it halts."""
        until = time.monotonic() + 60
        while not self.reached.is_set():
            assert time.monotonic() < until
            assert not self.running.look()
            time.sleep(0.005)

    def leave(self) -> None:
        """Let the thread go, and wait until it has ended."""
        self.go.set()
        future = self.running._future
        error = future.exception(timeout=60)
        assert isinstance(error, Cancelled)


def stages(said: list[tuple[float, str]]) -> dict[str, int]:
    """Where each kind of word is said first: pieces and joints are of a kind."""
    found: dict[str, int] = {}
    for place, (_done, what) in enumerate(said):
        found.setdefault(what.rstrip("0123456789ABCDEF "), place)
    return found


@pytest.mark.parametrize("name", BUTTONS)
def test_progress_goes_on_and_says_what_it_is_at(figure, target, name):
    halting = Halting(begun(name))
    run(halting.running)
    done = [share for share, _what in halting.said]
    assert done == sorted(done) and done[0] >= 0 and done[-1] <= 1
    assert all(what for _share, what in halting.said)
    assert halting.said[0][1] == "preparing the figure"


@pytest.mark.parametrize("name", BUTTONS)
def test_esc_at_any_stage_leaves_all_as_it_was(figure, target, name):
    from blender_addon.handlers import forget  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    halting = Halting(begun(name))
    run(halting.running)
    found = stages(halting.said)
    assert len(found) >= 3, found
    for obj in bpy.data.objects:
        if obj.seamwright.is_seam:
            obj.location.z += 5
    bpy.context.view_layer.update()
    settings.offer = "{}"

    def files() -> list:
        return sorted((str(p), p.stat().st_mtime_ns) for p in target.parent.rglob("*"))

    before, written = state(settings), files()
    for what, place in found.items():
        forget()
        halting = Halting(begun(name), place)
        halting.halt()
        halting.running.stop()
        assert state(settings) == before, what
        halting.leave()
        assert files() == written, what
        assert state(settings) == before, what


# --- what goes on meanwhile ---------------------------------------------------------------------


def halted(name: str):
    """Work that is at its first word."""
    halting = Halting(begun(name), 0)
    halting.halt()
    halting.go.set()
    return halting.running


@pytest.mark.parametrize("name", BUTTONS)
def test_a_figure_that_is_taken_out_meanwhile_is_told(figure, target, name):
    running = halted(name)
    bpy.context.scene.collection.objects.unlink(figure)
    with pytest.raises(BadInput, match="'Keeper' was taken out of the scene meanwhile"):
        run(running)
    assert not [o for o in bpy.data.objects if o.seamwright.is_piece] and not target.exists()


@pytest.mark.parametrize("name", BUTTONS)
@pytest.mark.parametrize("how", ["removed", "another file"])
def test_a_figure_that_is_gone_meanwhile_is_no_crash(figure, target, name, how):
    running = halted(name)
    if how == "removed":
        bpy.data.objects.remove(figure)
    else:
        bpy.ops.wm.read_factory_settings(use_empty=True)
    with pytest.raises(ReferenceError):
        run(running)
    assert not [o for o in bpy.data.objects if o.seamwright.is_piece] and not target.exists()


@pytest.mark.parametrize("name", BUTTONS)
def test_work_can_be_left_when_its_file_is_gone(figure, target, name):
    running = halted(name)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    running.stop()


def test_undo_meanwhile_is_no_crash(scene, add, target):
    bpy.ops.ed.undo_push(message="empty")
    add(sphere(100))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.ed.undo_push(message="figure")
    running = halted("make_pieces")
    bpy.ops.ed.undo()
    with pytest.raises((ReferenceError, BadInput)):
        run(running)
    bpy.ops.ed.redo()
    running = halted("make_pieces")
    bpy.data.objects["Seam"].location.z += 3
    bpy.ops.ed.undo_push(message="moved")
    bpy.ops.ed.undo()
    # Whether the figure is still the same object after an undo depends on the Blender.
    with suppress(ReferenceError):
        run(running)
    assert bpy.ops.seamwright.make_pieces() == {"FINISHED"}
    assert len([o for o in bpy.context.scene.objects if o.seamwright.is_piece]) == 2


def test_what_is_decided_meanwhile_puts_the_pieces_out_of_date(figure, target):
    from blender_addon.decisions import mark_of  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    running = halted("make_pieces")
    bpy.data.objects["Seam"].location.z += 3
    bpy.context.view_layer.update()
    run(running)
    assert settings.pieces_mark != mark_of(figure, bpy.context.scene)
    bpy.data.objects["Seam"].location.z -= 3
    bpy.context.view_layer.update()
    assert settings.pieces_mark == mark_of(figure, bpy.context.scene)


def test_another_figure_that_is_looked_at_meanwhile_is_not_mixed_up(figure, add, target):
    running = halted("plan_builds")
    other = add(sphere(50), "Other")
    other.seamwright.size, other.seamwright.scale = "SCALE", 3.0
    bpy.context.scene.seamwright.figure = other
    bpy.ops.seamwright.inspect()
    run(running)
    assert bpy.context.scene.seamwright.figure == figure
    pieces = [o for o in bpy.context.scene.objects if o.seamwright.is_piece]
    assert len(pieces) == 2 and all(tuple(o.scale) == (1, 1, 1) for o in pieces)


def test_work_ends_with_the_add_on(figure, target, registered):
    from blender_addon import work  # noqa: PLC0415

    halting = Halting(begun("make_pieces"), 0)
    halting.halt()
    timer = object()
    ended = []

    class Manager:
        event_timer_remove = staticmethod(ended.append)
        progress_end = staticmethod(lambda: None)

    class Context:
        window_manager, workspace = Manager, None

    work._busy.append((halting.running, timer))
    assert work.is_busy()
    work.leave_all(Context)
    assert not work.is_busy() and ended == [timer] and halting.running.is_stopped
    halting.leave()
    registered.unregister()
    registered.register()
