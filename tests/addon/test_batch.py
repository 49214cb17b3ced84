"""The batch under the bpy package, as a process of its own: same bytes as the command's."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

from seamwright.files import read_mesh, write_stl  # noqa: E402
from seamwright.mesh import Mesh  # noqa: E402
from seamwright.shapes import revolved, sphere  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
BATCH = ROOT / "scripts" / "batch.py"
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT / "lib"), "OMP_NUM_THREADS": "1"}

JOB = """
seamwright = 1
name = "Keeper"
[figure]
{figure}
[[seam]]
name = "waist"
point = [0, 0, 12.5]
normal = [0.1, 0, 1]
{more}
"""


def run(*arguments: str, folder: Path) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


def job(folder: Path, name: str, figure: str, more: str = "") -> None:
    (folder / f"{name}.toml").write_text(JOB.format(figure=figure, more=more))


def files(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


@pytest.fixture
def blend(scene, add, tmp_path):
    """A figure as STL, and a .blend whose object holds the very same float32 numbers."""
    ball = sphere(200)
    solid = Mesh(ball.vertices * [0.6, 0.6, 1.0], ball.faces, ball.tag)
    write_stl(solid, tmp_path / "keeper.stl", "keeper")
    add(read_mesh(tmp_path / "keeper.stl"), "Keeper")
    bpy.data.objects["Keeper"].hide_viewport = True
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "keeper.blend"))
    return tmp_path


WRITTEN = {
    "job.toml", "report.json", "parts.csv", "joints.csv", "builds.csv", "stl/keeper-01.stl",
    "stl/keeper-02.stl", "3mf/keeper-01.3mf", "3mf/keeper-02.3mf",
}  # fmt: skip
"""What every result folder of two pieces has."""


def test_an_object_gives_the_same_bytes_as_its_stl(blend):
    job(blend, "file", 'file = "keeper.stl"\nunit = "mm"')
    job(blend, "object", 'object = "Keeper"')
    command = run("-m", "seamwright", "file.toml", "--quiet", folder=blend)
    assert (command.returncode, command.stderr) == (0, "")
    batch = run(str(BATCH), "keeper.blend", "--", "object.toml", folder=blend)
    assert batch.returncode == 0, batch.stderr
    assert "2 pieces, 1 joints" in batch.stdout
    one, two = files(blend / "file-pieces"), files(blend / "object-pieces")
    assert one.keys() >= WRITTEN and one.keys() == two.keys()
    # The job differs in where the figure comes from; all else is the same to the last byte.
    assert [name for name in one if one[name] != two[name]] == ["job.toml"]


def test_the_panels_job_gives_the_panels_bytes(blend):
    bpy.data.objects["Keeper"].hide_viewport = False
    bpy.data.objects["Keeper"].rotation_euler = (0.2, 0.1, 0.7)
    bpy.data.objects["Keeper"].modifiers.new("Two", "SUBSURF").levels = 1
    bpy.context.scene.seamwright.figure = bpy.data.objects["Keeper"]
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.context.view_layer.objects.active.rotation_euler = (0.1, 0.2, 0.3)
    bpy.ops.seamwright.save_job(filepath=str(blend / "panel.toml"))
    bpy.ops.seamwright.write_files(directory=str(blend), folder="by-panel")
    bpy.ops.wm.save_mainfile()
    done = run(str(BATCH), "keeper.blend", "--", "panel.toml", "--quiet", folder=blend)
    assert (done.returncode, done.stderr) == (0, "")
    assert files(blend / "by-panel") == files(blend / "panel-pieces")


def test_what_the_panel_makes_by_and_by_is_what_the_batch_makes_at_once(blend):
    """Pieces made, seen in another size, parted further and made again where that changed them."""
    figure = bpy.data.objects["Keeper"]
    figure.hide_viewport = False
    right = [v.index for v in figure.data.vertices if v.co.x > 1]
    figure.vertex_groups.new(name="face").add(right, 1.0, "REPLACE")
    settings = bpy.context.scene.seamwright
    settings.figure = figure
    item = figure.seamwright.keep_clear.add()
    item.kind, item.source = "vertex_group", "face"
    figure.seamwright.size, figure.seamwright.target_height = "HEIGHT", 320.0
    for lift in (0, 55, -65):
        bpy.ops.seamwright.add_seam(at="MIDDLE", axis="Z")
        seam = bpy.context.view_layer.objects.active
        seam.location.z += lift
        bpy.context.view_layer.update()
        bpy.ops.seamwright.make_pieces()
        seam.location.z += 11
        bpy.context.view_layer.update()
        bpy.ops.seamwright.make_pieces()
    settings.wall = 2.5
    bpy.ops.seamwright.make_pieces()
    figure.seamwright.target_height = 333.0
    bpy.ops.seamwright.save_job(filepath=str(blend / "panel.toml"))
    bpy.ops.seamwright.write_files(directory=str(blend), folder="by-panel")
    bpy.ops.wm.save_mainfile()
    done = run(str(BATCH), "keeper.blend", "--", "panel.toml", "--quiet", folder=blend)
    assert (done.returncode, done.stderr) == (0, "")
    report = json.loads((blend / "by-panel" / "report.json").read_text(encoding="utf-8"))
    assert sum("crosses the keep-clear area" in w for w in report["warnings"]) == 3
    assert files(blend / "by-panel") == files(blend / "panel-pieces")


def test_a_job_for_a_file_needs_no_blend(blend):
    job(blend, "file", 'file = "keeper.stl"\nunit = "mm"')
    done = run(str(BATCH), "--", "file.toml", "--quiet", "--out", "there", folder=blend)
    assert (done.returncode, done.stderr) == (0, "")
    assert files(blend / "there").keys() >= WRITTEN
    again = run(str(BATCH), "--", "file.toml", "--quiet", "--out", "there", folder=blend)
    assert again.returncode == 2 and "exists" in again.stderr
    more = run(str(BATCH), "--", "file.toml", "--quiet", "--out", "there", "--replace",
               folder=blend)  # fmt: skip
    assert more.returncode == 0


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["keeper.blend", "--", "unknown.toml"], 2, "its mesh objects are Keeper"),
        (["keeper.blend", "--", "unit.toml"], 2, "take unit out"),
        (["keeper.blend", "--", "small.toml"], 3, "fit"),
        (["keeper.blend", "--", "none.toml"], 2, "does not exist"),
        (["none.blend", "--", "unknown.toml"], 2, "'none.blend' does not exist"),
        (["broken.blend", "--", "unknown.toml"], 2, "cannot be opened"),
        (["unknown.toml"], 2, "not one .blend file"),
        (["keeper.blend"], 2, "required: job"),
        (["--", "--version"], 0, ""),
    ],
)
def test_exit_codes_get_through(blend, arguments, code, words):
    (blend / "broken.blend").write_text("no blend")
    job(blend, "unknown", 'object = "Keper"')
    job(blend, "unit", 'object = "Keeper"\nunit = "mm"')
    job(blend, "small", 'object = "Keeper"\n[printer]\nbuild_volume = [50, 50, 50]')
    before = sorted(p.name for p in blend.iterdir())
    done = run(str(BATCH), *arguments, folder=blend)
    assert done.returncode == code, done.stderr
    assert words in done.stderr and "Traceback" not in done.stderr
    assert sorted(p.name for p in blend.iterdir()) == before


def test_blenders_own_arguments_are_left_to_blender(blend):
    """`blender -b keeper.blend -P batch.py -- ...`: the script runs inside, the file is open.

    Blender compiles the script's text and runs it as `__main__`, with its own arguments.
    """
    job(blend, "object", 'object = "Keeper"')
    code = (
        "import sys, bpy\n"
        f"bpy.ops.wm.open_mainfile(filepath={str(blend / 'keeper.blend')!r})\n"
        f"sys.argv = ['blender', '-b', 'keeper.blend', '-P', {str(BATCH)!r}, '--', "
        "'object.toml', '--quiet']\n"
        f"__file__ = {str(BATCH)!r}\n"
        "exec(compile(open(__file__).read(), __file__, 'exec'))\n"
    )
    done = run("-c", code, folder=blend)
    assert (done.returncode, done.stderr) == (0, "")
    assert files(blend / "object-pieces").keys() >= WRITTEN


def test_a_missing_package_is_one_sentence(blend):
    job(blend, "object", 'object = "Keeper"')
    code = (
        "import sys, runpy\n"
        "sys.modules['manifold3d'] = None\n"
        f"sys.argv = [{str(BATCH)!r}, 'keeper.blend', '--', 'object.toml']\n"
        f"runpy.run_path({str(BATCH)!r}, run_name='__main__')\n"
    )
    done = run("-c", code, folder=blend)
    assert done.returncode == 2
    assert "Python package 'manifold3d' is missing" in done.stderr
    assert "Traceback" not in done.stderr


def test_regions_can_be_listed(blend):
    job(blend, "object", 'object = "Keeper"')
    done = run(str(BATCH), "keeper.blend", "--", "object.toml", "--regions", folder=blend)
    assert done.returncode == 0 and "Seam 'waist':\n  region 1: " in done.stdout
    assert not (blend / "object-pieces").exists()


@pytest.fixture
def marked(scene, add, tmp_path):
    """A .blend whose cylinder of 20 mm keeps its right half, x above 0, clear in a group."""
    z = np.linspace(-40, 40, 41)
    solid = revolved(np.r_[0, np.full(len(z), 20.0), 0], np.r_[-40, z, 40], 96)
    obj = add(solid, "Keeper")
    right = [v.index for v in obj.data.vertices if v.co.x > -1e-4]
    obj.vertex_groups.new(name="face").add(right, 1.0, "REPLACE")
    ring = [e for e in obj.data.edges if all(abs(obj.data.vertices[v].co.z - 10) < 1e-4
                                             for v in e.vertices)]  # fmt: skip
    for edge in ring:
        edge.use_seam = True
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "keeper.blend"))
    return tmp_path


MARKED = 'object = "Keeper"\nkeep_clear = [{ vertex_group = "face" }]\nnatural_lines = ["seams"]'


def test_a_keep_clear_group_is_judged_and_warned_of(marked):
    # Half the round of a polygon of 96 sides and 20 mm, 62.8 mm; the seam leans by 0.1,
    # which makes that 0.25 % longer: an ellipse of axes 20 and 20 sqrt(1.01).
    job(marked, "object", MARKED)
    looked = run(str(BATCH), "keeper.blend", "--", "object.toml", "--quality", folder=marked)
    assert looked.returncode == 0, looked.stderr
    assert "63.0 mm cross the keep-clear area" in looked.stdout
    assert "natural lines: 126 mm" in looked.stdout and "follow natural lines" in looked.stdout
    done = run(str(BATCH), "keeper.blend", "--", "object.toml", "--quiet", folder=marked)
    assert (done.returncode, done.stderr) == (0, "")
    report = json.loads((marked / "object-pieces" / "report.json").read_text(encoding="utf-8"))
    (warning,) = report["warnings"]
    assert warning.startswith("Seam 'waist' crosses the keep-clear area for 63.0 mm, about (")


def test_a_nudged_job_is_better_in_the_same_blend(marked):
    # The natural line lies level at 10, the seam leans about 12.5.
    job(marked, "object", MARKED.replace('[{ vertex_group = "face" }]', "[]"))
    done = run(str(BATCH), "keeper.blend", "--", "object.toml", "--nudge", "--shift", "5",
               folder=marked)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "'waist' moved by -2." in done.stdout
    again = run(str(BATCH), "keeper.blend", "--", "object-nudged.toml", "--quality", folder=marked)
    assert again.returncode == 0 and "(100 %) follow natural lines" in again.stdout


def test_a_group_that_is_not_there_is_one_sentence(marked):
    job(marked, "object", MARKED.replace('"face"', '"fase"'))
    done = run(str(BATCH), "keeper.blend", "--", "object.toml", folder=marked)
    assert done.returncode == 2 and done.stderr.count("\n") == 1
    assert "no vertex group 'fase'; its vertex groups are face" in done.stderr


def test_numbers_of_the_fixture_are_exact(blend):
    obj = bpy.data.objects["Keeper"]
    points = np.array([v.co for v in obj.data.vertices])
    assert np.array_equal(points, read_mesh(blend / "keeper.stl").vertices)
