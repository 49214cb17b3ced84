"""Loose pegs: their shape, how they lie to print, where they belong, and what tells of them."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh

from seamwright.choice import JointChoice
from seamwright.errors import CheckFailed
from seamwright.files import read_mesh
from seamwright.gaps import require_gaps
from seamwright.job import FigureChoice, Job
from seamwright.joint import rings_volume
from seamwright.loose import loose_pegs
from seamwright.mesh import Mesh
from seamwright.printer import PrinterProfile
from seamwright.report import PART_COLUMNS, parts_list, peg_stem
from seamwright.results import write
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam
from seamwright.shapes import box

PROFILE = PrinterProfile(build_volume=(300.0, 300.0, 400.0))
LOOSE = JointChoice("loose pegs")
LEANING = (0.25, -0.2, 1.0)
CHOICES = {
    "plain": LOOSE,
    "leaning": replace(LOOSE, direction=LEANING),
    "rectangle": replace(LOOSE, footprint="rectangle"),
    "cross": replace(LOOSE, footprint="cross"),
    "two": replace(LOOSE, count=2, width=10.0),
    "three D": replace(LOOSE, count=3, width=8.0, footprint="D"),
}


@cache
def made(name: str) -> Result:
    seam = Seam(1, "waist", (40.0, 30.0, 100.0), (0.1, 0.0, 1.0), joint=CHOICES[name])
    job = Job("Post", FigureChoice(), PROFILE, (seam,))
    return make(prepare(box(80, 60, 200), "mm", job), job)


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    whole = manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))
    assert whole.status() == manifold3d.Error.NoError
    return whole


EACH = pytest.mark.parametrize("name", CHOICES)


# --- shape --------------------------------------------------------------------------------------


@EACH
def test_each_is_closed_and_twice_what_stands_in_either_piece(name: str) -> None:
    result = made(name)
    (joint,) = result.joints
    assert joint.kind == "loose pegs" and len(result.loose) == len(joint.pegs)
    assert joint.draft == 0.0
    for peg, drawn in zip(result.loose, joint.pegs, strict=True):
        read = trimesh.Trimesh(peg.mesh.vertices, peg.mesh.faces, process=False)
        assert read.is_watertight and read.is_winding_consistent
        assert peg.mesh.volume == pytest.approx(2 * rings_volume(joint.peg_rings(drawn)))
        assert solid(peg.mesh).volume() == pytest.approx(peg.mesh.volume)
        low, high = np.sort((peg.mesh.vertices - joint.frame.origin) @ joint.frame.normal)[[0, -1]]
        assert (-low, high) == pytest.approx((drawn.depth, drawn.depth))


@EACH
def test_each_fits_its_two_sockets_and_no_two_parts_share_anything(name: str) -> None:
    result = made(name)
    (joint,) = result.joints
    for peg in result.loose:
        for piece in result.pieces:
            held, body = solid(piece.mesh), solid(peg.mesh)
            assert (held ^ body).volume() <= 1e-9 * body.volume()
            # Pushed aside by more than its clearance, it touches.
            for side in joint.frame.axes[:2]:
                aside = body.translate(tuple(1.5 * joint.clearance * side))
                assert (held ^ aside).volume() > 1e-3


@EACH
def test_both_pieces_have_the_same_socket(name: str) -> None:
    result = made(name)
    (joint,) = result.joints
    lost = [
        b.mesh.volume - p.mesh.volume for b, p in zip(result.blanks, result.pieces, strict=True)
    ]
    marks = [j.volumes(s)[1] - sum(rings_volume(j.socket_rings(p)) for p in j.pegs)
             for s in ("A", "B") for j in [joint]]  # fmt: skip
    sockets = sum(rings_volume(joint.socket_rings(p)) for p in joint.pegs)
    sides = [0 if joint.side_of(p.id) == "A" else 1 for p in result.pieces]
    assert lost == pytest.approx([sockets + marks[k] for k in sides])
    assert all(joint.volumes(side)[0] == 0.0 for side in ("A", "B"))


# --- to print -----------------------------------------------------------------------------------


@EACH
def test_each_lies_on_a_side_along_x_with_its_layers_along_it(name: str) -> None:
    result = made(name)
    (joint,) = result.joints
    for peg in result.loose:
        assert peg.rotation @ peg.rotation.T == pytest.approx(np.eye(3))
        assert np.linalg.det(peg.rotation) == pytest.approx(1.0)
        # Its axis turns to x: straight along the platform.
        axis = peg.rotation @ (joint.way("A") / np.linalg.norm(joint.way("A")))
        assert axis == pytest.approx([1.0, 0.0, 0.0])
        laid = trimesh.Trimesh(peg.laid.vertices, peg.laid.faces, process=False)
        assert laid.bounds[0] == pytest.approx(0.0, abs=1e-9)
        assert laid.volume == pytest.approx(peg.mesh.volume)
        level = laid.face_normals[:, 2] < -0.9999
        down = laid.area_faces[level & (laid.triangles_center[:, 2] < 1e-9)].sum()
        # It rests on a side of it, not on an edge, and does not topple.
        assert down > 0.1 * peg.length * peg.width
        corners = laid.vertices[laid.vertices[:, 2] < 1e-9][:, :2]
        low, high = corners.min(axis=0), corners.max(axis=0)
        assert (low < laid.center_mass[:2]).all() and (laid.center_mass[:2] < high).all()


def test_length_is_from_end_to_end_along_the_peg() -> None:
    for name in ("plain", "leaning"):
        result = made(name)
        (joint,), (peg,) = result.joints, result.loose
        normal, depth = joint.frame.normal, joint.pegs[0].depth
        lean = np.asarray(LEANING if name == "leaning" else normal)
        assert peg.length == pytest.approx(2 * depth * np.linalg.norm(lean) / abs(lean @ normal))
        assert peg.width == joint.pegs[0].width


# --- where they belong --------------------------------------------------------------------------


def test_labels_count_only_where_there_are_several() -> None:
    assert [(p.label, p.name) for p in made("plain").loose] == [("A", "loose peg A")]
    assert [p.label for p in made("three D").loose] == ["A1", "A2", "A3"]
    assert [p.number for p in made("three D").loose] == [0, 1, 2]
    assert peg_stem(made("two").job, made("two").loose[1]) == "post-peg-A2"


def test_only_loose_joints_have_any() -> None:
    joints = made("two").joints
    assert loose_pegs(tuple(replace(j, loose=False) for j in joints)) == ()
    assert loose_pegs(()) == ()


def test_the_order_puts_the_pieces_together_along_the_pegs() -> None:
    for name in ("plain", "leaning"):
        result = made(name)
        (step,) = result.order.steps
        (joint,) = result.joints
        assert result.order.is_whole and step.joints == ("A",)
        assert abs(float(step.direction @ joint.into)) == pytest.approx(1.0)


def test_a_peg_that_is_missing_or_another_is_found_out() -> None:
    result = made("two")
    one, two = result.loose
    with pytest.raises(CheckFailed, match="Joint A lacks its loose peg"):
        require_gaps(result.pieces, result.joints, (one,))
    with pytest.raises(CheckFailed, match="loose peg of joint A does not carry its half"):
        require_gaps(result.pieces, result.joints, (one, replace(two, mesh=one.mesh)))
    grown = Mesh(one.mesh.vertices + np.array([0.05, 0, 0]), one.mesh.faces, one.mesh.tag)
    with pytest.raises(CheckFailed, match=r"joint A at a peg's side is 0\.1\d+ mm"):
        require_gaps(result.pieces, result.joints, (replace(one, mesh=grown), two))
    assert require_gaps(result.pieces, result.joints, (one, two)).found.startswith("2 pegs")


# --- what tells of them -------------------------------------------------------------------------


def rows_of(result: Result) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(parts_list(result))))


def test_the_parts_list_has_a_row_for_each() -> None:
    result = made("two")
    rows = rows_of(result)
    assert [r["part"] for r in rows] == ["piece", "piece", "loose peg", "loose peg"]
    for row, peg in zip(rows[2:], result.loose, strict=True):
        assert row["name"] == peg.name and row["joints"] == "A" and row["piece"] == ""
        assert float(row["volume_cm3"]) == pytest.approx(peg.mesh.volume / 1000, abs=1e-3)
        assert float(row["x_mm"]) == pytest.approx(peg.length, abs=0.01)
        assert set(row) == set(PART_COLUMNS)
    assert [r["part"] for r in rows_of(replace(result, loose=()))] == ["piece", "piece"]


def test_each_has_files_that_hold_it_as_it_lies(tmp_path: Path) -> None:
    result = made("two")
    out = write(result, tmp_path / "out")
    listed = list(csv.DictReader((out / "parts.csv").open(newline="")))
    for peg, row in zip(result.loose, listed[2:], strict=True):
        for kind in ("stl", "3mf"):
            read = read_mesh(out / row[kind])
            assert read.is_closed
            assert read.volume == pytest.approx(peg.mesh.volume, rel=1e-5)
            assert read.bounds[0] == pytest.approx(0.0, abs=1e-4)
            assert read.size == pytest.approx(peg.laid.size, abs=1e-3)
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert [p["name"] for p in report["loose_pegs"]] == ["loose peg A1", "loose peg A2"]
    (joint,) = report["joints"]
    assert joint["kind"] == "loose pegs" and joint["pegs_on"] is joint["sockets_in"] is None
    assert len(joint["pegs"]) == 2
