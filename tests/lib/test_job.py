"""The job file: read, refused in one sentence, and written back the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from seamwright.choice import PLAIN
from seamwright.errors import BadInput
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml, read_job, write_job
from seamwright.printer import printer
from seamwright.seam import Reach, Seam

FULL = Job(
    "Dragon",
    FigureChoice(file="dragon.stl", unit="cm", target_height=980.0, up="y", mend=False),
    printer("resin-218", clearance=0.15, build_volume=(200, 120, 210)),
    (
        Seam(1, "waist", (0.0, 1.5, 410.0), (0.0, 0.0, 1.0)),
        Seam(
            2,
            "wrists",
            (1.0, 2.0, 3.0),
            (0.3, 0.0, 1.0),
            Reach("nearest", ((1.0, 2.0, 3.0), (-1.0, 2.0, 3.0))),
            PLAIN,
        ),
        Seam(3, "back", (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), Reach("regions", regions=(1, 3))),
        Seam(
            4, "ear", (0.0, 0.0, 9.0), (0.0, 1.0, 0.0), Reach("disc", ((1.0, 0.0, 9.0),), (), 30.0)
        ),
        Seam(5, "front", (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), stops_at=("waist", "back")),
    ),
    "out",
)

HEAD = 'seamwright = 1\nname = "A"\n'
SEAM = "[[seam]]\npoint = [0, 0, 1]\nnormal = [0, 0, 1]\n"


def test_round_trip_keeps_everything(tmp_path: Path) -> None:
    assert job_from_toml(job_to_toml(FULL)) == FULL
    write_job(FULL, tmp_path / "dragon.toml")
    assert read_job(tmp_path / "dragon.toml") == FULL
    assert [p.name for p in tmp_path.iterdir()] == ["dragon.toml"]


def test_the_platform_comes_back() -> None:
    text = (
        HEAD
        + SEAM
        + (
            "[printer]\nshape = 'round'\nbuild_volume = [200, 200, 300]\nbrim = 5\nlift = 0.6\n"
            "excluded = [[90, 0, 110, 9], [0, 90, 9.5, 110]]\n"
        )
    )
    job = job_from_toml(text)
    corners = ((90.0, 0.0, 110.0, 9.0), (0.0, 90.0, 9.5, 110.0))
    assert (job.printer.shape, job.printer.brim, job.printer.lift) == ("round", 5.0, 0.6)
    assert job.printer.excluded == corners
    assert job_from_toml(job_to_toml(job)) == job
    plain = job_from_toml(HEAD + SEAM + "[printer]\nprofile = 'resin-218'\nlift = 0")
    assert plain.printer.lift == 0.0 and job_from_toml(job_to_toml(plain)) == plain


def test_defaults() -> None:
    job = job_from_toml(HEAD + SEAM)
    assert job.seams == (Seam(1, "seam 1", (0, 0, 1), (0, 0, 1)),)
    assert job.printer == printer("filament-256")
    assert job.figure == FigureChoice()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = 'A'", "seamwright = 1"),
        ("seamwright = 2\nname = 'A'", "seamwright = 1"),
        ("seamwright = 1", "'name'"),
        ("seamwright = ", "not valid TOML"),
        (HEAD + "seems = 1", "did you mean 'seam'?"),
        (HEAD + "[figure]\nfle = 'a.stl'", "did you mean 'file'?"),
        (HEAD + "[figure]\nfile = 3", "'file' must be a text"),
        (HEAD + "[figure]\nfile = 'a.stl'\nobject = 'A'", "not both"),
        (HEAD + "[figure]\nscale = 2\ntarget_height = 5", "not both"),
        (HEAD + "[figure]\ntarget_height = 0", "target_height is 0"),
        (HEAD + "[figure]\nscale = -1", "scale is -1"),
        (HEAD + "[figure]\nscale = nan", "'scale' must be a number"),
        (HEAD + "[figure]\nmend = 'yes'", "true or false"),
        (HEAD + "figure = 3", "[figure]"),
        (HEAD + "[printer]\nprofile = 'no-such'", "unknown"),
        (HEAD + "[printer]\nprofile = 3", "profile must be a name"),
        (HEAD + "[printer]\nclearence = 0.2", "did you mean 'clearance'?"),
        (HEAD + "[printer]\nclearance = -0.2", "clearance must be 0 or more"),
        (HEAD + "[printer]\nbuild_volume = [256, 256]", "three numbers"),
        (HEAD + "[printer]\nbuild_volume = [5, 256, 256]", "margin"),
        (HEAD + "[printer]\nshape = 3", "'shape' must be a text"),
        (HEAD + "[printer]\nshape = 'oval'", 'use "rectangle" or "round"'),
        (HEAD + "[printer]\nexcluded = [0, 0, 9, 9]", "list of corners of four numbers"),
        (HEAD + "[printer]\nexcluded = [[0, 0, 9]]", "list of corners of four numbers"),
        (HEAD + "[printer]\nexcluded = [[0, 0, 9, true]]", "list of corners of four numbers"),
        (HEAD + "[printer]\nexcluded = [[9, 0, 0, 9]]", "x0 below x1"),
        (HEAD + "[printer]\nexcluded = [[0, 0, 256, 256]]", "leave nothing of the platform"),
        (HEAD + "[printer]\nbrim = '5'", "'brim' must be a number"),
        (HEAD + "[printer]\nlift = -1", "lift must be 0 or more"),
        (HEAD + "seam = 3", "[[seam]]"),
        (HEAD + "[[seam]]\nnormal = [0, 0, 1]", "'point' must be three numbers"),
        (HEAD + "[[seam]]\npoint = [0, 0, 1]\nnormal = [0, 0, 0]", "no length"),
        (HEAD + SEAM + "reach = 'none'", "reach must be"),
        (HEAD + SEAM + "reach = { nearest = [1, 2] }", "three numbers"),
        (HEAD + SEAM + "reach = { regions = [] }", "reach must be"),
        (HEAD + SEAM + "reach = { disc = [1, 2, 3] }", "reach must be"),
        (HEAD + SEAM + "reach = { regions = [1.5] }", "reach must be"),
        (HEAD + SEAM + "joint = 'glue'", "joint is 'glue'"),
        (HEAD + SEAM + "stops_at = 'waist'", "list of seam names"),
        (HEAD + (SEAM + "name = 'x'\n") * 2, "two seams are named 'x'"),
        (HEAD + "[output]\nfolder = ''", "'folder'"),
    ],
)
def test_refusals_are_one_sentence(text: str, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        job_from_toml(text, "dragon.toml")
    message = str(caught.value)
    assert says in message
    assert message.startswith("dragon.toml")
    assert "\n" not in message


def test_file_refusals(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="does not exist"):
        read_job(tmp_path / "none.toml")
    with pytest.raises(BadInput, match=r"not a \.toml file"):
        read_job(tmp_path / "job.json")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadInput, match="cannot be read"):
        read_job(tmp_path / "bad.toml")
    (tmp_path / "folder.toml").mkdir()
    with pytest.raises(BadInput, match="cannot be read"):
        read_job(tmp_path / "folder.toml")
    with pytest.raises(BadInput, match="cannot be written"):
        write_job(FULL, tmp_path / "bad.toml" / "x.toml")
