"""Keep-clear areas and natural lines in the job, from a PLY file, and on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import plyfile
import pytest

from seamwright.__main__ import main
from seamwright.errors import BadInput
from seamwright.files import write_stl
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml, read_job
from seamwright.markings import KeepClear
from seamwright.mesh import Mesh
from seamwright.nudge import Nudged
from seamwright.printer import printer
from seamwright.run import load, load_marked, prepare
from seamwright.seam import Seam
from seamwright.shapes import revolved, sphere

HEAD = 'seamwright = 1\nname = "A"\n[figure]\n'

EVERYTHING = FigureChoice(
    object="Keeper",
    keep_clear=(
        KeepClear("vertex_group", name="face"),
        KeepClear("vertex_group", name="hands", above=0.25),
        KeepClear("mask"),
        KeepClear("mask", above=0.0),
        KeepClear("face_set", number=3),
        KeepClear("property", name="keep", above=127.0),
        KeepClear("ball", centre=(1.0, -2.5, 3.0), radius=40.0),
    ),
    natural_lines=("seams", "creases", "face sets"),
)


# --- the job file -------------------------------------------------------------------


def test_round_trip_keeps_every_marking():
    job = Job("A", EVERYTHING, printer("filament-256"), (Seam(1, "s", (0, 0, 1), (0, 0, 1)),))
    assert job_from_toml(job_to_toml(job)) == job
    plain = Job("A", FigureChoice(object="K"), printer("filament-256"), ())
    assert "keep_clear" not in job_to_toml(plain) and "natural" not in job_to_toml(plain)


def test_the_keys_as_people_write_them():
    text = HEAD + (
        'keep_clear = [{ vertex_group = "face" }, { mask = true }, { face_set = 3 },\n'
        '  { property = "keep", above = 127 }, { ball = [1, 2, 3], radius = 40 }]\n'
        'natural_lines = ["seams", "face sets"]\n'
    )
    assert job_from_toml(text).figure == FigureChoice(
        keep_clear=(
            KeepClear("vertex_group", name="face"),
            KeepClear("mask"),
            KeepClear("face_set", number=3),
            KeepClear("property", name="keep", above=127.0),
            KeepClear("ball", centre=(1.0, 2.0, 3.0), radius=40.0),
        ),
        natural_lines=("seams", "face sets"),
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("keep_clear = true", "keep_clear 1 must be { vertex_group ="),
        ('keep_clear = "face"', "keep_clear 1 must be"),
        ('keep_clear = { vertex_group = "face" }', "keep_clear 1 must be"),
        ("keep_clear = [{ mask = true }, 3]", "keep_clear 2 must be"),
        ("keep_clear = [{}]", "keep_clear 1 must be"),
        ('keep_clear = [{ mask = true, vertex_group = "a" }]', "keep_clear 1 must be"),
        ('keep_clear = [{ vertex_grup = "a" }]', "did you mean 'vertex_group'?"),
        ('keep_clear = [{ vertex_group = "a", radius = 3 }]', "'radius' is unknown"),
        ("keep_clear = [{ face_set = 3, above = 0.5 }]", "'above' is unknown"),
        ("keep_clear = [{ vertex_group = 3 }]", "'vertex_group' must be a text"),
        ('keep_clear = [{ vertex_group = " " }]', "'vertex_group' must be a text"),
        ('keep_clear = [{ vertex_group = "a", above = 1 }]', "above is 1; painted values go from"),
        ("keep_clear = [{ mask = true, above = -1 }]", "above is -1"),
        ('keep_clear = [{ property = "a", above = "b" }]', "'above' must be a number"),
        ("keep_clear = [{ mask = false }]", "mask must be true"),
        ("keep_clear = [{ face_set = 3.5 }]", "face_set must be a whole number"),
        ("keep_clear = [{ face_set = true }]", "face_set must be a whole number"),
        ("keep_clear = [{ ball = [1, 2, 3] }]", "a ball needs a radius above 0 mm"),
        ("keep_clear = [{ ball = [1, 2, 3], radius = 0 }]", "a ball needs a radius"),
        ("keep_clear = [{ ball = [1, 2], radius = 4 }]", "'ball' must be three numbers"),
        ('natural_lines = "seams"', 'any of "seams", "creases", "face sets"'),
        ('natural_lines = ["seam"]', "natural_lines must be a list of any of"),
        ("natural_lines = [3]", "natural_lines must be a list"),
    ],
)
def test_refusals_are_one_sentence(text: str, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        job_from_toml(HEAD + text, "dragon.toml")
    message = str(caught.value)
    assert says in message and message.startswith("dragon.toml, [figure]")
    assert "\n" not in message


# --- figures with markings ------------------------------------------------------------


def cylinder(radius: float = 10.0, half: float = 20.0, sides: int = 96) -> Mesh:
    z = np.linspace(-half, half, 81)
    return revolved(np.r_[0, np.full(len(z), radius), 0], np.r_[-half, z, half], sides)


def write_ply(mesh: Mesh, path: Path, **properties: np.ndarray) -> None:
    kinds = [(name, values.dtype.str) for name, values in properties.items()]
    vertex = np.empty(len(mesh.vertices), dtype=[("x", "<f4"), ("y", "<f4"), ("z", "<f4"), *kinds])
    for axis, values in zip("xyz", mesh.vertices.T, strict=True):
        vertex[axis] = values
    for name, values in properties.items():
        vertex[name] = values
    face = np.empty(len(mesh.faces), dtype=[("vertex_indices", "<i4", (3,))])
    face["vertex_indices"] = mesh.faces
    elements = [plyfile.PlyElement.describe(vertex, "vertex"),
                plyfile.PlyElement.describe(face, "face")]  # fmt: skip
    plyfile.PlyData(elements).write(path)


def put_job(folder: Path, figure: str, seams: str = "", file: str = "limb.ply") -> Path:
    path = folder / "limb.toml"
    seams = seams or '[[seam]]\nname = "throat"\npoint = [0, 0, 4.3]\nnormal = [0, 0, 1]\n'
    path.write_text(
        f'seamwright = 1\nname = "Limb"\n[figure]\nfile = "{file}"\nunit = "mm"\n{figure}\n{seams}'
    )
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A cylinder whose right half, x above 0, is marked in a PLY, as weights and as bytes."""
    mesh = cylinder()
    right = mesh.vertices[:, 0] > -1e-9
    write_ply(
        mesh, tmp_path / "limb.ply",
        face=np.where(right, 0.8, 0.1).astype("<f4"), red=np.where(right, 200, 90).astype("u1"),
    )  # fmt: skip
    write_stl(mesh, tmp_path / "limb.stl", "limb")
    return tmp_path


def flags_of(folder: Path, figure: str) -> tuple[Mesh, np.ndarray]:
    job = read_job(put_job(folder, figure))
    mesh, unit, markings = load_marked(job, folder)
    ready = prepare(mesh, unit, job, markings)
    return ready.mesh, ready.markings.keep_clear


@pytest.mark.parametrize("choice", ['{ property = "face" }', '{ property = "red", above = 127 }'])
def test_a_ply_property_marks_the_faces_with_all_corners_above(folder: Path, choice: str) -> None:
    mesh, flags = flags_of(folder, f"keep_clear = [{choice}]")
    x = mesh.vertices[mesh.faces][:, :, 0]
    assert np.array_equal(flags, (x > -1e-6).all(axis=1)) and 0.4 < flags.mean() < 0.6


def test_the_right_half_stays_right_when_the_figure_is_turned_upright(folder: Path) -> None:
    mesh, flags = flags_of(
        folder, 'up = "x"\ntarget_height = 100\nkeep_clear = [{ property = "face" }]'
    )
    # The old x is up; the scale is 5.
    z = mesh.vertices[mesh.faces][:, :, 2]
    assert np.array_equal(flags, (z > -1e-5).all(axis=1)) and mesh.size[2] == pytest.approx(100)


def test_marks_stay_through_the_welding_of_a_file_split_along_a_texture_seam(
    folder: Path,
) -> None:
    # Blender's PLY export gives each side of a texture seam vertices of its own.
    mesh = cylinder()
    split = Mesh.of(
        mesh.vertices[mesh.faces].reshape(-1, 3), np.arange(mesh.faces.size).reshape(-1, 3)
    )
    write_ply(split, folder / "limb.ply", face=(split.vertices[:, 0] > -1e-9).astype("<f4"))
    welded, flags = flags_of(folder, 'keep_clear = [{ property = "face" }]')
    assert welded.is_closed and len(welded.vertices) == len(mesh.vertices)
    x = welded.vertices[welded.faces][:, :, 0]
    assert np.array_equal(flags, (x > -1e-6).all(axis=1))


@pytest.mark.parametrize(
    ("file", "figure", "says"),
    [
        ("limb.ply", 'keep_clear = [{ property = "fce" }]', "no property 'fce'; it has face, red"),
        ("limb.ply", 'keep_clear = [{ property = "x" }]', "no property 'x'"),
        ("limb.ply", 'keep_clear = [{ property = "face", above = 0.9 }]', "no whole face above"),
        ("limb.stl", 'keep_clear = [{ property = "face" }]', "export the figure as PLY"),
        ("limb.ply", 'keep_clear = [{ vertex_group = "face" }]', "group 'face', which needs"),
        ("limb.stl", "keep_clear = [{ mask = true }]", "carries no mask, which needs Blender"),
        ("limb.stl", "keep_clear = [{ face_set = 2 }]", "face set 2, which needs Blender"),
        ("limb.ply", 'natural_lines = ["creases"]', "carries no creases; natural lines need"),
        ("limb.stl", "keep_clear = [{ ball = [0, 0, 90], radius = 9 }]", "70.0 mm away"),
    ],
)  # fmt: skip
def test_what_a_file_cannot_mark_is_one_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str], file: str, figure: str, says: str
) -> None:
    job = put_job(folder, figure, file=file)
    before = sorted(p.name for p in folder.iterdir())
    assert main([str(job), "--quality"]) == 2
    said = capsys.readouterr()
    assert says in said.err and said.err.count("\n") == 1 and said.out == ""
    assert sorted(p.name for p in folder.iterdir()) == before


def test_a_ply_without_properties_says_that_it_has_none(folder: Path) -> None:
    write_ply(sphere(20, 24), folder / "limb.ply")
    with pytest.raises(BadInput, match="it has none but the coordinates"):
        flags_of(folder, 'keep_clear = [{ property = "face" }]')


def test_markings_that_were_not_read_are_not_passed_over(folder: Path) -> None:
    job = read_job(put_job(folder, 'keep_clear = [{ property = "face" }]'))
    with pytest.raises(BadInput, match="marks property 'face', which was not read"):
        prepare(*load(job, folder), job)
    job = read_job(put_job(folder, "keep_clear = [{ ball = [10, 0, 0], radius = 5 }]"))
    assert prepare(*load(job, folder), job).markings.balls.tolist() == [[10, 0, 0, 5]]


# --- the command ----------------------------------------------------------------------


def test_quality_gives_the_length_across_the_keep_clear_area(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(put_job(folder, 'keep_clear = [{ property = "face" }]')), "--quality"]) == 0
    said = capsys.readouterr().out
    # pi r; the area is half the cylinder's and of its ends.
    assert "31.4 mm cross the keep-clear area" in said
    assert "keep-clear area: " in said and "of the skin" in said


def test_quality_judges_line_seams_too(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    turn = np.radians(np.arange(0, 360, 15))
    line = [[float(10 * np.cos(a)), float(10 * np.sin(a)), 0.0] for a in turn]
    seam = f'[[seam]]\nname = "cuff"\nline = {line}\ncrease = 1\njoint = "plain"\n'
    job = put_job(folder, 'keep_clear = [{ property = "face" }]', seam)
    assert main([str(job), "--quality"]) == 0
    said = capsys.readouterr().out
    assert "Seam 'cuff':\n  The line is 62.8 mm long: 0.0 mm" in said
    assert "31.4 mm cross the keep-clear area; move the line." in said
    assert main([str(job), "--nudge"]) == 0
    assert "No seam was moved" in capsys.readouterr().out


def test_quality_gives_a_balls_chord(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # On a cylinder of 10 mm, points within R of a point of it, at the same height, span an
    # arc of 4 r asin(R / 2r).
    job = put_job(folder, "keep_clear = [{ ball = [10, 0, 4.3], radius = 6 }]", file="limb.stl")
    assert main([str(job), "--quality"]) == 0
    assert f"{40 * np.arcsin(0.3):.1f} mm cross" in capsys.readouterr().out


def test_a_crossing_seam_is_a_warning_in_the_result(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = put_job(folder, 'keep_clear = [{ property = "face" }]')
    assert main([str(job)]) == 0
    report = json.loads((folder / "limb-pieces" / "report.json").read_text(encoding="utf-8"))
    (warning,) = [w for w in report["warnings"] if "keep-clear" in w]
    assert warning.startswith("Seam 'throat' crosses the keep-clear area for 31.4 mm, about (")
    assert f"warning: {warning}" in capsys.readouterr().out
    assert read_job(folder / "limb-pieces" / "job.toml").figure.keep_clear == (
        KeepClear("property", name="face"),
    )
    # Out of the area's way there is none.
    off = put_job(folder, "keep_clear = [{ ball = [10, 0, -10], radius = 6 }]")
    assert main([str(off), "--quiet", "--replace"]) == 0
    report = json.loads((folder / "limb-pieces" / "report.json").read_text(encoding="utf-8"))
    assert not any("keep-clear" in w for w in report["warnings"])


NUDGE = "keep_clear = [{ ball = [10, 0, 4], radius = 3 }, { ball = [-10, 0, 4], radius = 3 }]"


def test_nudge_writes_a_better_job_beside_and_touches_nothing_else(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = put_job(folder, NUDGE)
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert main([str(path), "--nudge", "--shift", "6", "--tilt", "5"]) == 0
    said = capsys.readouterr().out
    assert "'throat' moved by " in said and "limb-nudged.toml" in said
    assert "  across the keep-clear area: 1" in said and "mm before, 0.0 mm after" in said
    after = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert after.pop("limb-nudged.toml") and after == before
    old, new = read_job(path), read_job(folder / "limb-nudged.toml")
    assert new.figure == old.figure and new.printer == old.printer
    assert len(new.seams) == 1 and new.seams[0] != old.seams[0]
    assert abs(new.seams[0].point[2] - 4.3) <= 6 + 1e-9
    # The new job is judged clear of the area, and makes pieces without a warning.
    assert main([str(folder / "limb-nudged.toml"), "--quality"]) == 0
    assert "mm cross the keep-clear" not in capsys.readouterr().out
    assert main([str(folder / "limb-nudged.toml"), "--quiet"]) == 0
    report = json.loads((folder / "limb-nudged-pieces" / "report.json").read_text(encoding="utf-8"))
    assert len(report["pieces"]) == 2 and not report["warnings"]


def test_nudge_of_one_seam_leaves_the_others(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seams = "".join(
        f'[[seam]]\nname = "{name}"\npoint = [0, 0, {z}]\nnormal = [0, 0, 1]\n'
        for name, z in (("throat", 4.3), ("waist", 3.1))
    )
    path = put_job(folder, NUDGE, seams)
    words = ["--nudge", "--seam", "throat", "--nudged-job", str(folder / "new.toml"), "--quiet"]
    assert main([str(path), *words, "--shift", "8"]) == 0
    assert capsys.readouterr().out == ""
    old, new = read_job(path).seams, read_job(folder / "new.toml").seams
    assert new[1] == old[1] and new[0] != old[0]


def test_nudge_without_a_better_place_writes_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = put_job(folder, "")
    assert main([str(path), "--nudge", "--shift", "1", "--tilt", "2"]) == 0
    said = capsys.readouterr().out
    assert "'throat' stays" in said and "nothing written" in said
    assert not (folder / "limb-nudged.toml").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--nudge"], "limb-nudged.toml' exists; give another name with --nudged-job"),
        (["--nudge", "--nudged-job", "limb.toml"], "limb.toml' exists"),
        (["--nudge", "--nudged-job", "new.txt"], "ends in .toml"),
        (["--nudge", "--nudged-job", "../new.toml"], "does not lie beside"),
        (["--nudge", "--nudged-job", "new.toml", "--seam", "no"], "There is no seam 'no' to nudge"),
        (["--nudge", "--nudged-job", "new.toml", "--shift", "-1"], "shift of -1.0 mm"),
        (["--nudge", "--nudged-job", "new.toml", "--tilt", "80"], "tilt of 80.0° is out of range"),
        (["--seam", "throat"], "--seam is for nudging; give --nudge too"),
        (["--tilt", "3"], "--tilt is for nudging"),
        (["--nudged-job", "new.toml"], "--nudged-job is for nudging"),
    ],
)  # fmt: skip
def test_nudge_refuses_in_one_sentence(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    says: str,
) -> None:
    put_job(folder, NUDGE)
    (folder / "limb-nudged.toml").write_text("a user's own")
    monkeypatch.chdir(folder)
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert main(["limb.toml", *words]) == 2
    said = capsys.readouterr()
    assert says in said.err and said.err.count("\n") == 1 and said.out == ""
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_a_job_that_appears_in_the_meantime_is_not_overwritten(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put_job(folder, NUDGE)
    plain = Nudged.lines

    def slow(self: Nudged) -> tuple[str, ...]:
        (folder / "limb-nudged.toml").write_text("a user's own")
        return plain(self)

    monkeypatch.setattr(Nudged, "lines", slow)
    assert main([str(path), "--nudge", "--shift", "6"]) == 2
    assert "exists" in capsys.readouterr().err
    assert (folder / "limb-nudged.toml").read_text(encoding="utf-8") == "a user's own"
