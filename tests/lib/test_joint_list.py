"""The joint list: a row for each joint of any kind, in the order of the letters."""

from __future__ import annotations

import csv
import io
import json
from functools import cache
from pathlib import Path

import pytest

from seamwright.choice import PLAIN, JointChoice
from seamwright.clearance import grade
from seamwright.job import FigureChoice, Job
from seamwright.joint_list import COLUMNS, joint_list, joint_rows, to_buy
from seamwright.printer import PrinterProfile
from seamwright.results import write
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam
from seamwright.shapes import box

CHOICES = (
    JointChoice(),
    JointChoice("loose pegs", count=2, width=10.0, clearance=0.25),
    JointChoice("magnets", magnet="8x3"),
    PLAIN,
    JointChoice(footprint="cross", direction=(0.2, 0.0, 1.0)),
)
ROD = Rod("spine", (30.0, 12.0, 60.0), (30.0, 12.0, 150.0), 6.0)


@cache
def made() -> Result:
    """A post with a joint of every kind, and a rod through the first two."""
    profile = PrinterProfile(build_volume=(300.0, 300.0, 400.0))
    seams = tuple(
        Seam(n, f"seam, {n}", (30.0, 30.0, 80.0 * n - 0.01), (0.0, 0.0, 1.0), joint=choice)
        for n, choice in enumerate(CHOICES, start=1)
    )
    rods = (Rod("spine", ROD.start, (30.0, 12.0, 200.0), 6.0),)
    job = Job("Post", FigureChoice(), profile, seams, None, (), rods)
    return make(prepare(box(60, 60, 480), "mm", job), job)


def rows() -> list[dict[str, str]]:
    result = made()
    text = joint_list(result.joints, result.strengths, result.order)
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_every_joint_has_a_row_with_what_it_is() -> None:
    found = rows()
    assert [r["joint"] for r in found] == list("ABCDE")
    assert [r["kind"] for r in found] == ["pegs", "loose pegs", "magnets", "plain", "pegs"]
    assert [r["seam"] for r in found] == [f"seam, {n}" for n in range(1, 6)]
    assert [r["pieces"] for r in found] == ["1 2", "2 3", "3 4", "4 5", "5 6"]
    assert [r["count"] for r in found] == ["1", "2", "2", "0", "1"]
    assert all(tuple(r) == COLUMNS for r in found)


def test_sizes_are_those_of_the_joints() -> None:
    for row, joint in zip(rows(), made().joints, strict=True):
        widths = [p.width for p in joint.pegs] + [m.diameter for m in joint.magnets]
        assert [float(w) for w in row["width_mm"].split()] == pytest.approx(widths, abs=0.05)
        if not widths:
            assert {row[k] for k in ("footprint", "depth_mm", "clearance_mm", "grade", "wall_mm",
                                     "direction")} == {""}  # fmt: skip
            continue
        assert float(row["clearance_mm"]) == joint.clearance
        assert row["grade"] == grade(joint.clearance, max(widths))
        walls = [p.wall for p in joint.pegs] + [m.wall for m in joint.magnets]
        assert float(row["wall_mm"]) == pytest.approx(min(walls), abs=0.05)
        deep = [p.depth for p in joint.pegs] + [m.thickness for m in joint.magnets]
        assert float(row["depth_mm"]) == pytest.approx(max(deep), abs=0.05)
    assert [r["footprint"] for r in rows()][1:] == ["square", "round", "", "cross"]


def test_directions_are_in_words_and_only_where_pegs_lead() -> None:
    straight, loose, magnets, plain, leaning = (r["direction"] for r in rows())
    assert straight in ("straight up", "straight down") and loose in (
        "straight up",
        "straight down",
    )
    assert magnets == plain == ""
    assert "leaning 11° towards" in leaning


def test_steps_are_those_of_the_assembly_order() -> None:
    result = made()
    for row in rows():
        step = result.order.steps[int(row["step"]) - 1]
        assert row["joint"] in step.joints
    # A joint that closes in no step has none.
    lines = joint_rows(result.joints, result.strengths, type(result.order)())
    assert {line[-1] for line in lines} == {""}


def test_strengths_are_told_where_anything_is_stressed() -> None:
    for row, strength in zip(rows(), made().strengths, strict=True):
        assert float(row["carried_g"]) == pytest.approx(strength.load.carried, abs=0.5)
        assert (row["weakest"] == "") == (strength.weakest is None)
        if strength.weakest is not None:
            assert row["weakest"] == strength.weakest.where
            assert float(row["stress_mpa"]) == pytest.approx(strength.weakest.stress, abs=5e-4)
            assert float(row["factor"]) == pytest.approx(strength.factor, abs=0.05)


def test_what_to_buy_is_rods_and_then_magnets() -> None:
    result = made()
    assert [(b.what, b.size, b.count, b.joints) for b in to_buy(
        result.joints, result.job.rods, result.bores)] == [
        ("rod 'spine'", "6 x 140.0", 1, "A B"), ("disc magnet", "8 x 3", 4, "C"),
    ]  # fmt: skip
    assert to_buy((), (), ()) == []


def test_list_and_report_say_the_same(tmp_path: Path) -> None:
    out = write(made(), tmp_path / "out")
    text = (out / "joints.csv").read_bytes()
    assert text.count(b"\r\n") == 6 and text.decode() == joint_list(
        made().joints, made().strengths, made().order
    )
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    for row, told in zip(rows(), report["joints"], strict=True):
        assert row["joint"] == told["joint"] and row["kind"] == told["kind"]
        assert len(told["pegs"]) + len(told["magnets"]) == int(row["count"])
    assert report["rods"][0]["joints"] == ["A", "B"] and report["rods"][0]["length_mm"] == 140
    assert [b["count"] for b in report["to_buy"]] == [1, 4]
    parts = list(csv.DictReader((out / "parts.csv").open(encoding="utf-8", newline="")))
    assert [r["part"] for r in parts] == ["piece"] * 6 + ["loose peg"] * 2 + ["to buy"] * 2
