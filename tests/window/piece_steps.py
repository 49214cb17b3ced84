"""The window test's steps on pieces, builds and files."""

import time

import panel
import screen
from panel import over_view, press, says, state, until

MAKING = 240.0
"""Seconds that pieces, builds and files may take at most."""
FAR = 0.3
"""How far the pieces are put apart, as the slider has it."""


def cancels_making():
    """Esc stops Make Pieces, and all is as it was."""
    before = state()
    screen.click_and_key(panel.steady("Make Pieces"), "Escape")
    panel.reports("Cancelled; nothing was changed.")
    until(lambda s: not s["busy"], "the end of what was cancelled")
    time.sleep(1)
    after = state()
    for key in ("objects", "seams", "pieces", "joints", "said", "hidden", "selected"):
        assert after[key] == before[key], (key, before[key], after[key])


def makes_pieces():
    """The pieces are made, numbered and listed; all checks hold."""
    panel.works("Make Pieces", lambda s: s["pieces"], MAKING)
    count = len(state()["pieces"])
    assert count == len(state()["seams"]) + 1
    assert state()["hidden"]
    says(f"{count} pieces", "all checks hold")


def slides_explode():
    """The pieces move apart while the slider is pulled, and stay where its number says."""
    before = state()["pieces"]
    left, top = panel.value_of("Explode")
    # From well within the field: at its end a press would step its value.
    screen.slide((left - 20, top), lambda: state()["explode"])
    until(lambda s: s["explode"] and s["pieces"] != before, "the pieces apart")
    panel.brings(
        lambda: panel.type_into("Explode", f"{FAR:g}"),
        lambda s: [round(far, 3) for far in s["explode"]] == [FAR],
        "the number typed",
        seconds=8,
    )


def undoes_and_redoes():
    """Ctrl Z puts the pieces back together, takes them away; Shift Ctrl Z brings them back."""
    exploded = state()
    screen.move(over_view())
    if exploded["explode"]:
        undone(lambda s: not s["explode"] and s["pieces"], "the pieces together", "ctrl+z")
    undone(lambda s: not s["pieces"] and not s["hidden"], "the undone pieces", "ctrl+z")
    assert state()["seams"] == exploded["seams"]
    undone(lambda s: s["pieces"] and s["hidden"], "the redone pieces", "ctrl+shift+z")
    if exploded["explode"]:
        again = "ctrl+shift+z"
        undone(lambda s: s["pieces"] == exploded["pieces"], "the pieces apart again", again)


def undone(wanted, what, key):
    """Press a key until something is so: a slider may have been set more than once."""
    panel.brings(lambda: screen.keys(key), wanted, what, seconds=4)


def picks_a_piece():
    """A click on a row of the pieces' list selects that piece and brings it before the viewer."""
    name = sorted(state()["pieces"])[-1]
    before = state()["view"]
    panel.select(name, name.removeprefix("Figure "))
    until(lambda s: s["view"] != before, "the view of it")
    assert state()["selected"] == [name]
    until(lambda s: inside(s, s["points"][name]["origin"]), "the piece in the view")
    screen.step_picture("picked-piece")
    # All of them again, for what comes.
    screen.move(over_view())
    screen.keys("Home")


def inside(seen, place):
    """Whether a place is in the viewport."""
    left, top, width, height = seen["regions"]["WINDOW"]
    return left <= place[0] <= left + width and top <= place[1] <= top + height


def plans_builds():
    """Plan Builds says how many builds there are and at least must be."""
    panel.unfold("Builds", "Plan Builds")
    panel.works("Plan Builds", lambda s: s["builds"], MAKING)
    says("Next: Write Files")


def writes_files():
    """The files are written through Blender's own file window."""
    panel.press("Write Files")
    confirm_file_window("Write Files")
    screen.until((panel.result() / "parts.csv").is_file, "the result folder", MAKING)
    until(lambda s: s["written"] and not s["busy"], "the end of it")
    says("Files written to")


def saves_the_job():
    """The job is saved through the file window, and is what went with the files."""
    panel.press("Save Job")
    confirm_file_window("Save Job")
    saved = panel.result().parent / "Figure.toml"
    screen.until(saved.is_file, "the job file")
    ours, theirs = (
        path.read_text(encoding="utf-8") for path in (saved, panel.result() / "job.toml")
    )
    assert ours == theirs, (ours, theirs)


def confirm_file_window(label):
    """Press the button of the window that asks for a file."""
    box = until(file_window, "the file window")
    time.sleep(1)
    screen.click(screen.until(lambda: screen.spot(label, box, alone=True), f"its '{label}'"))
    until(lambda s: file_window(s) is None, "the closed file window")


def file_window(seen):
    """The box of the window that asks for a file, or None."""
    return panel.window_with("FILE_BROWSER", seen)


def shows_the_place():
    """A seam moved off the figure stops Make Pieces; the sentence's button shows where."""
    name = next(iter(state()["seams"]))
    before = state()
    panel.select(name)
    screen.move(over_view())
    screen.keys("g", "z")
    screen.type_text("900")
    screen.keys("Return")
    until(lambda s: s["objects"][name][2] > 800, "the seam above the figure")
    panel.works("Make Pieces", lambda s: f"'{name}'" in s["said"]["pieces_found"], 60)
    print("     ", state()["said"]["pieces_found"])
    # The error stands at the pointer, over the panel, until the pointer leaves it.
    screen.move(over_view())
    time.sleep(0.5)
    press("Show Place", lambda s: s["said"]["place_of"])
    until(lambda s: s["view"] != before["view"], "the view of the place")
