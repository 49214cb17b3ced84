"""Distances in files against another reader, and TOML and CSV against their standards."""

from __future__ import annotations

import csv
import io
import tomllib
from itertools import pairwise

import numpy as np
import pytest
import trimesh

from seamwright.errors import CheckFailed
from seamwright.files import write_3mf, write_stl
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.ledger import Entry, require_joint_scale, table, write_printed
from seamwright.mesh import Mesh
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile
from seamwright.seam import Seam
from seamwright.shapes import box
from seamwright.sizing import joints


@pytest.fixture(scope="module")
def post():
    """A square post 1 m tall with a seam every 200 mm, jointed."""
    figure = box(80, 80, 1000, (40, -70, 0))
    seams = tuple(
        Seam(k, f"at {200 * k}", (0.0, 0.0, 200.0 * k), (0.0, 0.0, 1.0)) for k in range(1, 5)
    )
    blanks = take_apart(figure, seams)
    made = joints(blanks, interfaces(blanks, seams), PrinterProfile())
    return made, jointed(blanks, made)


@pytest.mark.parametrize("kind", ["stl", "3mf"])
def test_files_as_trimesh_reads_them(post, tmp_path, kind):
    # Another reader than ours: what it finds in the files must be of one scale too.
    made, pieces = post
    read = {}
    for piece in pieces:
        path = tmp_path / f"{piece.id}.{kind}"
        if kind == "stl":
            write_stl(piece.mesh, path, piece.name)
        else:
            write_3mf(piece.mesh, path, name=piece.name, number=piece.id, metadata={})
        loaded = trimesh.load(path, force="mesh")
        read[piece.id] = Mesh.of(loaded.vertices, loaded.faces)
    assert "off by" in require_joint_scale(made, read).found
    loaded = read[3]
    # An inch is 25.4 mm: a file read in the wrong unit.
    with pytest.raises(CheckFailed, match="piece 3"):
        require_joint_scale(made, {**read, 3: loaded.scaled(25.4)})
    # A thousandth is what a printer's belts are commonly off by.
    with pytest.raises(CheckFailed, match="piece 3"):
        require_joint_scale(made, {**read, 3: loaded.scaled(1.001)})


def test_distances_in_closed_form(post):
    # Seams 200 mm apart, pegs alike and square to them: a middle piece's two ends lie 200 mm
    # apart, more by what the peg stands out and less by what the socket goes in.
    made, pieces = post
    for below, above in pairwise(made):
        assert below.pegs and above.pegs
        piece = pieces[below.interface.piece_a - 1]
        assert piece.id == above.interface.piece_b
        planes = trimesh.Trimesh(piece.mesh.vertices, piece.mesh.faces, process=False)
        level = np.abs(planes.face_normals[:, 2]) > 0.999
        heights = np.unique(np.round(planes.triangles_center[level, 2], 6))
        low, high = below.interface.frame.origin[2], above.interface.frame.origin[2]
        reach = {
            True: lambda j: j.pegs[0].depth,
            False: lambda j: -(j.pegs[0].depth + j.seating_gap),
        }
        ends = (
            low - reach[below.peg_piece == piece.id](below),
            high + reach[above.peg_piece == piece.id](above),
        )
        for z in ends:
            assert np.abs(heights - z).min() < 1e-5
    assert "off by" in require_joint_scale(made, {p.id: p.mesh for p in pieces}).found


def test_the_table_is_rfc_4180():
    text = table((Entry(1, 2000.0, 1, 3, False), Entry(2, 5.0, 1, None, True)))
    assert text.count("\r\n") == 3 and text.endswith("\r\n")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert {len(row) for row in rows} == {5}


def test_the_printed_file_is_toml(tmp_path):
    pieces = (Piece(1, box(10, 10, 10)), Piece(2, box(10, 10, 20)))
    write_printed(tmp_path / "printed.toml", [2], pieces)
    assert tomllib.loads((tmp_path / "printed.toml").read_text(encoding="utf-8")) == {
        "seamwright": 1, "printed": [2], "volume_cm3": {"2": 2.0},
    }  # fmt: skip
