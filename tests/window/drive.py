"""The window test itself, run inside the folder with the Debian that has the Blender.

    python3 drive.py ZIP FOLDER [STL]

The zip is installed by Blender's own command line; then a Blender with a window is driven by
mouse and keys alone, and what its panel says is read from the screen and held against what
the library says of the same figure and job. Pictures and the log stay in FOLDER.
"""

import csv
import functools
import json
import os
import re
import shutil
import subprocess
import sys
import time
import traceback
from pathlib import Path

import screen

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
ZIP, FOLDER = (Path(word).resolve() for word in sys.argv[1:3])
GIVEN = [Path(word).resolve() for word in sys.argv[3:4]]
STATE = FOLDER / "state.json"
RESULT = FOLDER / "Figure-pieces"
WAIST, NECK = 0.55, 0.83
"""Where seams are put, as shares of the figure's height."""
HEIGHT = 320.0
"""Height of the figure as `figure.py` makes it, mm."""
TALL = 300.0
"""Height the figure is to be printed at, mm."""
STRIP = 24
"""Width of the strip of tabs at the sidebar's edge, pixels."""


# --- what there is -------------------------------------------------------------------------


def state():
    """What the probe last saw."""
    return screen.state(STATE)


def until(wanted, what, seconds=30.0):
    """Wait until the probe sees something; `wanted` gets its state."""
    return screen.until(lambda: wanted(state()), what, seconds)


def panel():
    """The box of the sidebar without its tabs."""
    left, top, width, height = state()["regions"]["UI"]
    return (left, top, width - STRIP, height)


def on_figure(share):
    """A place on the window in the middle of the figure, at a share of its height."""
    points = state()["points"]["Figure"]
    (left, foot), (right, head) = points["low"], points["high"]
    return ((left + right) / 2, foot + share * (head - foot))


def over_view():
    """A place over the viewport, away from everything, so that keys go there."""
    left, top, _width, height = state()["regions"]["WINDOW"]
    return (left + 200, top + height - 150)


# --- the panel -----------------------------------------------------------------------------


def pages(enlarged=screen.ENLARGED[0]):
    """The panel read from its top to its end, a page at a time, scrolled with the wheel."""
    box = panel()
    middle = (box[0] + box[2] / 2, box[1] + box[3] / 2)
    screen.wheel(middle, -60)
    last = None
    while True:
        words = screen.read(box, enlarged=enlarged)
        said = screen.text(words)
        if said == last:
            return
        yield words
        last = said
        screen.wheel(middle, 12)


def panel_text(enlarged=screen.ENLARGED[0]):
    """All that the panel says, in one line. Pages overlap, so a line may be there twice."""
    return " ".join(screen.text(words) for words in pages(enlarged)).replace("\n", " ")


def seek(phrase, *, alone=False):
    """Scroll the panel to a phrase and return where it is."""
    for enlarged in screen.ENLARGED:
        for words in pages(enlarged):
            place = screen.find(phrase, words, alone=alone)
            if place is not None:
                return place
    raise screen.Missing(f"The panel has no '{phrase}'.")


def press(label):
    """Click the button with a label."""
    screen.click(seek(label, alone=True))


def unfold(heading, inside):
    """Open a part of the panel by its heading, if what is inside is not to be seen yet."""
    for _ in range(4):
        if any(screen.find(inside, words) for words in pages()):
            return
        press(heading)
        time.sleep(1.5)
    raise screen.Missing(f"'{heading}' does not open: '{inside}' is not there.")


def choose(label, item):
    """Open the menu of a labelled button and click one of its items."""
    place = seek(label, alone=True)
    screen.click(place)
    pick(item, place)


def pick(item, near):
    """Click an item of the menu that is open near a place."""
    left = max(0, near[0] - 420)
    box = (left, 0, min(840, screen.SIZE[0] - left), screen.SIZE[1])
    place = screen.until(lambda: screen.spot(item, box), f"menu item '{item}'")
    screen.click(place)


def value_of(label):
    """The place of the value that stands to the right of a label."""
    place = seek(label)
    left, _top, width, _height = panel()
    return (left + 0.75 * width, place[1])


def says(*phrases):
    """Check that the panel says these words, and return all it says, as far as reading goes.

    A word may be misread at one size, and is then read at others.
    """
    said = ""
    for enlarged in screen.ENLARGED:
        said += panel_text(enlarged) + "\n"
        if all(screen.plain(phrase) in screen.plain(said) for phrase in phrases):
            return said
    raise screen.Missing(f"The panel does not say {phrases}. It says: {said}")


# --- the steps -----------------------------------------------------------------------------


def opens():
    """The sidebar opens with the N key; its tab is there; nothing is chosen yet."""
    screen.move(over_view())
    screen.keys("n")
    until(lambda s: s["regions"]["UI"][2] > 50, "the sidebar")
    time.sleep(2)
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
    says("No figure is chosen")


def wider():
    """Drag the sidebar's edge, as its sentences want more room. Where it is grasped depends
    on the Blender."""
    for aside in (0, 6, 7, 5, 8, -1, 1):
        left, top, width, _height = state()["regions"]["UI"]
        screen.drag((left + aside, top + 30), (left - 130, top + 30))
        time.sleep(1)
        if state()["regions"]["UI"][2] > width + 60:
            return state()["regions"]["UI"]
    raise screen.Missing("The sidebar's edge cannot be dragged.")


def takes_the_figure():
    """A click selects the figure; the button takes it; its height is typed."""
    screen.click(on_figure(WAIST))
    until(lambda s: s["active"] == "Figure", "the selected figure")
    press("Use Selected")
    until(lambda s: s["figure"] == "Figure", "the figure")
    says("Figure: 0 seams, 0 pieces")
    place = value_of("Size")
    screen.click(place)
    pick("Target Height", place)
    until(lambda s: s["size"][0] == "HEIGHT", "the size by height")
    screen.click(value_of("Target Height (mm)"), double=True)
    screen.keys("ctrl+a")
    screen.type_text(f"{TALL:g}")
    screen.keys("Return")
    until(lambda s: s["size"][1] == TALL, "the target height")


def set_cursor(share):
    """Put the 3D cursor on the figure with Shift and the right button, at a share of its height.

    On a busy machine a modifier may come too late for its click, which then opens a menu.
    """
    for _ in range(4):
        screen.click(on_figure(share), button=3, shift=True)
        time.sleep(1.5)
        if abs(state()["cursor"][2] - share * HEIGHT) < 6:
            return
        screen.keys("Escape")
    raise screen.Missing("The 3D cursor does not go where it is put.")


def draws_a_seam():
    """The 3D cursor is set on the figure with the mouse, and a seam put there."""
    set_cursor(WAIST)
    press("Add at Cursor")
    until(lambda s: s["seams"] == {"Seam": ["MESH", "auto"]}, "the seam")
    says("Figure: 1 seam, 0 pieces")


def moves_it():
    """The seam is moved up by 10 mm as any object is, with G, Z and a number."""
    before = state()["objects"]["Seam"]
    screen.move(over_view())
    screen.keys("g", "z")
    screen.type_text("10")
    screen.keys("Return")
    until(lambda s: abs(s["objects"]["Seam"][2] - before[2] - 10) < 1e-3, "the moved seam")


def sets_a_joint():
    """The joint is chosen from its menu: flat, and automatic again."""
    unfold("Joint of Seam", "Kind")
    set_joint("Flat, Glued", "plain")
    set_joint("Automatic", "auto")
    set_joint("Flat, Glued", "plain")


def set_joint(item, value):
    """Choose the active seam's joint from its menu."""
    place = value_of("Kind")
    screen.click(place)
    pick(item, place)
    until(lambda s: s["seams"]["Seam"][1] == value, f"the joint '{item}'")


def makes_flat_pieces():
    """The pieces are made, and the panel says so."""
    press("Make Pieces")
    until(lambda s: s["pieces"], "the pieces", 240)
    count = len(state()["pieces"])
    says(f"Figure: 1 seam, {count} pieces", f"{count} pieces", "all checks hold", "without a peg")


def undoes():
    """Ctrl Z takes the pieces away and gives the figure back; the seam stays."""
    screen.move(over_view())
    screen.keys("ctrl+z")
    until(lambda s: not s["pieces"] and not s["hidden"], "the undone pieces")
    assert list(state()["seams"]) == ["Seam"]
    says("Figure: 1 seam, 0 pieces")
    set_joint("Automatic", "auto")


def draws_a_line_seam():
    """A line seam is laid round the neck, where the 3D cursor is put."""
    set_cursor(NECK)
    choose("Add Line Seam", "Ring at 3D Cursor")
    until(lambda s: len(s["seams"]) == 2, "the line seam", 60)
    assert sorted(kind for kind, _joint in state()["seams"].values()) == ["CURVE", "MESH"]


def makes_pieces():
    """The pieces are made with both seams."""
    press("Make Pieces")
    until(lambda s: s["pieces"], "the pieces", 240)
    time.sleep(1)
    said = says(f"Figure: 2 seams, {len(state()['pieces'])} pieces", "all checks hold")
    (FOLDER / "panel.txt").write_text(said, encoding="utf-8")


def writes_files():
    """The files are written through Blender's own file window."""
    press("Write Files")
    box = until(file_window, "the file window")
    time.sleep(2)
    button = screen.until(lambda: screen.spot("Write Files", box, alone=True), "its button")
    screen.click(button)
    screen.until((RESULT / "parts.csv").is_file, "the result folder", 240)
    says("Files written to")


def file_window(seen):
    """The box on the screen of the window that asks for a file, or None."""
    for left, foot, width, height, kinds in seen["windows"]:
        if "FILE_BROWSER" in kinds:
            return (left, screen.SIZE[1] - foot - height, width, height)
    return None


def agrees_with_the_library():
    """The library, run without Blender on the same triangles, makes the same of the job."""
    packages = sorted(Path.home().glob(".config/blender/*/extensions/.local/lib/*/site-packages"))
    paths = [str(ROOT / "lib"), *map(str, packages)]
    done = subprocess.run(
        [sys.executable, HERE / "library.py", RESULT / "job.toml", FOLDER / "figure.stl"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    ours = json.loads(done.stdout.splitlines()[-1])
    (FOLDER / "library.json").write_text(json.dumps(ours, indent=1), encoding="utf-8")
    assert ours["pieces"] == len(state()["pieces"]) > 2
    assert any(ours["pegs"].values()), "no joint has a peg"
    read = screen.plain((FOLDER / "panel.txt").read_text(encoding="utf-8"))
    words = f"{ours['pieces']} pieces, {len(ours['pegs'])} joints; all checks hold"
    assert screen.plain(words) in read, read
    with (RESULT / "parts.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    volume = next(key for key in rows[0] if "volume" in key)
    written = sorted(float(row[volume]) for row in rows)
    reckoned = sorted(v / 1000 if "cm" in volume else v for v in ours["volumes"].values())
    assert len(written) == len(reckoned)
    for a, b in zip(written, reckoned, strict=True):
        # The list is rounded to a thousandth of a cubic centimetre.
        assert abs(a - b) <= 0.001 + 1e-5 * b, (written, reckoned)


def unloads():
    """Switched off by Blender's own command line, it leaves nothing; its file opens without it."""
    saved = FOLDER / "saved.blend"
    screen.move(over_view())
    screen.keys("ctrl+s")
    time.sleep(2)
    shutil.copy(FOLDER / "figure.blend", saved)
    assert "CLEAN" in blender("-b", "--python-exit-code", 7, "-P", HERE / "unload.py")
    code = (
        "import bpy, json; assert not hasattr(bpy.types.Scene, 'seamwright'); "
        "print('NAMES', json.dumps([o.name for o in bpy.data.objects]))"
    )
    said = blender("-b", "--factory-startup", saved, "--python-exit-code", 7, "--python-expr", code)
    names = json.loads(re.search(r"NAMES (.*)", said)[1])
    assert sorted(names) == sorted(state()["objects"]), names


STEPS = (
    opens, takes_the_figure, draws_a_seam, moves_it, sets_a_joint, makes_flat_pieces, undoes,
    draws_a_line_seam, makes_pieces, writes_files, agrees_with_the_library, unloads,
)  # fmt: skip


# --- the run -------------------------------------------------------------------------------


def blender(*words):
    """Run Blender without a window to its end and return what it printed."""
    done = subprocess.run(
        ["blender", *map(str, words)], check=False, capture_output=True, text=True
    )
    if done.returncode:
        raise AssertionError(f"blender {words}: {done.returncode}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def install():
    """Install the zip as a user would from a shell, and see that it loads fast."""
    blender("--command", "extension", "validate", ZIP)
    blender("--command", "extension", "install-file", "-r", "user_default", "-e", ZIP)
    code = (
        "import sys, time, bpy, addon_utils; "
        "name = next(m for m in bpy.context.preferences.addons.keys() if 'seamwright' in m); "
        "addon_utils.disable(name); "
        "[sys.modules.pop(m) for m in list(sys.modules) if m.startswith(name)]; "
        "start = time.perf_counter(); "
        "addon_utils.enable(name); "
        "print('SECONDS', time.perf_counter() - start)"
    )
    said = blender("-b", "--python-exit-code", 7, "--python-expr", code)
    seconds = float(re.search(r"SECONDS ([\d.e-]+)", said)[1])
    print(f"Loading the add-on takes {seconds:.3f} s.", flush=True)
    assert seconds < 0.2


def start():
    """Make the figure, start a screen and a Blender on it."""
    blender("-b", "--factory-startup", "-P", HERE / "figure.py", "--", FOLDER, *GIVEN)
    os.environ.update(DISPLAY=":7", LIBGL_ALWAYS_SOFTWARE="1")
    width, height = screen.SIZE
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    xvfb = subprocess.Popen(["Xvfb", ":7", "-screen", "0", f"{width}x{height}x24"], **quiet)
    screen.until(lambda: Path("/tmp/.X11-unix/X7").exists(), "the screen")
    log = (FOLDER / "blender.log").open("w", encoding="utf-8")
    window = subprocess.Popen(
        ["blender", "-p", "0", "0", str(width), str(height), FOLDER / "figure.blend",
         "-P", HERE / "probe.py", "--", STATE],
        stdout=log, stderr=subprocess.STDOUT,
    )  # fmt: skip
    screen.until(STATE.is_file, "the window", 120)
    assert until(lambda s: s["enabled"], "the add-on in the window")
    time.sleep(3)
    return [window, xvfb]


def main():
    """Run the steps; the first that fails ends the test. Returns the exit code."""
    shutil.rmtree(FOLDER, ignore_errors=True)
    FOLDER.mkdir(parents=True)
    os.environ["HOME"] = str(FOLDER / "home")
    Path(os.environ["HOME"]).mkdir()
    started, passed = [], 0
    try:
        install()
        started = start()
        print(f"Blender {state()['version']}", flush=True)
        for step in STEPS:
            step()
            passed += 1
            # Off the panel, whose tips would lie over it, and till it has come to rest.
            if "UI" in state()["regions"]:
                screen.move(over_view())
                time.sleep(1.5)
            screen.picture(FOLDER / f"{passed:02d}-{step.__name__}.png")
            print(f"ok    {step.__name__}: {step.__doc__.splitlines()[0]}", flush=True)
    except (screen.Missing, AssertionError, subprocess.CalledProcessError):
        traceback.print_exc()
        if started:
            screen.picture(FOLDER / "failed.png")
        print((FOLDER / "blender.log").read_text(encoding="utf-8")[-3000:] if started else "")
    finally:
        for process in started:
            process.terminate()
    failed = len(STEPS) - passed
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


print = functools.partial(print, flush=True)

if __name__ == "__main__":
    sys.exit(main())
