"""The ledger: nothing missing, ticks that survive, and one scale in every file."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from seamwright.checks import ShellLine, require_all_shells
from seamwright.choice import JointChoice
from seamwright.errors import BadInput, CheckFailed, SeamwrightError
from seamwright.files import read_mesh, write_stl
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.ledger import (
    Entry,
    Printed,
    ledger,
    printed_path,
    read_printed,
    require_all_on_builds,
    require_joint_scale,
    summary,
    table,
    tick,
    write_printed,
)
from seamwright.mesh import Mesh, joined
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile
from seamwright.seam import Seam
from seamwright.shapes import box, moved, revolved, sphere
from seamwright.sizing import joints

PIECES = tuple(Piece(k, box(10.0 * k, 20, 30)) for k in range(1, 5))
BUILDS = {1: 1, 2: 2, 3: 1, 4: 3}


def one_sentence(error: pytest.ExceptionInfo[SeamwrightError]) -> str:
    text = str(error.value)
    assert text.endswith(".") and ". " not in text and "\n" not in text
    return text


class Work:
    """A tall figure with a cavity, in three pieces and jointed, far from the origin."""

    def __init__(self, choice: JointChoice | None = None) -> None:
        shift = (300.0, -200.0, 900.0)
        r, h = np.array([(0, 0), (45, 0), (45, 300), (45, 600), (0, 600)], dtype=float).T
        hollow = moved(sphere(18, 16), (0, 0, 330)).flipped()
        self.figure = moved(joined([revolved(r, h, 48), hollow]), shift)
        x, y, z = shift
        seams = (
            Seam(1, "low", (x, y, z + 200), (0, 0, 1)),
            Seam(2, "high", (x, y, z + 450), (0.1, 0, -1)),
        )
        blanks = take_apart(self.figure, seams)
        faces = interfaces(blanks, seams)
        choices = [choice] * len(faces) if choice else None
        self.joints = joints(blanks, faces, PrinterProfile(), choices=choices)
        self.pieces = jointed(blanks, self.joints)
        self.meshes = {p.id: p.mesh for p in self.pieces}


@pytest.fixture(scope="module")
def work() -> Work:
    return Work()


# --- nothing missing ------------------------------------------------------------------------


def test_every_shell_is_followed_to_its_builds(work):
    _, shells = require_all_shells(work.figure, work.pieces)
    entries = ledger(shells, {1: 1, 2: 2, 3: 1}, {3})
    assert [(e.shell, e.piece, e.build, e.printed) for e in entries] == [
        (1, 1, 1, False), (1, 2, 2, False), (1, 3, 1, True), (2, 2, 2, False),
    ]  # fmt: skip
    assert sum({e.shell: e.volume for e in entries}.values()) == pytest.approx(work.figure.volume)
    assert summary(entries) == "2 shells in 3 pieces, 1 printed; builds 1, 2 to print"


def test_the_table_has_a_line_for_each_shell_in_each_piece():
    entries = (Entry(1, 12_345.6789, 1, 2, False), Entry(1, 12_345.6789, 2, None, True))
    rows = list(csv.DictReader(io.StringIO(table(entries))))
    assert rows == [
        {"shell": "1", "volume_cm3": "12.345679", "piece": "1", "build": "2", "printed": "no"},
        {"shell": "1", "volume_cm3": "12.345679", "piece": "2", "build": "", "printed": "yes"},
    ]
    assert summary(entries) == "1 shell in 2 pieces, 1 printed; build 2 to print"
    assert "to print" not in summary(entries[1:])


def test_all_pieces_lie_on_builds():
    assert require_all_on_builds(PIECES, BUILDS).found == "4 pieces on 3 builds"
    rest = {k: b for k, b in BUILDS.items() if k != 3}
    assert require_all_on_builds(PIECES, rest, {3}).found == (
        "3 pieces on 3 builds, 1 of 4 printed"
    )
    with pytest.raises(CheckFailed, match="Piece 3 lies on no build") as error:
        require_all_on_builds(PIECES, rest)
    one_sentence(error)
    with pytest.raises(CheckFailed, match="Pieces 1, 2, 3, 4 lie on no build"):
        require_all_on_builds(PIECES, {})
    with pytest.raises(CheckFailed, match="Build 7 holds piece 9"):
        require_all_on_builds(PIECES, {**BUILDS, 9: 7})


# --- what is printed ------------------------------------------------------------------------


def test_ticks_survive(tmp_path):
    path = printed_path(tmp_path / "keeper-pieces")
    assert path == tmp_path / "keeper-pieces-printed.toml"
    assert read_printed(path, PIECES) == Printed()
    assert tick(path, PIECES, [3, 1]).pieces == {1, 3}
    assert tick(path, PIECES, [4]).pieces == {1, 3, 4}
    assert tick(path, PIECES, [3], done=False).pieces == {1, 4}
    found = read_printed(path, PIECES)
    assert found == Printed(frozenset({1, 4}))
    assert sorted(p.name for p in tmp_path.iterdir()) == [path.name]


def test_the_file_can_be_written_by_hand(tmp_path):
    path = tmp_path / "printed.toml"
    path.write_text("seamwright = 1\nprinted = [2, 2, 4]\n")
    assert read_printed(path, PIECES).pieces == {2, 4}


def test_the_same_ticks_give_the_same_bytes(tmp_path):
    one, two = tmp_path / "one.toml", tmp_path / "two.toml"
    write_printed(one, [4, 1, 1], PIECES)
    write_printed(two, {1, 4}, PIECES)
    assert one.read_bytes() == two.read_bytes()


def test_a_piece_that_is_another_solid_now_counts_as_not_printed(tmp_path):
    path = tmp_path / "printed.toml"
    write_printed(path, [1, 2], PIECES)
    moved_seam = (PIECES[0], Piece(2, box(25, 20, 30)), *PIECES[2:])
    found = read_printed(path, moved_seam)
    assert found.pieces == {1}
    (said,) = found.warnings
    assert "Piece 2 is ticked off in 'printed.toml'" in said
    assert "of 12.00 cm³ where it has 15.00 cm³ now" in said
    # Ticking off another keeps the warning, and the stale tick goes.
    assert tick(path, moved_seam, [3]) == Printed(frozenset({1, 3}), (said,))
    assert read_printed(path, moved_seam) == Printed(frozenset({1, 3}))


def test_unknown_pieces_are_refused(tmp_path):
    path = tmp_path / "printed.toml"
    for act in (lambda: tick(path, PIECES, [7]), lambda: write_printed(path, [1, 7], PIECES)):
        with pytest.raises(
            BadInput, match="no piece 7 to tick off; the pieces are 1 to 4"
        ) as error:
            act()
        one_sentence(error)
    assert not path.exists()
    path.write_text("seamwright = 1\nprinted = [1, 9]\n")
    with pytest.raises(BadInput, match="ticks off piece 9, but the pieces are 1 to 4") as error:
        read_printed(path, PIECES)
    one_sentence(error)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("printed = [1", "not valid TOML"),
        ("printed = [1]", "does not start with 'seamwright = 1'"),
        ("seamwright = 2\nprinted = [1]", "does not start with 'seamwright = 1'"),
        ("seamwright = 1", "must be a list of piece numbers"),
        ("seamwright = 1\nprinted = 3", "must be a list of piece numbers"),
        ('seamwright = 1\nprinted = ["1"]', "must be a list of piece numbers"),
        ("seamwright = 1\nprinted = [true]", "must be a list of piece numbers"),
        ("seamwright = 1\nprinted = [1]\ndone = [2]", "key 'done' is unknown"),
        ("seamwright = 1\nprinted = [1]\nvolume_cm3 = 4", "must be a table of numbers"),
        ('seamwright = 1\nprinted = [1]\n[volume_cm3]\n1 = "x"', "must be a table of numbers"),
    ],
)
def test_files_that_say_something_else_are_refused(tmp_path, text, said):
    path = tmp_path / "printed.toml"
    path.write_text(text)
    with pytest.raises(BadInput) as error:
        read_printed(path, PIECES)
    assert said in str(error.value) and str(path) in str(error.value)


def test_places_that_cannot_be_read_or_written_are_told(tmp_path):
    with pytest.raises(BadInput, match="cannot be read"):
        read_printed(tmp_path, PIECES)
    with pytest.raises(BadInput, match="cannot be written"):
        write_printed(tmp_path / "no" / "such.toml", [1], PIECES)
    (tmp_path / "latin.toml").write_bytes(b"printed = [\xe9]")
    with pytest.raises(BadInput, match="cannot be read"):
        read_printed(tmp_path / "latin.toml", PIECES)


# --- one scale ------------------------------------------------------------------------------


def through_files(work: Work, folder, change=lambda mesh: mesh) -> dict[int, Mesh]:
    for piece in work.pieces:
        write_stl(change(piece.mesh), folder / f"{piece.id}.stl", piece.name)
    return {p.id: read_mesh(folder / f"{p.id}.stl") for p in work.pieces}


def test_files_of_one_scale_pass(work, tmp_path):
    check = require_joint_scale(work.joints, through_files(work, tmp_path))
    assert check.name == "joint scale"
    assert check.found.startswith("1 distance between joints in the files measured, 2 pieces with")
    assert check.found.endswith("mm at most")


@pytest.mark.parametrize("factor", [1 + 2e-5, 1 - 2e-5, 1.001, 1.02, 0.1, 25.4])
@pytest.mark.parametrize("about", ["origin", "piece"])
def test_another_scale_fails(work, factor, about):
    mesh = work.meshes[2]
    middle = mesh.bounds.mean(axis=0) if about == "piece" else np.zeros(3)
    scaled = Mesh(middle + (mesh.vertices - middle) * factor, mesh.faces, mesh.tag)
    with pytest.raises(CheckFailed, match="file of piece 2") as error:
        require_joint_scale(work.joints, {**work.meshes, 2: scaled})
    assert "scale" in one_sentence(error)


def test_one_axis_alone_fails(work):
    mesh = work.meshes[2]
    stretched = mesh.vertices.copy()
    low = stretched[:, 2].min()
    stretched[:, 2] = low + (stretched[:, 2] - low) * 1.001
    bad = {**work.meshes, 2: Mesh(stretched, mesh.faces, mesh.tag)}
    with pytest.raises(CheckFailed, match=r"length between two joints is .* of another scale"):
        require_joint_scale(work.joints, bad)


def test_a_piece_with_one_joint_is_judged_by_the_size_of_its_end(work):
    top = max(work.meshes)
    mesh = work.meshes[top]
    low = mesh.bounds[0]
    scaled = Mesh(low + (mesh.vertices - low) * 1.001, mesh.faces, mesh.tag)
    with pytest.raises(CheckFailed, match=f"file of piece {top} a length of joint") as error:
        require_joint_scale(work.joints, {**work.meshes, top: scaled})
    one_sentence(error)


def test_a_piece_without_its_joint_fails(work):
    blank = {**work.meshes, 2: moved(box(90, 90, 250), (255, -245, 1100))}
    with pytest.raises(CheckFailed, match="no end of a peg, socket or pocket of joint A") as error:
        require_joint_scale(work.joints, blank)
    one_sentence(error)


def test_a_file_that_is_not_there_fails(work):
    with pytest.raises(CheckFailed, match="No file of piece 3 was read back"):
        require_joint_scale(work.joints, {k: m for k, m in work.meshes.items() if k != 3})


def test_turned_and_shifted_files_are_of_the_same_scale(work):
    laid, placements = {}, {}
    for k, mesh in work.meshes.items():
        turn = Rotation.from_rotvec([0.3 * k, -0.7, 0.2 * k]).as_matrix()
        at = np.array([10.0 * k, 50.0, -900.0])
        placements[k] = np.vstack([turn.T, at])
        laid[k] = Mesh(mesh.vertices @ turn.T + at, mesh.faces, mesh.tag)
    assert "off by" in require_joint_scale(work.joints, laid, placements).found
    with pytest.raises(CheckFailed, match="where it should be"):
        require_joint_scale(work.joints, laid)


@pytest.mark.parametrize(
    "choice",
    [
        JointChoice(kind="loose pegs"), JointChoice(kind="magnets", count=2),
        JointChoice(footprint="cross"), JointChoice(footprint="hexagon", count=2),
        JointChoice(direction=(0.1, 0.1, 1.0)), JointChoice(footprint="section"),
    ],
    ids=lambda c: f"{c.kind} {c.footprint} {c.count}",
)  # fmt: skip
def test_every_kind_of_joint_can_be_measured(choice, tmp_path):
    made = Work(choice)
    assert all(j.pegs or j.magnets for j in made.joints)
    read = through_files(made, tmp_path)
    assert "in the files measured" in require_joint_scale(made.joints, read).found
    with pytest.raises(CheckFailed, match="file of piece 2"):
        require_joint_scale(made.joints, {**read, 2: read[2].scaled(1.0005)})


def test_without_pegs_there_is_nothing_to_measure(work):
    check = require_joint_scale((), work.meshes)
    assert check.found.endswith("measured; 3 pieces with none: 1, 2, 3")


def test_shell_lines_are_taken_as_they_are():
    entries = ledger([ShellLine(5, 10.0, (2, 4))], BUILDS)
    assert entries == (Entry(5, 10.0, 2, 2, False), Entry(5, 10.0, 4, 3, False))
