"""Every check passes on good work and fails when its input is tampered with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from seamwright.checks import (
    require_all_shells,
    require_closed,
    require_files_hold,
    require_fit,
    require_one_scale,
    require_volume,
)
from seamwright.errors import CheckFailed
from seamwright.fit import Fit
from seamwright.gaps import require_gaps
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.joint import Joint
from seamwright.mesh import Mesh, joined
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile, printer
from seamwright.seam import Seam
from seamwright.shapes import box, moved, revolved, sphere
from seamwright.sizing import joints

FILAMENT = PrinterProfile()


def limb(across: float, length: float) -> Mesh:
    r, h = np.array([(0, 0), (across / 2, 0), (across / 2, length), (0, length)], dtype=float).T
    return revolved(r, h, 48)


class Work:
    """A figure with a floating bead in a cavity, in three pieces and jointed."""

    def __init__(self, profile: PrinterProfile = FILAMENT, across: float = 90.0) -> None:
        hollow = moved(sphere(across / 5, 16), (0, 0, 3 * across)).flipped()
        self.figure = joined([limb(across, 4 * across), hollow])
        self.seams = (
            Seam(1, "low", (0, 0, 1.2 * across), (0, 0, 1)),
            Seam(2, "high", (0, 0, 2.2 * across), (0.1, 0, -1)),
        )
        self.plain = take_apart(self.figure, self.seams)
        self.joints = joints(self.plain, interfaces(self.plain, self.seams), profile)
        self.pieces = jointed(self.plain, self.joints)


@pytest.fixture(scope="module")
def work() -> Work:
    return Work()


def as_is(mesh: Mesh) -> Mesh:
    return mesh


def with_mesh(pieces: tuple[Piece, ...], number: int, mesh: Mesh) -> tuple[Piece, ...]:
    return tuple(Piece(p.id, mesh if p.id == number else p.mesh) for p in pieces)


def one_sentence(error: pytest.ExceptionInfo[CheckFailed]) -> str:
    text = str(error.value)
    assert text.endswith(".") and ". " not in text and "\n" not in text
    return text


# --- all is well --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "across"),
    [(FILAMENT, 90.0), (FILAMENT, 14.0), (printer("resin-218"), 14.0),
     (replace(FILAMENT, clearance=0.0, seating_gap=0.0, draft=0.0, lead_in=0.0), 60.0),
     (replace(FILAMENT, clearance=0.4, draft=3.0), 60.0)],
)  # fmt: skip
def test_good_work_passes(profile, across):
    work = Work(profile, across)
    assert all(j.pegs for j in work.joints)
    assert require_closed(work.pieces, as_is).found.startswith("3 pieces are closed")
    assert require_volume(work.figure, work.pieces, work.joints).name == "volume"
    assert "2 shells" in require_all_shells(work.figure, work.pieces)[0].found
    assert "2 pegs measured" in require_gaps(work.pieces, work.joints).found
    read_back = {p.id: p.mesh for p in work.pieces}
    require_one_scale(work.figure, read_back)
    require_files_hold(work.pieces, read_back)


# --- closed -------------------------------------------------------------------------


def test_a_deleted_face_is_found_with_a_place(work):
    broken = work.pieces[1].mesh.subset(np.arange(1, len(work.pieces[1].mesh.faces)))
    with pytest.raises(CheckFailed, match="Piece 2 has an open edge at") as error:
        require_closed(with_mesh(work.pieces, 2, broken), as_is)
    assert "(3 in all)" in one_sentence(error)


def test_a_doubled_face_is_found(work):
    mesh = work.pieces[0].mesh
    faces = np.concatenate([mesh.faces, mesh.faces[:1]])
    with pytest.raises(CheckFailed, match="Piece 1 has an edge of more than two faces"):
        require_closed(with_mesh(work.pieces, 1, Mesh.of(mesh.vertices, faces)), as_is)


def test_a_turned_face_is_found(work):
    mesh = work.pieces[2].mesh
    faces = mesh.faces.copy()
    faces[5] = faces[5, ::-1]
    with pytest.raises(CheckFailed, match="Piece 3 has two faces that disagree"):
        require_closed(with_mesh(work.pieces, 3, Mesh.of(mesh.vertices, faces)), as_is)


def test_a_piece_inside_out_or_flat_has_no_volume(work):
    flipped = work.pieces[0].mesh.flipped()
    with pytest.raises(CheckFailed, match="Piece 1 has no volume"):
        require_closed(with_mesh(work.pieces, 1, flipped), as_is)
    flat = Mesh.of(work.pieces[0].mesh.vertices * [1, 1, 0], work.pieces[0].mesh.faces)
    with pytest.raises(CheckFailed, match="Piece 1 has no volume"):
        require_closed(with_mesh(work.pieces, 1, flat), as_is)


def test_what_is_judged_is_what_will_be_written(work):
    def spoiled(mesh: Mesh) -> Mesh:
        return mesh.subset(np.arange(len(mesh.faces) - 1))

    with pytest.raises(CheckFailed, match="open edge"):
        require_closed(work.pieces, spoiled)


# --- volume -------------------------------------------------------------------------


def test_a_lost_or_doubled_piece_is_missed_in_the_volume(work):
    for tampered in (work.pieces[:2], (*work.pieces, work.pieces[0])):
        with pytest.raises(CheckFailed, match="volumes differ from the figure's by"):
            require_volume(work.figure, tampered, work.joints)


@pytest.mark.parametrize("factor", [1.00001, 0.99999, 25.4, 0.1])
def test_a_scaled_piece_is_seen_in_the_volume(work, factor):
    scaled = with_mesh(work.pieces, 2, work.pieces[1].mesh.scaled(factor))
    with pytest.raises(CheckFailed, match="volumes differ"):
        require_volume(work.figure, scaled, work.joints)


def test_a_peg_left_out_is_seen_in_the_volume(work):
    with pytest.raises(CheckFailed, match="volumes differ"):
        require_volume(work.figure, work.plain, work.joints)
    with pytest.raises(CheckFailed, match="volumes differ"):
        require_volume(work.figure, work.pieces, ())


def test_a_volume_that_is_no_number_fails(work):
    nothing = Mesh(np.full((3, 3), np.nan), np.array([[0, 1, 2]], np.int32), np.zeros(1, np.int32))
    with pytest.raises(CheckFailed):
        require_volume(work.figure, with_mesh(work.pieces, 1, nothing), work.joints)


# --- shells -------------------------------------------------------------------------


def test_a_lost_shell_is_found_where_it_was(work):
    holder = next(p for p in work.pieces if len(np.unique(p.mesh.shell_of_face)) == 2)
    shell = holder.mesh.shell_of_face
    kept = holder.mesh.subset(shell == shell[np.argmax(holder.mesh.tag > 0)])
    with pytest.raises(CheckFailed, match=r"shell at .+ is missing from the pieces"):
        require_all_shells(work.figure, with_mesh(work.pieces, holder.id, kept))


def test_a_lost_piece_and_a_nudged_vertex_are_found(work):
    with pytest.raises(CheckFailed, match="missing"):
        require_all_shells(work.figure, work.pieces[1:])
    vertices = work.pieces[0].mesh.vertices.copy()
    lowest = int(np.argmin(vertices[:, 2]))
    vertices[lowest] = np.nextafter(vertices[lowest], np.inf)
    nudged = Mesh(vertices, work.pieces[0].mesh.faces, work.pieces[0].mesh.tag)
    with pytest.raises(CheckFailed, match=r"\(1 vertices\)"):
        require_all_shells(work.figure, with_mesh(work.pieces, 1, nudged))


def test_the_ledger_of_shells(work):
    _, lines = require_all_shells(work.figure, work.pieces)
    assert [line.pieces for line in lines] == [(1, 2, 3), (3,)]
    assert sum(line.volume for line in lines) == pytest.approx(work.figure.volume)
    assert lines[1].volume < 0


def test_no_two_places_of_a_whole_number_grid_are_taken_for_one():
    # Lattices, scans and blocks sit on grids: every place needs a fingerprint of its own.
    steps = np.arange(-20.0, 20.0)
    places = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    for scale in (1.0, 0.25, 0.1):
        vertices = scale * places
        faces = np.arange(len(vertices) - len(vertices) % 3, dtype=np.int32).reshape(-1, 3)
        figure = Mesh.of(vertices, faces)
        for gone in range(0, len(faces), 4999):
            kept = np.arange(len(faces)) != gone
            with pytest.raises(CheckFailed, match=r"\(3 vertices\)"):
                require_all_shells(figure, (Piece(1, figure.subset(kept)),))


# --- gaps ---------------------------------------------------------------------------


def moved_peg(work: Work, joint: Joint, shift: np.ndarray) -> tuple[Piece, ...]:
    """The pieces with the peg of a joint, and nothing else, shifted in space."""
    piece = next(p for p in work.pieces if p.id == joint.peg_piece)
    before = next(p for p in work.plain if p.id == joint.peg_piece)
    old = {v.tobytes() for v in before.mesh.vertices}
    new = np.array([v.tobytes() not in old for v in piece.mesh.vertices])
    near = np.linalg.norm(piece.mesh.vertices - joint.frame.origin, axis=1) < 60
    vertices = piece.mesh.vertices + shift * (new & near)[:, None]
    mesh = Mesh(vertices, piece.mesh.faces, piece.mesh.tag)
    return with_mesh(work.pieces, piece.id, mesh)


@pytest.mark.parametrize("by", [0.002, 0.05, 0.19])
@pytest.mark.parametrize("which", [0, 1])
def test_a_peg_moved_sideways_is_measured(work, by, which):
    joint = work.joints[which]
    # Square to one of the peg's sides: towards it the gap shrinks by all of the shift.
    outline = joint.pegs[0].outline
    along = outline[1] - outline[0]
    out = np.array([along[1], -along[0]]) / np.linalg.norm(along)
    shift = joint.frame.to_world(by * out) - joint.frame.origin
    with pytest.raises(CheckFailed, match=f"gap of joint {joint.letter} at a peg's side is 0.[01]"):
        require_gaps(moved_peg(work, joint, shift), work.joints)


@pytest.mark.parametrize("by", [0.01, -0.01, 0.5])
def test_a_peg_too_long_or_too_short_is_measured(work, by):
    joint = work.joints[0]
    with pytest.raises(CheckFailed, match="The gap of joint A at a peg's"):
        require_gaps(moved_peg(work, joint, by * joint.into), work.joints)


@pytest.mark.parametrize("change", [{"clearance": 0.25}, {"seating_gap": 0.81}])
def test_a_gap_other_than_asked_for_is_measured(work, change):
    asked = (replace(work.joints[0], **change), work.joints[1])
    with pytest.raises(CheckFailed, match="The gap of joint A at a peg's"):
        require_gaps(work.pieces, asked)


def test_a_joint_that_was_never_imprinted_fails_as_a_check(work):
    with pytest.raises(CheckFailed):
        require_gaps(work.plain, work.joints)


def test_plain_joints_have_no_gaps_to_measure(work):
    plain = tuple(replace(j, pegs=()) for j in work.joints)
    assert require_gaps(work.plain, plain).found.startswith("0 pegs")


# --- scale and files ----------------------------------------------------------------


@pytest.mark.parametrize("factor", [0.1, 25.4, 1.001])
def test_a_file_of_another_scale_is_found(work, factor):
    read_back = {p.id: p.mesh for p in work.pieces}
    read_back[3] = read_back[3].scaled(factor)
    with pytest.raises(CheckFailed, match="they are not all of one scale"):
        require_one_scale(work.figure, read_back)


def test_a_file_that_lost_an_end_is_found(work):
    read_back = {p.id: p.mesh for p in work.pieces[:2]}
    with pytest.raises(CheckFailed, match="scale"):
        require_one_scale(work.figure, read_back)


def test_single_precision_is_no_other_scale(work):
    read_back = {
        p.id: Mesh.of(p.mesh.vertices.astype(np.float32), p.mesh.faces) for p in work.pieces
    }
    require_one_scale(work.figure, read_back)
    require_files_hold(work.pieces, read_back)


def test_a_file_with_a_hole_or_another_volume_is_found(work):
    whole = {p.id: p.mesh for p in work.pieces}
    mesh = whole[2]
    for spoiled in (mesh.subset(np.arange(1, len(mesh.faces))), mesh.scaled(1.001), box(1, 1, 1)):
        with pytest.raises(CheckFailed, match="file of piece 2 does not hold what was made"):
            require_files_hold(work.pieces, {**whole, 2: spoiled})


# --- fit ----------------------------------------------------------------------------


def answer(way: str, miss: float = 0.0) -> Fit:
    return Fit(way, np.eye(3), np.ones(3), miss, 1.0, "")


def test_pieces_that_do_not_fit_are_named_with_their_miss():
    fits = {
        1: answer("upright"),
        2: answer("none", 12.34),
        3: answer("any"),
        4: answer("none", 5.0),
    }
    with pytest.raises(CheckFailed) as error:
        require_fit(fits, FILAMENT)
    text = one_sentence(error)
    assert "2 of 4 pieces do not fit filament-256" in text and "250 × 250 × 253 mm" in text
    assert "piece 2 misses by 12.3 mm" in text and "piece 4 misses by 5.0 mm" in text


def test_pieces_that_fit_are_counted():
    fits = {1: answer("upright"), 2: answer("turned"), 3: answer("any"), 4: answer("upright")}
    found = require_fit(fits, FILAMENT).found
    assert "4 pieces fit" in found and "2 upright, 1 turned, 1 tilted" in found


def test_checks_tell_how_far_they_are(work):
    told: list[float] = []
    files = {piece.id: piece.mesh for piece in work.pieces}
    for check in (
        lambda: require_closed(work.pieces, as_is, told=told.append),
        lambda: require_all_shells(work.figure, work.pieces, told.append),
        lambda: require_files_hold(work.pieces, files, told=told.append),
    ):
        told.clear()
        check()
        assert told == sorted(told) and told[0] == 0 and told[-1] < 1
        assert len(told) >= len(work.pieces)
