"""The result folder: all its files, each read back by other means than it was written."""

from __future__ import annotations

import csv
import hashlib
import json
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import lib3mf
import numpy as np
import pytest

import seamwright.plan
import seamwright.results
from seamwright.build_choice import BuildChoice, Group
from seamwright.checks import require_all_shells
from seamwright.choice import JointChoice
from seamwright.errors import BadInput, Cancelled, CheckFailed
from seamwright.files import as_written
from seamwright.job import FigureChoice, Job, read_job
from seamwright.ledger import require_joint_scale
from seamwright.mesh import Mesh, joined
from seamwright.pieces import take_apart
from seamwright.plan import Plan, planned
from seamwright.pose import poses
from seamwright.printer import printer
from seamwright.results import target_folder, write
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam
from seamwright.shapes import box, moved, revolved

UP = (0.0, 0.0, 1.0)
GROUPS = (Group("gold", (3,)),)
SEAMS = (
    Seam(1, "knee", (30.0, 30.0, 60.0), (0.1, 0.0, 1.0), joint=JointChoice("loose pegs")),
    Seam(2, "neck", (30.0, 30.0, 130.0), (0.0, 0.2, 1.0)),
)
PLAIN_FILES = ["3mf", "job.toml", "joints.csv", "parts.csv", "report.json", "stl"]


def post_job(name: str = "Post & Co") -> Job:
    return Job(
        name, FigureChoice(), printer("filament-180"), SEAMS, builds=BuildChoice(groups=GROUPS)
    )


def post_result() -> Result:
    job = post_job()
    # A bubble beside the middle piece's seams, so that one piece holds two shells.
    bubble = moved(
        revolved(np.array([0.0, 6.0, 6.0, 0.0]), np.array([0.0, 0.0, 8.0, 8.0]), 12).flipped(),
        (12.0, 12.0, 90.0),
    )
    return make(prepare(joined([box(60, 60, 190), bubble]), "mm", job), job)


def quick(result: Result, **more: object) -> Plan:
    """The plan with few poses judged, which is quicker."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(seamwright.plan, "poses", partial(poses, count=1))
        return planned(result, **more)


@cache
def work() -> tuple[Result, Plan]:
    result = post_result()
    return result, quick(result)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    result, plan = work()
    return write(result, tmp_path_factory.mktemp("made") / "out", plan=plan)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def read_build(path: Path) -> tuple[dict[int, tuple[str, Mesh]], dict[str, str]]:
    """By part number the name and mesh of each item, where it stands; and the metadata."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    found, items = {}, model.GetBuildItems()
    while items.MoveNext():
        item = items.GetCurrent()
        thing = item.GetObjectResource()
        points = np.array([list(v.Coordinates) for v in thing.GetVertices()], dtype=float)
        faces = np.array([list(t.Indices) for t in thing.GetTriangleIndices()])
        rows = np.array([list(r) for r in item.GetObjectTransform().Fields], dtype=float)
        assert thing.IsManifoldAndOriented()
        mesh = Mesh.of(points @ rows[:3] + rows[3], faces)
        found[int(item.GetPartNumber())] = (thing.GetName(), mesh)
    group = model.GetMetaDataGroup()
    told = (group.GetMetaData(k) for k in range(group.GetMetaDataCount()))
    return found, {one.GetName(): one.GetValue() for one in told}


def digests(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


# --- what is there ------------------------------------------------------------------------------


def test_the_folder_holds_pieces_pegs_builds_and_tables(folder: Path) -> None:
    found = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    stems = ["post-co-01", "post-co-02", "post-co-03", "post-co-peg-A"]
    builds = [f"post-co-build-0{n}" for n in (1, 2)]
    expected = {
        *(f"{kind}/{stem}.{kind}" for kind in ("stl", "3mf") for stem in stems),
        *(f"builds/{stem}.{kind}" for kind in ("3mf", "svg") for stem in builds),
        "book.html", "builds.csv", "job.toml", "joints.csv", "ledger.csv", "parts.csv",
        "report.json",
    }  # fmt: skip

    assert set(found) == expected


def test_the_files_of_loose_pegs_are_read_back_too(tmp_path, monkeypatch) -> None:
    result, _ = work()
    through = seamwright.results.write_both

    def spoiled(mesh, folder, stem, **named):
        return through(mesh, folder, stem, **named).scaled(1.01 if "peg" in stem else 1.0)

    monkeypatch.setattr(seamwright.results, "write_both", spoiled)
    with pytest.raises(CheckFailed, match=r"The file of piece 4 does not hold what was made"):
        write(result, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_without_a_plan_there_are_pieces_only(tmp_path: Path) -> None:
    result, _ = work()
    out = write(result, tmp_path / "out")
    found = {p.name for p in out.iterdir()}
    assert set(PLAIN_FILES) <= found and not {"builds", "builds.csv", "ledger.csv"} & found
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert not {"builds", "stance"} & set(report) and report["pieces"][0].get("build") is None
    assert {r["build"] for r in rows_of(out / "parts.csv")} == {""}


def test_tables_and_report_say_the_same(folder: Path) -> None:
    result, plan = work()
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    parts = rows_of(folder / "parts.csv")
    builds = rows_of(folder / "builds.csv")
    names = [p.name for p in plan.parts]
    assert sorted(r["part"] for r in builds) == sorted(names)
    on = {r["part"]: int(r["build"]) for r in builds}
    assert {r["name"]: int(r["build"]) for r in parts if r["build"]} == on
    assert [(p["name"], p["build"]) for p in report["pieces"]] == [(n, on[n]) for n in names[:3]]
    assert [b["group"] for b in report["builds"]["builds"]] == [
        b.group for b in plan.packing.builds
    ]
    assert report["builds"]["count"] == 2
    for told, needs in zip(report["builds"]["builds"], plan.estimates, strict=True):
        assert told["estimate"]["time_h"] == pytest.approx(needs.time_h, abs=0.01)
        assert told["estimate"]["said"] == needs.sentence
    assert report["builds"]["estimate"]["material_g"] == pytest.approx(
        sum(b["estimate"]["material_g"] for b in report["builds"]["builds"]), abs=0.2
    )
    assert report["stance"]["mass_g"] == pytest.approx(plan.stance.mass, abs=0.1)
    for told, part in zip(report["pieces"], plan.parts, strict=False):
        assert np.allclose(told["pose_rotation"], part.rotation, atol=1e-8)
        assert sum(t["minutes"] for t in told["pose_parts"]) == pytest.approx(
            part.pose.score, abs=1.0
        )
    checks = [c["check"] for c in report["checks"]]
    assert {"joint scale", "builds", "build files"} <= set(checks)
    assert len(rows_of(folder / "joints.csv")) == len(result.joints)
    assert read_job(folder / "job.toml") == result.job


def test_the_ledger_follows_each_shell_onto_its_builds(folder: Path) -> None:
    result, plan = work()
    rows = rows_of(folder / "ledger.csv")
    assert [(r["shell"], r["piece"], r["printed"]) for r in rows] == [
        ("1", "1", "no"), ("1", "2", "no"), ("1", "3", "no"), ("2", "2", "no"),
    ]  # fmt: skip
    assert [int(r["build"]) for r in rows] == [plan.build_of[int(r["piece"])] for r in rows]
    volumes = {r["shell"]: float(r["volume_cm3"]) for r in rows}
    assert sum(volumes.values()) * 1000 == pytest.approx(result.figure.mesh.volume, rel=1e-5)


# --- builds as files ----------------------------------------------------------------------------


def test_builds_are_sound_3mf_with_every_part_in_its_pose(folder: Path) -> None:
    result, plan = work()
    of = {p.number: p for p in plan.parts}
    for build, needs in zip(plan.packing.builds, plan.estimates, strict=True):
        found, told = read_build(folder / f"builds/post-co-build-{build.number:02d}.3mf")
        assert list(found) == [p.item for p in build.placed]
        assert told["Title"] == f"Post & Co build {build.number} of 2"
        assert told["Description"] == needs.sentence
        for placed in build.placed:
            part, (name, mesh) = of[placed.item], found[placed.item]
            assert name == f"Post & Co {part.name}"
            written = as_written(part.mesh)
            assert np.array_equal(mesh.faces, written.faces)
            # The pose's rotation and a turn about the vertical, and then only a shift.
            a = np.radians(placed.turn)
            spin = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
            shift = mesh.vertices - written.vertices @ (spin @ part.rotation).T
            assert np.ptp(shift, axis=0) == pytest.approx([0, 0, 0], abs=1e-3)
            assert mesh.bounds[0, 2] == pytest.approx(0, abs=1e-6)
            x, y, z = result.job.printer.usable
            assert (mesh.bounds[0] > -1e-3).all() and (mesh.bounds[1] < [x, y, z]).all()


def test_builds_are_of_one_scale_by_the_distances_between_joints(folder: Path) -> None:
    result, plan = work()
    of = {p.number: p for p in plan.parts}
    meshes, placements = {}, {}
    for build in plan.packing.builds:
        found, _ = read_build(folder / f"builds/post-co-build-{build.number:02d}.3mf")
        for placed in build.placed:
            if placed.item in {p.id for p in result.pieces}:
                part = of[placed.item]
                meshes[placed.item] = found[placed.item][1]
                placements[placed.item] = placed.transform(part.mesh, part.rotation)
    check = require_joint_scale(result.joints, meshes, placements)
    assert "between joints in the files measured" in check.found
    larger = {n: Mesh(m.vertices * 1.001, m.faces, m.tag) for n, m in meshes.items()}
    with pytest.raises(CheckFailed):
        require_joint_scale(result.joints, {**meshes, 2: larger[2]}, placements)


def test_pictures_show_every_part_of_their_build(folder: Path) -> None:
    _, plan = work()
    for build in plan.packing.builds:
        text = (folder / f"builds/post-co-build-{build.number:02d}.svg").read_text("utf-8")
        ET.fromstring(text)
        names = {p.number: p.name for p in plan.parts}
        assert all(names[p.item] in text for p in build.placed)


# --- the same each time -------------------------------------------------------------------------


def test_the_same_job_gives_the_same_bytes_throughout(folder: Path, tmp_path: Path) -> None:
    result = post_result()
    with ProcessPoolExecutor(2) as executor:
        plan = quick(result, executor=executor)
    again = write(result, tmp_path / "again", plan=plan)
    one, two = digests(folder), digests(again)
    assert len(one) >= 18
    assert {n for n in one if one[n] != two.get(n)} == set() and one.keys() == two.keys()


def test_all_printed_leaves_no_builds_to_write(tmp_path: Path) -> None:
    result, _ = work()
    plan = quick(result, done=[1, 2, 3, 4])
    out = write(result, tmp_path / "out", plan=plan)
    assert list((out / "builds").iterdir()) == []
    assert rows_of(out / "builds.csv") == []
    assert {(r["build"], r["printed"]) for r in rows_of(out / "ledger.csv")} == {("", "yes")}
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["builds"]["count"] == 0
    assert report["builds"]["said"] == "Nothing is left to print."


# --- whole or not at all ------------------------------------------------------------------------


def test_a_stop_or_a_refusal_leaves_nothing(tmp_path: Path) -> None:
    result, plan = work()

    def stop(_done: float, what: str) -> None:
        if what == "writing builds":
            raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        write(result, tmp_path / "out", plan=plan, progress=stop)
    named = replace(result, job=replace(result.job, name="Post\x01"))
    with pytest.raises(BadInput, match="a character that 3MF cannot"):
        write(named, tmp_path / "out", plan=plan)
    lost = replace(plan, packing=replace(plan.packing, builds=plan.packing.builds[::-1]))
    odd = replace(lost, parts=plan.parts[:2])
    with pytest.raises(BadInput, match="which was not given"):
        write(result, tmp_path / "out", plan=odd)
    assert list(tmp_path.iterdir()) == []
    write(result, tmp_path / "out", plan=plan)
    before = digests(tmp_path / "out")
    with pytest.raises(BadInput, match="exists"):
        write(result, tmp_path / "out", plan=plan)
    with pytest.raises(Cancelled):
        write(result, tmp_path / "out", plan=plan, replace=True, progress=stop)
    assert digests(tmp_path / "out") == before


def test_a_stop_at_any_word_leaves_nothing(tmp_path: Path) -> None:
    """Esc works through the words on how far the work is: they come often, and any may stop it."""
    result, plan = work()
    told: list[tuple[float, str]] = []
    write(result, tmp_path / "told", plan=plan, progress=lambda *said: told.append(said))
    write(result, tmp_path / "untold", plan=plan)
    assert digests(tmp_path / "told") == digests(tmp_path / "untold")
    amounts = [done for done, _ in told]
    assert amounts == sorted(amounts) and amounts[0] >= 0 and amounts[-1] == 1
    words = [what for _, what in told]
    parts = sum(len(b.placed) for b in plan.packing.builds)
    # Each part is written to its build and read again; each piece is drawn twice on the cover.
    assert sum(what.startswith("writing build ") for what in words) >= 2 * parts
    assert words.count("checking files") >= len(result.printable)
    assert words.count("drawing the figure") >= 2 * len(result.pieces)
    assert words.count("drawing step 1") > len(result.order.steps[0].onto)

    for last in range(len(told)):
        left = iter(range(last))

        def stop(_done: float, _what: str, left: Iterator[int] = left) -> None:
            if next(left, None) is None:
                raise Cancelled("stopped")

        folder = tmp_path / "stopped"
        folder.mkdir()
        with pytest.raises(Cancelled):
            write(result, folder / "out", plan=plan, progress=stop)
        folder.rmdir()  # which only goes where nothing is left in it


def test_where_the_result_goes() -> None:
    job, path = post_job(), Path("jobs/post.toml")
    assert target_folder(job, path, None) == Path("jobs/post-pieces")
    assert target_folder(replace(job, output="done"), path, None) == Path("jobs/done")
    assert target_folder(replace(job, output="done"), path, Path("here")) == Path("here")


# --- shells in pieces that are a mere slice of them ---------------------------------------------


def slices(figure: Mesh, *heights: float) -> list[tuple[int, ...]]:
    seams = tuple(Seam(n, f"s{n}", (0.0, 0.0, z), UP) for n, z in enumerate(heights, start=1))
    return [line.pieces for line in require_all_shells(figure, take_apart(figure, seams))[1]]


def test_a_slice_with_another_shell_s_vertices_is_in_the_ledger() -> None:
    bubble = moved(box(10, 10, 10), (-5, -5, 85)).flipped()
    figure = joined([moved(box(40, 40, 200), (-20, -20, 0)), bubble])
    assert slices(figure, 60, 120) == [(1, 2, 3), (2,)]


def test_a_slice_of_two_shells_at_once_has_both() -> None:
    hollow = moved(box(20, 20, 180), (-10, -10, 10)).flipped()
    figure = joined([moved(box(40, 40, 200), (-20, -20, 0)), hollow])
    assert slices(figure, 60, 120) == [(1, 2, 3), (1, 2, 3)]
    two = joined([hollow.flipped(), moved(hollow, (60, 0, 0)).flipped()])
    assert slices(two, 60, 120) == [(1, 3, 5), (2, 4, 6)]


def test_a_shell_beside_a_slice_is_not_in_it() -> None:
    """Boxes that overlap, but solids that do not: a slanting bar and a bead under it."""
    bar = box(20, 20, 200)
    slant = Mesh(bar.vertices + bar.vertices[:, 2:] * [1.0, 0, 0], bar.faces, bar.tag)
    bead = moved(box(10, 10, 10), (102, 5, 65))
    assert slices(joined([slant, bead]), 60, 100) == [(1, 2, 4), (3,)]
