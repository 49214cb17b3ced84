"""The add-on's panel as a user has it: read from the screen, scrolled, and its buttons pressed."""

import time
from pathlib import Path

import screen

STRIP = 24
"""Width of the strip of tabs at the sidebar's edge, pixels."""
STATES = ("unsized", "holds", "weak", "plain", "misses", "fits", "misfit", "old")
"""What the panel's lists say of seams, joints and pieces."""
STATE = Path("state.json")
"""What the probe writes; set by `drive.py`."""


def state():
    """What the probe last saw."""
    return screen.state(STATE)


def result():
    """The folder that the files are written to."""
    return screen.FOLDER / "Figure-pieces"


def until(wanted, what, seconds=30.0):
    """Wait until the probe sees something; `wanted` gets its state."""
    return screen.until(lambda: wanted(state()), what, seconds)


def brings(act, wanted, what, *, seconds=20.0, tries=3):
    """Do what is safe to do again until the probe sees what it should bring about."""
    for left in reversed(range(tries)):
        try:
            act()
            return until(wanted, what, seconds)
        except screen.Missing as error:
            if not left:
                raise
            print(f"      again: {error}", flush=True)
            # A menu or a tip that was not meant to be open.
            screen.move(over_view())


def over_view():
    """A place over the viewport, away from everything, so that keys go there."""
    left, top, _width, height = state()["regions"]["WINDOW"]
    return (left + 200, top + height - 150)


def sidebar():
    """The box of the sidebar without its tabs."""
    left, top, width, height = state()["regions"]["UI"]
    return (left, top, width - STRIP, height)


def scrolled(clicks):
    """Turn the wheel over the panel: down for a positive count."""
    left, top, width, height = sidebar()
    screen.wheel((left + width / 2, top + height / 2), clicks)


def pages(enlarged=screen.ENLARGED[0]):
    """The panel read from its top to its end, a page at a time."""
    scrolled(-60)
    last = None
    while True:
        words = screen.read(sidebar(), enlarged=enlarged)
        said = screen.text(words)
        if said == last:
            return
        yield words
        last = said
        scrolled(12)


def text(enlarged=screen.ENLARGED[0]):
    """All that the panel says, in one line. Pages overlap, so a line may be there twice."""
    return " ".join(screen.text(words) for words in pages(enlarged)).replace("\n", " ")


def seek(phrase, *, alone=False):
    """Where a phrase of the panel is; it is scrolled to if it is not to be seen."""
    for enlarged in screen.ENLARGED:
        place = screen.find(phrase, screen.read(sidebar(), enlarged=enlarged), alone=alone)
        if place is not None:
            return place
        for words in pages(enlarged):
            place = screen.find(phrase, words, alone=alone)
            if place is not None:
                return place
    raise screen.Missing(f"The panel has no '{phrase}'.")


def press(label, wanted=None, **more):
    """Click the button with a label; again until something is so, if that is given."""

    def act():
        screen.click(steady(label))

    if wanted is None:
        act()
    else:
        brings(act, wanted, f"what '{label}' brings", **more)


def steady(label, *, alone=True):
    """Where a label is, once the panel has come to rest: what changes may move it meanwhile."""
    for _ in range(5):
        x, y = seek(label, alone=alone)
        left, _top, width, _height = sidebar()
        strip = (left, y - 16, width, 32)
        for enlarged in screen.ENLARGED:
            if screen.find(label, screen.read(strip, enlarged=enlarged), alone=alone):
                return (x, y)
    raise screen.Missing(f"'{label}' does not come to rest.")


def works(label, done, seconds):
    """Press a button that begins long work, and wait until it ended so."""
    press(label, lambda s: s["busy"] or done(s), seconds=10)
    until(lambda s: not s["busy"] and done(s), f"what '{label}' brings", seconds)


def unfold(heading, inside):
    """Open a part of the panel by its heading, if what is inside is not to be seen yet."""
    for _ in range(4):
        if any(screen.find(inside, words, alone=True) for words in pages()):
            return
        press(heading)
        time.sleep(1.0)
    raise screen.Missing(f"'{heading}' does not open: '{inside}' is not there.")


def choose(place, item):
    """Open the menu of the button at a place and click one of its items."""
    screen.click(place)
    left, top = max(0, place[0] - 300), max(0, place[1] - 300)
    box = (left, top, min(600, screen.SIZE[0] - left), min(600, screen.SIZE[1] - top))
    screen.click(screen.until(lambda: screen.spot(item, box), f"menu item '{item}'", 15))


def select(name, short=None):
    """Click an object's row in one of the panel's lists, where it may have a shorter name."""
    brings(
        lambda: screen.click(row(short or name)),
        lambda s: s["active"] == name,
        f"the row of '{name}'",
        seconds=8,
    )


def row(name):
    """Where a row of a list is: it says how something is beside its name."""
    for enlarged in screen.ENLARGED:
        for words in pages(enlarged):
            place = screen.find_row(name, STATES, words)
            if place is not None:
                return place
    raise screen.Missing(f"The panel has no row '{name}'.")


def value_of(label):
    """The place of the value that stands to the right of a label."""
    place = steady(label, alone=False)
    left, _top, width, _height = sidebar()
    return (left + 0.75 * width, place[1])


def type_into(label, text):
    """Type into the field beside a label."""
    screen.click(value_of(label), double=True)
    screen.keys("ctrl+a")
    screen.type_text(text)
    screen.keys("Return")


def says(*phrases):
    """Check that the panel says these words, and return all it says, as far as reading goes.

    A word may be misread at one size, and is then read at others.
    """
    said = ""
    for enlarged in screen.ENLARGED:
        said += text(enlarged) + "\n"
        if all(screen.plain(phrase) in screen.plain(said) for phrase in phrases):
            return said
    raise screen.Missing(f"The panel does not say {phrases}. It says: {said}")


def reports(sentence):
    """Check that Blender's status bar says what an operator reported, or is at."""
    width, height = screen.SIZE
    box = (0, height - 26, width, 26)
    screen.until(
        lambda: (
            screen.spot(sentence, box, levels=screen.DIM)
            or screen.spot(sentence, box, levels=screen.LEVELS)
        ),
        f"the report '{sentence}'",
        10,
    )


def window_with(kind, seen):
    """The box on the screen of the window that has a kind of editor, or None."""
    for left, foot, width, height, kinds in seen["windows"]:
        if kind in kinds:
            return (left, screen.SIZE[1] - foot - height, width, height)
    return None
