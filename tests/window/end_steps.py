"""The window test's last steps: against the library, preferences, and the add-on's leaving."""

import csv
import json
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import panel
import screen
from panel import over_view, state

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]


def agrees_with_the_library():
    """The library, run without Blender on the same triangles, makes the same of the job."""
    packages = sorted(Path.home().glob(".config/blender/*/extensions/.local/lib/*/site-packages"))
    paths = [str(ROOT / "lib"), *map(str, packages)]
    result = panel.result()
    done = subprocess.run(
        [sys.executable, HERE / "library.py", result / "job.toml", screen.FOLDER / "figure.stl"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    ours = json.loads(done.stdout.splitlines()[-1])
    (screen.FOLDER / "library.json").write_text(json.dumps(ours, indent=1), encoding="utf-8")
    assert ours["pieces"] == len(state()["pieces"]) > 1
    assert any(ours["pegs"].values()), "no joint has a peg"
    assert sorted(ours["pegs"]) == [letter for letter, _seam, _how in state()["joints"]]
    with (result / "parts.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    volume = next(key for key in rows[0] if "volume" in key)
    written = sorted(float(row[volume]) for row in rows)
    reckoned = sorted(v / 1000 if "cm" in volume else v for v in ours["volumes"].values())
    assert len(written) == len(reckoned)
    for a, b in zip(written, reckoned, strict=True):
        # The list is rounded to a thousandth of a cubic centimetre.
        assert abs(a - b) <= 0.001 + 1e-5 * b, (written, reckoned)


def opens_preferences():
    """The add-on's page in Blender's preferences opens and draws."""
    panel.brings(open_preferences, preferences_window, "the window of the preferences")
    # Nothing else lays out windows on this screen.
    (window,) = screen.run("xdotool", "search", "--name", "Preferences").decode().split()[-1:]
    screen.xdotool("windowmove", window, 60, 60, "windowsize", window, 760, 860)
    panel.until(lambda s: preferences_window(s)[::3] == (60, 860), "the moved window")
    screen.click(found_in_preferences("Add-ons"))
    place = found_in_preferences("Seamwright", alone=False)
    # The arrow that opens an add-on's row; to the right of it is what switches it off.
    for aside in (68, 74, 62):
        if screen.spot("Usual Profile", preferences_window(state())):
            break
        screen.click((place[0] - aside, place[1]))
        time.sleep(1)
    found_in_preferences("Usual Profile", alone=False)
    screen.step_picture("preferences", preferences_window(state()))


def found_in_preferences(words, *, alone=True):
    """Where words are in the window of the preferences."""
    return screen.until(
        lambda: screen.spot(words, preferences_window(state()), alone=alone), f"'{words}'", 15
    )


def open_preferences():
    """Choose Edit, Preferences in the top bar."""
    bar = (0, 0, 400, 27)
    place = screen.until(lambda: screen.spot("Edit", bar, alone=True), "the Edit menu")
    panel.choose(place, "Preferences...")


def preferences_window(seen):
    """The box on the screen of the window with the preferences, or None."""
    return panel.window_with("PREFERENCES", seen)


def unloads():
    """Switched off by Blender's own command line, it leaves nothing; its file opens without it."""
    saved, before = screen.FOLDER / "saved.blend", (screen.FOLDER / "figure.blend").stat().st_mtime
    screen.move(over_view())
    panel.brings(
        lambda: screen.keys("ctrl+s"),
        lambda _s: (screen.FOLDER / "figure.blend").stat().st_mtime > before,
        "the saved file",
    )
    time.sleep(2)
    shutil.copy(screen.FOLDER / "figure.blend", saved)
    assert "CLEAN" in blender("-b", "--python-exit-code", 7, "-P", HERE / "unload.py")
    code = (
        "import bpy, json; assert not hasattr(bpy.types.Scene, 'seamwright'); "
        "print('NAMES', json.dumps([o.name for o in bpy.data.objects]))"
    )
    said = blender("-b", "--factory-startup", saved, "--python-exit-code", 7, "--python-expr", code)
    names = json.loads(re.search(r"NAMES (.*)", said)[1])
    assert sorted(names) == sorted(state()["objects"]), names


def blender(*words):
    """Run Blender without a window to its end and return what it printed."""
    done = subprocess.run(
        ["blender", *map(str, words)], check=False, capture_output=True, text=True
    )
    if done.returncode:
        raise AssertionError(f"blender {words}: {done.returncode}\n{done.stdout}\n{done.stderr}")
    return done.stdout
