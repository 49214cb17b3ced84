"""Long work in steps: it ends as at once, a thread has its tasks, and Esc leaves all as it was."""

from __future__ import annotations

import threading
import time

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
