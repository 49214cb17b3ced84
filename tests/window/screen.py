"""Hands and eyes on a screen without a monitor: mouse and keys by xdotool, reading by OCR.

Places are pixels from the top left of the screen; a box is (left, top, width, height).
"""

import difflib
import json
import os
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

SIZE = (1600, 1000)
FOLDER = Path()
"""Where pictures go; set by `drive.py`."""
ENLARGED = (3, 4, 2)
"""How many times a part of the screen is enlarged before it is read, at each try."""
LEVELS, DIM = "50%,90%", "25%,75%"
"""What becomes black and what white: Blender's buttons are below, its letters between. The
letters of tabs behind are dimmer."""
BESIDE = 3
"""Letters beside a phrase that may be a button's icon, read as such."""
BESIDE_ROW = 8
"""Pixels that words of one row of a list may be higher or lower than each other."""
LOOKS_LIKE = str.maketrans("oil", "011")
ALIKE = 0.8
"""Share of equal letters from which a read word counts as the one looked for."""


# Its threads wait for each other longer than they help on so few letters.
os.environ["OMP_THREAD_LIMIT"] = "1"


JOINED = 0.95
"""The same where words were read as one, or one as two: of such runs there are more."""


class Missing(Exception):
    """What was looked for on the screen is not there."""


@dataclass(frozen=True)
class Word:
    """One word read from the screen: its text, its box, and the line it stands in."""

    text: str
    box: tuple[float, float, float, float]
    line: tuple[int, ...]


def run(*command, **options):
    """Run a command to its end and return what it printed."""
    done = subprocess.run([*map(str, command)], check=True, capture_output=True, **options)
    return done.stdout


def xdotool(*words):
    """Send mouse and key events, with a short wait for them to be taken."""
    run("xdotool", *words)
    time.sleep(0.15)


def move(place):
    """Move the pointer, in two steps as a hand would, so that what is under it lights up."""
    x, y = (round(v) for v in place)
    xdotool("mousemove", x - 3, y - 2)
    xdotool("mousemove", x, y)


def click(place, button=1, *, shift=False, double=False):
    """Press and release a mouse button at a place."""
    move(place)
    if shift:
        xdotool("keydown", "Shift_L")
        time.sleep(0.5)
    xdotool("click", *(["--repeat", 2, "--delay", 60] if double else []), button)
    time.sleep(0.5)
    if shift:
        xdotool("keyup", "Shift_L")


def click_and_key(place, key):
    """Click at a place and press a key at once after it, before what was begun can end."""
    move(place)
    xdotool("click", 1, "sleep", 0.15, "key", key)


def drag(start, end, amid=lambda: None):
    """Press at one place, release at another; `amid` is called before that.

    A busy Blender takes a press to be where the pointer is by then, so it waits a while.
    """
    move(start)
    xdotool("mousedown", 1)
    time.sleep(0.8)
    glide(start, end, 5)
    time.sleep(0.4)
    amid()
    xdotool("mouseup", 1)
    time.sleep(0.4)


def slide(start, is_enough):
    """Press at a place and pull to the right, a little at a time, until it is enough."""
    x, y = (round(v) for v in start)
    move(start)
    xdotool("mousedown", 1)
    try:
        for aside in range(3, 90, 3):
            xdotool("mousemove", x + aside, y)
            if is_enough():
                return
            time.sleep(0.1)
    finally:
        xdotool("mouseup", 1)
    raise Missing("what is pulled to the right does not move")


def glide(start, end, steps):
    """Move the pointer along a line, as a hand would."""
    for step in range(1, steps + 1):
        share = step / steps
        xdotool("mousemove", *(round(a + share * (b - a)) for a, b in zip(start, end, strict=True)))


def wheel(place, clicks):
    """Turn the wheel: down for a positive count."""
    move(place)
    xdotool("click", "--repeat", abs(clicks), "--delay", 40, 5 if clicks > 0 else 4)
    time.sleep(0.4)


def keys(*names):
    """Press keys one after another, such as "g", "z", "Return", "ctrl+z"."""
    for name in names:
        xdotool("key", name)
    time.sleep(0.3)


def type_text(text):
    """Type letters and digits."""
    xdotool("type", "--delay", 40, "--", text)


def picture(path, box=None):
    """Save the screen, or a box of it, as a PNG."""
    crop = [] if box is None else ["-crop", geometry(box), "+repage"]
    run("import", "-window", "root", *crop, path)
    return Path(path)


def step_picture(name, box=None):
    """Save the screen, or a box of it, as it is amid a step."""
    picture(FOLDER / f"{name}.png", box)


def geometry(box):
    """A box as ImageMagick has it."""
    left, top, width, height = (round(v) for v in box)
    return f"{width}x{height}+{left}+{top}"


def read(box, turn=0, levels=LEVELS, enlarged=ENLARGED[0]):
    """The words in a box of the screen; `turn` is 90 for text that runs upwards, -90 downwards.

    Blender's light text on grey is enlarged and turned to dark on light, which is what the
    reader was trained on.
    """
    shot = run("import", "-window", "root", "-crop", geometry(box), "+repage", "png:-")
    image = run(
        "convert", "png:-", "-colorspace", "Gray", "-rotate", turn, "-resize", f"{enlarged}00%",
        "-level", levels, "-negate", "png:-", input=shot,
    )  # fmt: skip
    table = run("tesseract", "-", "-", "--psm", 11, "-l", "eng", "tsv", input=image).decode()
    left, top, width, height = box
    words = []
    for row in table.splitlines()[1:]:
        cells = row.split("\t")
        if len(cells) < 12 or not cells[11].strip() or float(cells[10]) < 0:
            continue
        x, y, w, h = (int(v) / enlarged for v in cells[6:10])
        if turn == 90:
            x, y, w, h = y, height - x - w, h, w
        elif turn == -90:
            x, y, w, h = width - y - h, x, h, w
        line = tuple(int(v) for v in cells[2:5])
        words.append(Word(cells[11].strip(), (left + x, top + y, w, h), line))
    return words


def text(words):
    """Words as lines of text, from top to bottom."""
    lines = {}
    for word in words:
        lines.setdefault(word.line, []).append(word)
    rows = sorted(lines.values(), key=lambda row: min(w.box[1] for w in row))
    return "\n".join(" ".join(w.text for w in sorted(r, key=lambda w: w.box[0])) for r in rows)


def find(phrase, words, *, alone=False):
    """The middle of a phrase among words, or None. Small misreadings are allowed for.

    Where it is read more than once, the line with least beside it is taken: that is a button
    or a label, not a sentence that names it. `alone` takes no line with more words beside it.
    """
    wanted = phrase.split()
    lines = {}
    for word in words:
        lines.setdefault(word.line, []).append(word)
    best = None
    for line in lines.values():
        row = sorted(line, key=lambda w: w.box[0])
        letters = len(plain(text(line)))
        if alone and letters > len(plain(phrase)) + BESIDE:
            continue
        for some, share in runs(row, wanted):
            rank = (letters, -share)
            if share >= ALIKE and (best is None or rank < best[0]):
                best = (rank, some)
    if best is None:
        return None
    left = min(w.box[0] for w in best[1])
    right = max(w.box[0] + w.box[2] for w in best[1])
    y = sum(w.box[1] + w.box[3] / 2 for w in best[1]) / len(best[1])
    return ((left + right) / 2, y)


def runs(row, wanted):
    """Runs of a row's words, each with how alike it is to the wanted words, from 0 to 1. Words
    may be read as one, or one as two."""
    for start in range(len(row)):
        for count in (len(wanted) - 1, len(wanted), len(wanted) + 1):
            some = row[start : start + count]
            if count == len(wanted) == len(some):
                yield some, min(like(w.text, p) for w, p in zip(some, wanted, strict=True))
            elif 0 < count == len(some):
                joined = like("".join(w.text for w in some), "".join(wanted))
                yield some, joined if joined >= JOINED else 0.0


def find_row(name, states, words):
    """The middle of a name among words that has one of some states to its right, in the same
    row; of several the uppermost. None if there is none."""
    best = None
    for word in words:
        x, y, w, h = word.box
        beside = any(
            max(like(other.text, state) for state in states) >= ALIKE
            and other.box[0] > x + w
            and abs(other.box[1] + other.box[3] / 2 - y - h / 2) < BESIDE_ROW
            for other in words
        )
        if beside and plain(word.text) == plain(name) and (best is None or y < best[1]):
            best = (x + w / 2, y + h / 2)
    return best


def spot(phrase, box, *, alone=False, levels=LEVELS):
    """The middle of a phrase in a box of the screen, read at one size after another, or None."""
    for enlarged in ENLARGED:
        place = find(phrase, read(box, levels=levels, enlarged=enlarged), alone=alone)
        if place is not None:
            return place
    return None


def plain(text):
    """Letters and digits alone, small, and letters that look like digits as those digits."""
    return "".join(c for c in text.lower() if c.isalnum()).translate(LOOKS_LIKE)


def like(read, wanted):
    """How alike two words are, from 0 to 1; different numbers are not alike at all."""
    a, b = plain(read), plain(wanted)
    if any(c.isdigit() for c in wanted) and a != b:
        return 0.0
    return difflib.SequenceMatcher(None, a, b).ratio() if a and b else float(a == b)


def until(found, what, seconds=30.0):
    """Ask again and again until something is found; raise `Missing` after a while."""
    end = time.monotonic() + seconds
    while True:
        value = found()
        if value:
            return value
        if time.monotonic() > end:
            raise Missing(f"{what}: not there after {seconds:g} s")
        time.sleep(0.3)


def state(path):
    """What the probe wrote last."""
    return json.loads(Path(path).read_text(encoding="utf-8"))
