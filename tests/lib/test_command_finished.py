"""A finished build calibrates its printer: from the command line to the estimates that follow."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import pytest

import seamwright.plan
from seamwright.__main__ import main
from seamwright.files import write_stl
from seamwright.job import read_job
from seamwright.pose import poses
from seamwright.shapes import box

JOB = """seamwright = 1
name = "Post"
[figure]
file = "post.stl"
unit = "mm"
[printer]
profile = "filament-180"
[[seam]]
name = "belt"
point = [20, 20, 50]
normal = [0, 0, 1]
"""


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(seamwright.plan, "poses", partial(poses, count=1))
    write_stl(box(40, 40, 100), tmp_path / "post.stl", "post")
    (tmp_path / "post.toml").write_text(JOB, encoding="utf-8")
    return tmp_path / "post.toml"


def estimated(job: Path) -> tuple[float, float]:
    """Hours and grams of the first build, as reported."""
    assert main([str(job), "--quiet", "--replace", "--out", str(job.parent / "out")]) == 0
    report = json.loads((job.parent / "out/report.json").read_text(encoding="utf-8"))
    first = report["builds"]["builds"][0]["estimate"]
    return first["time_h"], first["material_g"]


def test_the_estimate_is_then_what_it_took(job: Path) -> None:
    before = read_job(job)
    hours, grams = estimated(job)
    wanted = (1.5 * hours, 1.2 * grams)
    assert main([str(job), "--quiet", "--finished", "1", *map(str, wanted)]) == 0
    new = job.with_name("post-finished.toml")
    assert estimated(new) == pytest.approx(wanted, rel=0.01)
    after = read_job(new)
    assert after.printer != before.printer and after.seams == before.seams
    assert after.printer.speed < before.printer.speed < 10 * after.printer.speed


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--finished", "9", "1", "50"], "There is no build 9"),
        (["--finished", "1.5", "1", "50"], "1.5 is no build"),
        (["--finished", "1", "0", "50"], "give it above 0"),
        (["--finished", "1", "900", "50"], "check that it is this piece"),
        (["--finished", "1", "1", "50", "--pieces-only"], "leave --pieces-only out"),
        (["--finished-job", "new.toml"], "give --finished too"),
    ],
)
def test_what_cannot_be(
    job: Path, options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(job.parent.iterdir())
    assert main([str(job), "--quiet", *options]) == 2
    assert said in capsys.readouterr().err
    assert sorted(job.parent.iterdir()) == before


def test_an_earlier_job_is_never_overwritten(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    new = job.with_name("post-finished.toml")
    new.write_text("mine", encoding="utf-8")
    assert main([str(job), "--quiet", "--finished", "1", "2", "60"]) == 2
    assert "exists" in capsys.readouterr().err and new.read_text(encoding="utf-8") == "mine"
