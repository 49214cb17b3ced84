"""Builds from the command line: what it writes and says, what is ticked off, every refusal."""

from __future__ import annotations

import csv
import hashlib
import json
import tomllib
from functools import partial
from pathlib import Path

import pytest

import seamwright.plan
from seamwright.__main__ import main
from seamwright.files import write_stl
from seamwright.pose import poses
from seamwright.shapes import box

JOB = """seamwright = 1
name = "Post"
[figure]
file = "post.stl"
unit = "mm"
[printer]
profile = "filament-180"
{printer}
{builds}
[[seam]]
name = "belt"
point = [20, 20, 50]
normal = [0, 0, 1]
{seam}
"""


@pytest.fixture(autouse=True)
def few_poses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Judge few poses of each piece, which is quicker; how they are judged is tested elsewhere."""
    monkeypatch.setattr(seamwright.plan, "poses", partial(poses, count=1))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_stl(box(40, 40, 100), tmp_path / "post.stl", "post")
    return tmp_path


def put_job(folder: Path, *, printer: str = "", builds: str = "", seam: str = "") -> str:
    path = folder / "post.toml"
    path.write_text(JOB.format(printer=printer, builds=builds, seam=seam))
    return str(path)


def on_builds(folder: Path) -> dict[str, str]:
    """Of each part the build it lies on, as the table has it."""
    with (folder / "post-pieces/builds.csv").open(encoding="utf-8", newline="") as file:
        return {row["part"]: row["build"] for row in csv.DictReader(file)}


def ticked(folder: Path) -> list[int]:
    numbers = tomllib.loads((folder / "post-pieces-printed.toml").read_text(encoding="utf-8"))[
        "printed"
    ]
    return list(numbers)


def digests(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


# --- what comes of it ---------------------------------------------------------------------------


def test_a_job_is_planned_as_well(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([put_job(folder)]) == 0
    said = capsys.readouterr()
    assert "Builds: 1 build, and fewer are impossible" in said.out
    assert "Build 1 (filament-180): piece-01, piece-02. About " in said.out
    assert "Stance: The figure weighs " in said.out
    assert "choosing poses" in said.err and "packing builds" in said.err
    out = folder / "post-pieces"
    assert sorted(p.name for p in (out / "builds").iterdir()) == [
        "post-build-01.3mf", "post-build-01.svg",
    ]  # fmt: skip
    assert on_builds(folder) == {"piece-01": "1", "piece-02": "1"}
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["builds"]["count"] == 1 and report["stance"]["stands"] is True


def test_pieces_only_plans_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([put_job(folder), "--pieces-only"]) == 0
    said = capsys.readouterr()
    assert "Builds:" not in said.out and "Stance:" not in said.out
    assert "choosing poses" not in said.err
    assert not (folder / "post-pieces/builds").exists()
    assert sorted(p.name for p in (folder / "post-pieces/stl").iterdir()) == [
        "post-01.stl", "post-02.stl",
    ]  # fmt: skip


def test_trying_out_plans_but_writes_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = put_job(folder)
    before = digests(folder)
    assert main([job, "--dry-run"]) == 0
    assert "Builds: 1 build" in capsys.readouterr().out
    assert digests(folder) == before


def test_the_same_bytes_with_or_without_processes(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = put_job(folder, builds="[builds]\nmatch = ['belt']")
    assert main([job, "--quiet", "--out", str(folder / "one")]) == 0
    monkeypatch.setattr(seamwright.__main__, "MANY", 2)
    monkeypatch.setattr(seamwright.__main__, "MOST_PROCESSES", 2)
    assert main([job, "--quiet", "--out", str(folder / "two")]) == 0
    one, two = digests(folder / "one"), digests(folder / "two")
    assert one == two and len(one) >= 11


def test_groups_and_printers_of_the_job_are_used(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_stl(box(40, 40, 340), folder / "post.stl", "post")
    large = "[[other_printer]]\nprofile = 'filament-300'\ncount = 2\n"
    assert main([put_job(folder), "--quiet"]) == 3
    assert "1 of 2 pieces do not fit filament-180" in capsys.readouterr().err
    assert main([put_job(folder, builds=large)]) == 0
    said = capsys.readouterr().out
    assert "2 pieces fit 174 × 174 × 177 mm or 294 × 294 × 297 mm" in said
    report = json.loads((folder / "post-pieces/report.json").read_text(encoding="utf-8"))
    on = {p["part"]: b["printer"] for b in report["builds"]["builds"] for p in b["parts"]}
    assert on["piece-02"] == "filament-300"
    groups = "[[group]]\nname = 'gold'\npieces = [2]\n"
    assert main([put_job(folder, builds=large + groups), "--quiet", "--replace"]) == 0
    builds = on_builds(folder)
    assert builds["piece-01"] != builds["piece-02"]


def test_a_figure_that_cannot_stand_is_warned_of(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([put_job(folder, builds="[builds]\ntipping = 40"), "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert "  warning: The figure weighs " in said and "40° wanted" in said


# --- ticking off --------------------------------------------------------------------------------


def test_what_is_ticked_off_is_not_packed_again(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = put_job(folder)
    assert main([job, "--quiet"]) == 0
    assert not (folder / "post-pieces-printed.toml").exists()
    assert main([job, "--quiet", "--replace", "--printed", "2"]) == 0
    assert ticked(folder) == [2] and on_builds(folder) == {"piece-01": "1"}
    # It stays so until the tick is taken away.
    assert main([job, "--quiet", "--replace"]) == 0
    assert ticked(folder) == [2] and on_builds(folder) == {"piece-01": "1"}
    assert main([job, "--replace", "--printed", "1"]) == 0
    assert ticked(folder) == [1, 2] and on_builds(folder) == {}
    assert "Builds: Nothing is left to print." in capsys.readouterr().out
    assert main([job, "--quiet", "--replace", "--not-printed", "1", "2"]) == 0
    assert ticked(folder) == []
    assert on_builds(folder) == {"piece-01": "1", "piece-02": "1"}


def test_a_piece_that_became_another_counts_as_not_printed(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([put_job(folder), "--quiet", "--printed", "1"]) == 0
    assert on_builds(folder) == {"piece-02": "1"}
    write_stl(box(44, 40, 100), folder / "post.stl", "post")
    assert main([put_job(folder), "--replace"]) == 0
    said = capsys.readouterr().out
    assert "  warning: Piece 1 is ticked off in 'post-pieces-printed.toml' but was another" in said
    assert on_builds(folder) == {"piece-01": "1", "piece-02": "1"}


# --- refusals -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--printed", "7"], "There is no piece 7 to tick off; the pieces are 1 to 2."),
        (["--printed", "1", "--pieces-only"], "leave --pieces-only out"),
        (["--not-printed", "1", "--pieces-only"], "leave --pieces-only out"),
    ],
)
def test_options_that_cannot_be_are_refused(
    folder: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    job = put_job(folder)
    before = digests(folder)
    assert main([job, "--quiet", *words]) == 2
    said = capsys.readouterr()
    assert said.out == "" and says in said.err and said.err.count("\n") == 1
    assert digests(folder) == before


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"builds": "[builds]\ngap = 174"}, "larger than the largest platform"),
        ({"builds": "[builds]\ngap = 160", "printer": "brim = 4"},
         "A gap of 168 mm between pieces"),
        ({"builds": "[builds]\ncount = 0"}, "count is 0"),
        ({"builds": "[builds]\nmatch = ['hem']"}, "there is no seam 'hem' to match"),
        ({"builds": "[[group]]\nname = 'a'\npieces = [1, 3]"},
         "Group 'a' names piece 3, but parts go from 1 to 2"),
        ({"builds": "[[group]]\nname = 'a'\npieces = [1]\n[[group]]\nname = 'b'\npieces = [1]"},
         "piece 1 is in the groups 'a' and 'b'"),
        ({"builds": "[[other_printer]]\nprofile = 'filament-180'"},
         "two printers are named 'filament-180'"),
        ({"builds": "[[other_printer]]\nprofile = 'no-such'"}, "'no-such' is unknown"),
        ({"printer": "infill = 1.4"}, "infill is 1.4"),
    ],
)  # fmt: skip
def test_jobs_that_cannot_be_planned_are_refused(
    folder: Path, capsys: pytest.CaptureFixture[str], more: dict[str, str], says: str
) -> None:
    job = put_job(folder, **more)
    before = digests(folder)
    assert main([job, "--quiet"]) == 2
    said = capsys.readouterr()
    assert said.out == "" and says in said.err and said.err.count("\n") == 1
    assert digests(folder) == before


def test_a_list_of_printed_pieces_that_is_spoilt_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder / "post-pieces-printed.toml"
    path.write_text("seamwright = 1\nprinted = [9]\n")
    job = put_job(folder)
    assert main([job, "--quiet"]) == 2
    said = capsys.readouterr().err
    assert "ticks off piece 9, but the pieces are 1 to 2" in said and said.count("\n") == 1
    # Who wants no builds is not kept up by it.
    assert main([job, "--quiet", "--pieces-only"]) == 0
    assert path.read_text(encoding="utf-8") == "seamwright = 1\nprinted = [9]\n"


def test_a_part_that_goes_on_no_platform_in_any_pose_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Brims leave too little of the platform."""
    job = put_job(folder, printer="brim = 70")
    assert main([job, "--quiet"]) == 3
    said = capsys.readouterr().err
    assert "do not fit filament-180, which has 34 × 34 × 177 mm inside its margins" in said


def test_ticks_are_all_or_nothing_and_only_after_the_work(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = put_job(folder)
    before = digests(folder)
    assert main([job, "--quiet", "--not-printed", "0"]) == 2
    assert main([job, "--quiet", "--printed", "1", "--not-printed", "9"]) == 2
    assert digests(folder) == before
    bad = put_job(folder, builds="[[group]]\nname = 'a'\npieces = [9]")
    assert main([bad, "--quiet", "--printed", "1"]) == 2
    assert not (folder / "post-pieces-printed.toml").exists()
    capsys.readouterr()
    # Trying out tells what would be left, and ticks nothing off.
    assert main([put_job(folder), "--dry-run", "--printed", "1", "2"]) == 0
    assert "Builds: Nothing is left to print." in capsys.readouterr().out
    assert not (folder / "post-pieces-printed.toml").exists()


def test_loose_pegs_are_ticked_off_too(folder: Path) -> None:
    job = put_job(folder, seam="joint = 'loose pegs'")
    assert main([job, "--quiet"]) == 0
    assert on_builds(folder) == dict.fromkeys(("piece-01", "piece-02", "loose peg A"), "1")
    assert main([job, "--quiet", "--replace", "--printed", "3"]) == 0
    assert on_builds(folder) == dict.fromkeys(("piece-01", "piece-02"), "1")
