"""The whole way, as a user runs it: pieces out of a job file, and every refusal."""

from __future__ import annotations

import csv
import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from seamwright.__main__ import main
from seamwright.errors import Cancelled
from seamwright.files import read_mesh, write_stl
from seamwright.frame import Frame
from seamwright.job import read_job
from seamwright.mesh import Mesh, joined
from seamwright.report import CAUTIONS
from seamwright.results import write
from seamwright.run import load, make, prepare
from seamwright.shapes import box, moved, sphere, torus

JOB = """seamwright = 1
name = "Ball & Co"
[figure]
file = "ball.stl"
unit = "mm"
{figure}
[printer]
{printer}
[[seam]]
name = "equator"
point = [0, 0, {height}]
normal = [0, 0.1, 1]
[[seam]]
name = "meridian"
point = [3, 0, 0]
normal = [1, 0, 0]
"""


def put_job(folder: Path, figure: str = "", printer: str = "", height: str = "5") -> Path:
    path = folder / "ball.toml"
    path.write_text(JOB.format(figure=figure, printer=printer, height=height))
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_stl(sphere(100, 64), tmp_path / "ball.stl", "ball")
    return tmp_path


def test_a_job_makes_a_whole_result(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(put_job(folder))]) == 0
    said = capsys.readouterr().out
    assert "4 pieces, 4 joints" in said
    assert all(c in said for c in CAUTIONS)
    out = folder / "ball-pieces"
    assert sorted(p.name for p in out.iterdir()) == [
        "3mf", "book.html", "builds", "builds.csv", "job.toml", "joints.csv", "ledger.csv",
        "parts.csv", "report.json", "stl",
    ]  # fmt: skip
    names = [f"ball-co-0{n}" for n in (1, 2, 3, 4)]
    assert sorted(p.stem for p in (out / "stl").iterdir()) == names
    assert sorted(p.stem for p in (out / "3mf").iterdir()) == names
    for name in names:
        stl, threemf = read_mesh(out / f"stl/{name}.stl"), read_mesh(out / f"3mf/{name}.3mf")
        assert stl.is_closed and threemf.is_closed
        assert stl.volume == pytest.approx(threemf.volume, rel=1e-6)
    rows = list(csv.DictReader((out / "parts.csv").open(newline="")))
    assert [r["piece"] for r in rows] == ["1", "2", "3", "4"]
    assert {r["part"] for r in rows} == {"piece"}
    joints = list(csv.DictReader((out / "joints.csv").open(newline="")))
    assert [r["joint"] for r in joints] == ["A", "B", "C", "D"]
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["cautions"] == list(CAUTIONS)
    assert [c["check"] for c in report["checks"]] == [
        "closed", "volume", "shells", "gaps", "fit", "files", "scale", "joint scale", "builds",
        "build files",
    ]  # fmt: skip
    assert report["ledger"] == [
        {"shell": 1, "volume_cm3": pytest.approx(sphere(100, 64).volume / 1000, rel=1e-6),
         "pieces": [1, 2, 3, 4]}
    ]  # fmt: skip
    assert sum(p["volume_cm3"] for p in report["pieces"]) == pytest.approx(
        report["figure"]["volume_cm3"], rel=0.02
    )
    assert read_job(out / "job.toml") == read_job(folder / "ball.toml")


def test_the_same_job_gives_the_same_bytes(folder: Path) -> None:
    job = put_job(folder)
    assert main([str(job), "--quiet", "--out", str(folder / "one")]) == 0
    assert main([str(job), "--quiet", "--out", str(folder / "two")]) == 0
    files = sorted(p.relative_to(folder / "one") for p in (folder / "one").rglob("*.*"))
    # Two files of each piece and of each of two builds, and seven that tell of all.
    assert len(files) == 2 * 4 + 2 * 2 + 7
    for name in files:
        assert (folder / "one" / name).read_bytes() == (folder / "two" / name).read_bytes(), name


def test_what_is_done_is_shown_a_line_each(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(put_job(folder))]) == 0
    words = [line.partition("% ")[2] for line in capsys.readouterr().err.splitlines()]
    assert {"parting", "checking", "packing builds"} <= set(words)
    assert all(one != other for one, other in pairwise(words))


def test_an_existing_result_is_only_replaced_when_asked(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = put_job(folder)
    assert main([str(job), "--quiet"]) == 0
    assert main([str(job), "--quiet"]) == 2
    assert "--replace" in capsys.readouterr().err
    (folder / "ball-pieces" / "stl" / "old.stl").write_text("old")
    assert main([str(job), "--quiet", "--replace"]) == 0
    assert not (folder / "ball-pieces" / "stl" / "old.stl").exists()


def test_looking_writes_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = put_job(folder)
    before = sorted(folder.iterdir())
    assert main([str(job), "--inspect"]) == 0
    assert "closed" in capsys.readouterr().out
    assert main([str(job), "--regions"]) == 0
    said = capsys.readouterr().out
    assert "Seam 'equator':\n  region 1: " in said
    assert "takes off" in said
    assert main([str(job), "--quality"]) == 0
    said = capsys.readouterr().out
    assert said.count("mm long") == 2 and "The neck is" in said
    assert main([str(job), "--dry-run"]) == 0
    assert sorted(folder.iterdir()) == before


def broken_mesh(kind: str) -> Mesh:
    """A mesh that cannot be used, or not with the job's seams."""
    if kind == "flat":
        return Mesh.of([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    # A sheet beside a ball: no hole filling makes a solid of it.
    sheet = Mesh.of([[200, 0, 0], [300, 0, 0], [300, 90, 0], [200, 90, 0]], [[0, 1, 2], [0, 2, 3]])
    return joined([sphere(100, 32), sheet])


@pytest.mark.parametrize(
    ("change", "code", "says"),
    [
        ("missing", 2, "ball.stl"),
        ("suffix", 2, ".step"),
        ("empty", 2, "empty"),
        ("nan", 2, "finite"),
        ("flat", 2, "flat"),
        ("open", 2, "open"),
        ("miss", 2, "misses the figure"),
        ("key", 2, "did you mean"),
        ("height", 2, "target_height"),
        ("small", 3, "do not fit"),
        ("unit", 2, "unit"),
        ("unwritable", 2, "cannot be written"),
        ("no parent", 2, "no folder"),
    ],
)
def test_bad_input_is_one_sentence_and_leaves_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str], change: str, code: int, says: str
) -> None:
    job = put_job(folder)
    figure = folder / "ball.stl"
    words = [str(job), "--quiet"]
    if change == "missing":
        figure.unlink()
    elif change == "suffix":
        job.write_text(job.read_text(encoding="utf-8").replace("ball.stl", "ball.step"))
        figure.rename(folder / "ball.step")
    elif change == "empty":
        figure.write_bytes(b"")
    elif change == "nan":
        data = bytearray(figure.read_bytes())
        data[84 + 12 : 84 + 16] = np.float32(np.nan).tobytes()
        figure.write_bytes(bytes(data))
    elif change in ("flat", "open"):
        write_stl(broken_mesh(change), figure, "bad")
    elif change == "miss":
        put_job(folder, height="500")
    elif change == "key":
        put_job(folder, figure="scael = 2")
    elif change == "height":
        put_job(folder, figure="target_height = 0")
    elif change == "small":
        put_job(folder, printer="build_volume = [50, 50, 50]")
    elif change == "unit":
        job.write_text(job.read_text(encoding="utf-8").replace('unit = "mm"', ""))
    elif change == "unwritable":
        (folder / "lid").write_text("a file where a folder should be")
        words += ["--out", str(folder / "lid" / "result")]
        says = "no folder"
    elif change == "no parent":
        words += ["--out", str(folder / "none" / "result")]
    before = sorted(p.name for p in folder.rglob("*"))
    assert main(words) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert says in said.err
    assert said.err.count("\n") == 1
    assert sorted(p.name for p in folder.rglob("*")) == before


def test_pieces_that_miss_say_by_how_much(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = put_job(folder, printer="build_volume = [106, 206, 103]")
    assert main([str(job), "--quiet"]) == 3
    said = capsys.readouterr().err
    assert "100 × 200 × 100 mm inside its margins" in said
    assert "misses by" in said


def test_cancelling_leaves_nothing(folder: Path) -> None:
    path = put_job(folder)
    job = read_job(path)
    figure = prepare(*load(job, folder), job)

    def stop(done: float, what: str) -> None:
        if what.startswith("writing"):
            raise Cancelled("stopped")

    result = make(figure, job, stop)
    before = sorted(p.name for p in folder.rglob("*"))
    with pytest.raises(Cancelled):
        write(result, folder / "out", progress=stop)
    assert sorted(p.name for p in folder.rglob("*")) == before


def test_true_scale_reaches_the_files(folder: Path) -> None:
    job = put_job(folder, figure="target_height = 240")
    assert main([str(job), "--quiet"]) == 0
    files = sorted((folder / "ball-pieces" / "stl").iterdir())
    bounds = np.array([read_mesh(f).bounds for f in files])
    height = bounds[:, 1].max(axis=0)[2] - bounds[:, 0].min(axis=0)[2]
    assert height == pytest.approx(240, abs=1e-3)


def test_a_ring_needs_both_its_seams(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_stl(torus(80, 25), folder / "ball.stl", "ring")
    job = folder / "ball.toml"
    head = JOB.split("[[seam]]", maxsplit=1)[0].format(figure="", printer="")
    seam = '[[seam]]\nname = "{}"\npoint = [0, 0, 0]\nnormal = [1, 0, 0]\nreach = {}\n'
    job.write_text(head + seam.format("near", "{ nearest = [0, 80, 0] }"))
    assert main([str(job), "--quiet"]) == 2
    said = capsys.readouterr().err
    assert "stays tied together through region" in said
    assert "(0.0, -80.0, 0.0) mm" in said
    job.write_text(head + seam.format("both", '"all"'))
    assert main([str(job), "--quiet"]) == 0


def test_a_limb_is_cut_and_the_body_behind_it_stays_whole(folder: Path) -> None:
    """An arm hangs beside a body on a yoke; the plane through its wrist meets the body too."""
    import manifold3d  # noqa: PLC0415

    parts = [
        box(60, 60, 200),
        box(30, 30, 120, (90, 15, 60)),
        box(70, 30, 20, (50, 15, 170)),
    ]
    solid = manifold3d.Manifold()
    for part in parts:
        solid += manifold3d.Manifold(manifold3d.Mesh64(part.vertices, part.faces.astype(np.uint64)))
    out = solid.to_mesh64()
    figure = Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))
    write_stl(moved(figure, (0, 0, 0)), folder / "ball.stl", "limb")
    head = JOB.split("[[seam]]", maxsplit=1)[0].format(figure="", printer="")
    (folder / "ball.toml").write_text(
        head
        + '[[seam]]\nname = "wrist"\npoint = [105, 30, 90]\nnormal = [0, 0, 1]\n'
        + "reach = { nearest = [105, 30, 90] }\n"
    )
    assert main([str(folder / "ball.toml"), "--quiet"]) == 0
    meshes = [read_mesh(f) for f in sorted((folder / "ball-pieces" / "stl").iterdir())]
    assert len(meshes) == 2
    hand = min(meshes, key=lambda m: m.volume)
    assert hand.bounds[0].tolist() == [90, 15, 60]
    assert hand.bounds[1][2] <= 90 + 20
    # The body has no new vertex in the wrist's plane.
    body = max(meshes, key=lambda m: m.volume)
    heights = Frame.on_plane((0, 0, 90), (0, 0, 1)).heights(body.vertices)
    near = body.vertices[np.abs(heights) < 1e-6]
    assert (near[:, 0] >= 90).all()
