"""The window test's steps on the figure, its seams and their joints."""

import time

import panel
import screen
from panel import STRIP, over_view, press, says, state, until
from places import HEIGHT, TALL, at, places

FRONT = [0.707, 0.707, 0.0, 0.0]
"""The view's rotation as one looks from the front."""


def opens():
    """The sidebar opens with the N key; its tab is there; nothing is chosen yet."""
    screen.move(over_view())
    panel.brings(
        lambda: screen.keys("n"),
        lambda s: s["regions"]["UI"][2] > 50,
        "the sidebar",
    )
    left, top, width, height = wider()
    strip = (left + width - STRIP, top, STRIP, height)
    # Blender 4 has the letters of its tabs run upwards, Blender 5 downwards.
    place = screen.until(
        lambda: (
            screen.find("Seamwright", screen.read(strip, 90, screen.DIM))
            or screen.find("Seamwright", screen.read(strip, -90, screen.DIM))
        ),
        "the tab",
    )
    screen.click(place)
    # The pointer may have come upon what turns the view.
    panel.brings(from_front, lambda s: s["turn"] == FRONT, "the view from the front", seconds=5)
    says("Use Selected", "Draw Seam", "Make Pieces", "Write Files")


def from_front():
    """Look from the front, as the numpad's 1 does."""
    screen.move(over_view())
    if state()["turn"] != FRONT:
        screen.keys("KP_1")


def wider():
    """Drag the sidebar's edge, as its sentences want more room. Where it is grasped depends
    on the Blender."""
    for aside in (0, 6, 7, 5, 8, -1, 1, 0, 6, 7):
        left, top, width, _height = at_rest()
        # Where it shows something: elsewhere the pointer is over the view.
        screen.drag((left + aside, top + 30), (left - 130, top + 30))
        time.sleep(1)
        if state()["regions"]["UI"][2] > width + 60:
            return state()["regions"]["UI"]
    raise screen.Missing("The sidebar's edge cannot be dragged.")


def at_rest():
    """The box of the sidebar, which slides in."""
    last = None
    while last != (last := state()["regions"]["UI"]):
        time.sleep(1)
    return last


def says_what_is_wrong():
    """With nothing selected there is no figure to use: one sentence says so."""
    press("Use Selected")
    panel.reports("Nothing is selected; select the figure's object.")
    assert state()["figure"] == ""


def takes_the_figure():
    """A click selects the figure; the button takes it; its height is typed."""
    panel.brings(
        lambda: screen.click(at(*places().body)),
        lambda s: s["active"] == "Figure",
        "the selected figure",
    )
    press("Use Selected", lambda s: s["figure"] == "Figure")
    panel.brings(
        lambda: panel.choose(panel.value_of("Size"), "Target Height"),
        lambda s: s["size"][0] == "HEIGHT",
        "the size by height",
    )
    panel.brings(
        lambda: panel.type_into("Target Height (mm)", f"{TALL:g}"),
        lambda s: s["size"][1] == TALL,
        "the target height",
        seconds=8,
    )


def draws_a_seam():
    """A stroke dragged across a limb makes a seam there, which takes that limb alone."""
    name = draw(places().limb, 1)
    seam = state()["objects"][name]
    assert abs(seam[2] - places().limb[1] * HEIGHT) < 0.02 * HEIGHT, seam
    until(lambda s: s["live"] and s["live"][0].startswith("1 region of "), "its section")
    assert state()["active"] == name


def draw(stroke, count):
    """Draw a stroke across limbs; there are so many seams afterwards. Returns the new one."""
    seams, shown = state()["seams"], f"while-drawing-{count}"

    def act():
        # Whatever an earlier try began.
        screen.keys("Escape")
        panel.press("Draw Seam")
        panel.reports("Drag across")
        screen.drag(at(*stroke[:2]), at(*stroke[2:]), lambda: screen.step_picture(shown))

    panel.brings(act, lambda s: len(s["seams"]) == count, "the drawn seam")
    (name,) = state()["seams"].keys() - seams.keys()
    assert state()["seams"][name] == ["MESH", "auto"]
    return name


def draws_while_sculpting():
    """The same from Sculpt Mode, across a leg, and Sculpt Mode stays."""
    panel.brings(
        lambda: screen.click(at(*places().body)),
        lambda s: s["active"] == "Figure",
        "the selected figure",
    )
    to_mode("Sculpt Mode", "SCULPT")
    draw(places().legs, 2)
    assert state()["mode"] == "SCULPT"
    to_mode("Object Mode", "OBJECT")


def to_mode(item, mode):
    """Choose a mode from the viewport's header."""
    left, top, _width, height = state()["regions"]["HEADER"]
    panel.brings(
        lambda: panel.choose((left + 100, top + height / 2), item),
        lambda s: s["mode"] == mode,
        item,
        seconds=8,
    )


def draws_a_line_seam():
    """A line seam is laid round a limb, where the 3D cursor is put."""
    set_cursor(places().ring)
    panel.brings(
        lambda: panel.choose(panel.steady("Add Line Seam"), "Ring at 3D Cursor"),
        lambda s: len(s["seams"]) == 3,
        "the line seam",
    )
    assert sorted(kind for kind, _joint in state()["seams"].values()) == ["CURVE", "MESH", "MESH"]


def set_cursor(place):
    """Put the 3D cursor on the figure with Shift and the right button.

    On a busy machine a modifier may come too late for its click, which then opens a menu.
    """
    for _ in range(4):
        screen.click(at(*place), button=3, shift=True)
        time.sleep(1.5)
        if abs(state()["cursor"][2] - place[1] * HEIGHT) < 6:
            return
        screen.keys("Escape")
    raise screen.Missing("The 3D cursor does not go where it is put.")


def moves_a_seam():
    """While a seam is moved along the limb with G, its section follows; confirmed, it stays."""
    name = next(iter(state()["seams"]))
    panel.select(name)
    until(lambda s: s["live"], "its section")
    before, place = state()["objects"][name][2], over_view()
    screen.move(place)
    screen.keys("g", "z")
    far = places().moved * (at(0, 0)[1] - at(0, 1)[1])
    last = state()["live"]
    for share in range(1, 6):
        screen.move((place[0], place[1] - share / 5 * far))
        last = until(lambda s, last=last: followed(s, name, last), "the section that follows")
    screen.step_picture("while-moving")
    screen.keys("Return")
    until(lambda s: s["objects"][name][2] - before > 0.5 * places().moved * HEIGHT, "its place")
    until(lambda s: s["live"] and s["live"][0].startswith("1 region of "), "its section")


def followed(seen, name, last):
    """What is said of a moved seam's section once it is where the seam is, and not `last`."""
    live = seen["live"]
    if not live or live == last or not live[0].startswith("1 region of "):
        return None
    return live if abs(live[1][2] - seen["objects"][name][2]) < 1e-3 * HEIGHT else None


def sets_a_joint():
    """The active seam's joint is chosen from its menu: flat, and automatic again."""
    for item, value in (("Flat, Glued", "plain"), ("Automatic", "auto")):
        set_joint(item, value)


def set_joint(item, value):
    """Choose the active seam's joint from its menu."""
    name = state()["active"]
    panel.brings(
        lambda: panel.choose(panel.value_of("Kind"), item),
        lambda s: s["seams"][name][1] == value,
        f"the joint '{item}'",
        seconds=8,
    )


def sizes_the_joints():
    """Size Joints lists a joint of every seam, with how it holds, and the panel says so."""
    panel.works("Size Joints", lambda s: s["joints"], 90)
    joints = state()["joints"]
    assert {seam for _letter, seam, _state in joints} == set(state()["seams"]), joints
    says(*(word for _letter, _seam, word in joints))
