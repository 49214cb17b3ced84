"""Line seams from the line to the joint: pads, interfaces, crossing seams, and what is refused."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from seamwright.checks import (
    require_all_shells,
    require_closed,
    require_volume,
)
from seamwright.choice import PLAIN
from seamwright.errors import BadInput
from seamwright.gaps import require_gaps
from seamwright.imprint import jointed
from seamwright.interface import Interface, interfaces
from seamwright.job import Job, job_from_toml, job_to_toml
from seamwright.line import line_seam
from seamwright.line_parting import chords, require_inside
from seamwright.mating import areas, mates, positions, sides
from seamwright.membrane import membrane
from seamwright.mesh import Mesh
from seamwright.outline import loop_area
from seamwright.pad import rise_along, slide_direction
from seamwright.pieces import Piece, take_apart
from seamwright.printer import printer
from seamwright.seam import PadChoice, Reach, Seam, SeamLine
from seamwright.shapes import revolved, sphere, torus
from seamwright.sizing import joints
from seamwright.span import Spans, spans

CASES = int(os.environ.get("SEAMWRIGHT_CASES", "80"))
PROFILE = printer("filament-256")
BALL = sphere(60, 96)
LIMB = revolved(
    np.array([0, 34, 40, 40, 38, 32, 31, 36, 40, 40, 38, 0]),
    np.array([0, 0, 5, 20, 32, 40, 45, 52, 60, 80, 98, 100.0]),
    72,
)


def wavy(radius: float, rise: float, waves: int = 3, lift: float = 0.0) -> np.ndarray:
    """24 points of a wavy line round a ball about the origin."""
    turn = 2 * np.pi * np.arange(24) / 24
    p = np.stack([np.cos(turn), np.sin(turn), lift + rise * np.sin(waves * turn)], axis=1)
    return radius * p / np.linalg.norm(p, axis=1)[:, None]


def lined(number: int, points: np.ndarray, pad: PadChoice | None = None, **more) -> Seam:
    rows = tuple((float(x), float(y), float(z)) for x, y, z in points)
    return line_seam(number, f"line {number}", SeamLine(rows, 1.0, pad or PadChoice()), **more)


def made(
    figure: Mesh, *seams: Seam
) -> tuple[tuple[Piece, ...], tuple[Interface, ...], Spans, tuple]:
    """All there is to make of a figure, every check of it held."""
    spanned = spans(figure, seams)
    pieces = take_apart(figure, seams, None, spanned)
    faces = interfaces(pieces, seams, spanned)
    sized = joints(pieces, faces, PROFILE)
    done = jointed(pieces, sized)
    require_closed(done, lambda mesh: mesh)
    require_volume(figure, done, sized)
    require_all_shells(figure, done)
    require_gaps(done, sized)
    return pieces, faces, spanned, sized


# --- pads and joints -------------------------------------------------------------------


def test_a_flat_line_gets_a_pad_as_wide_as_itself_and_pegs_like_a_flat_seam():
    _, (face,), spanned, (joint,) = made(BALL, lined(1, wavy(60, 0.0)))
    assert face.area == pytest.approx(np.pi * 60**2, rel=2e-3)
    assert face.region.area == pytest.approx(face.area, rel=1e-9)
    assert spanned["line 1"].frame.normal == pytest.approx([0, 0, 1], abs=1e-9)
    assert len(joint.pegs) == 2 and "pad" in joint.reason


def test_a_nearly_flat_line_gets_a_pad_with_a_margin_round_it():
    v = BALL.vertices.copy()
    v[:, 2] += 0.6 * np.sin(3 * np.arctan2(v[:, 1], v[:, 0]))
    ball = Mesh.of(v, BALL.faces)
    _, (face,), spanned, (joint,) = made(ball, lined(1, wavy(60, 0.01)))
    assert 0.1 < spanned["line 1"].line.flatness < 2
    margin = 60 - np.sqrt(face.region.area / np.pi)
    assert 0.9 < margin < 1.6 * spanned["line 1"].line.flatness + 1
    assert len(joint.pegs) == 2


def test_a_curved_line_gets_a_round_pad_within_its_membrane():
    pieces, (face,), spanned, (joint,) = made(BALL, lined(1, wavy(60, 0.25, 2)))
    span = spanned["line 1"]
    assert joint.kind == "pegs" and joint.frame is span.frame
    assert 2 * np.sqrt(face.region.area / np.pi) > 40
    assert face.area == pytest.approx(span.surface.area, rel=1e-9)
    # Both sides hold the same triangles to the last bit.
    above, below = (p.mesh.vertices[p.mesh.faces[p.mesh.tag == 1]] for p in pieces[::-1])
    ids = np.sort(positions(np.concatenate([above, below])), axis=1)
    assert np.array_equal(
        np.unique(ids[: len(above)], axis=0), np.unique(ids[len(above) :], axis=0)
    )


def test_the_pads_place_direction_and_size_are_the_users():
    choice = PadChoice(at=(20.0, 5.0, 0.0), direction=(0.2, 0.0, 1.0), radius=12.0)
    _, (face,), _, (joint,) = made(BALL, lined(1, wavy(60, 0.25, 2), choice))
    way = np.array([0.2, 0, 1]) / np.linalg.norm([0.2, 0, 1])
    assert joint.frame.normal == pytest.approx(way, abs=1e-12)
    assert face.region.area == pytest.approx(np.pi * 12**2, rel=5e-3)
    middle = face.frame.to_world(face.region.centroid)
    off = middle - np.array([20.0, 5.0, 0.0])
    assert np.linalg.norm(off - (off @ way) * way) < 1e-9


def test_a_direction_that_points_the_other_way_is_turned():
    down = PadChoice(direction=(0.0, 0.0, -1.0))
    _, _, spanned, _ = made(BALL, lined(1, wavy(60, 0.1, 2), down))
    assert spanned["line 1"].frame.normal == pytest.approx([0, 0, 1], abs=1e-12)


def test_a_plain_line_seam_is_left_without_a_pad():
    _, (face,), spanned, (joint,) = made(BALL, lined(1, wavy(60, 0.25, 2), joint=PLAIN))
    assert face.seat is None and joint.kind == "plain"
    assert spanned["line 1"].pad is None


def test_a_surface_that_leans_back_carries_no_pegs_and_says_why():
    _, (face,), spanned, (joint,) = made(BALL, lined(1, wavy(60, 0.85, 3)))
    assert face.seat is None and joint.kind == "plain"
    assert "leans back" in joint.reason and "leans back" in spanned["line 1"].words
    asked = lined(1, wavy(60, 0.85, 3), PadChoice(direction=(0.0, 0.0, 1.0)))
    with pytest.raises(BadInput, match=r"'line 1': the surface leans back .* another direction"):
        spans(BALL, (asked,))


def test_the_way_off_a_saddle_is_free_and_square_to_its_line():
    surface = membrane(wavy(60, 0.2, 2))
    way, rise = slide_direction(surface)
    assert way == pytest.approx([0, 0, 1], abs=1e-6)
    assert rise > 30 and rise == pytest.approx(rise_along(surface, way))


def test_a_line_too_small_for_a_pad_is_glued():
    _, _, _, (joint,) = made(LIMB, lined(1, ring(LIMB, 3, 72)))
    assert joint.kind == "pegs"
    thin = revolved(np.array([0, 2.2, 2, 2.2, 0]), np.array([0, 0, 10, 20, 20.0]), 24)
    _, (face,), _, (joint,) = made(thin, lined(1, ring(thin, 2, 24)))
    assert joint.kind == "plain" and face.seat is None and "no place" in joint.reason


def ring(mesh: Mesh, k: int, around: int) -> np.ndarray:
    """Every third vertex of the k-th ring of `revolved`, from below."""
    return mesh.vertices[1 + (k - 1) * around + np.arange(0, around, 3)]


@pytest.mark.parametrize(
    ("pad", "says"),
    [
        (PadChoice(at=(90.0, 0.0, 0.0)), r"place \(90.0, 0.0, 0.0\) mm is not within the line"),
        (PadChoice(radius=70.0), r"radius 70 mm .* reaches over the line"),
        (
            PadChoice(at=(50.0, 0.0, 0.0), radius=12.0),
            "reaches over the line; .* is the most there",
        ),
    ],
)
def test_a_pad_that_has_no_place_is_refused(pad: PadChoice, says: str):
    with pytest.raises(BadInput, match=says):
        spans(BALL, (lined(1, wavy(60, 0.2, 2), pad),))


# --- films that leave the material -----------------------------------------------------


def test_a_film_that_a_dent_pokes_through_is_pressed_into_the_material():
    """A narrow dent beside the line comes through the film of least area that spans it."""
    middle = 60 * np.array([np.sqrt(1 - 1 / 36), 0.0, -1 / 6])
    away = np.linalg.norm(sphere(60, 64).vertices - middle, axis=1)
    dent = 1 - 0.25 * np.exp(-((away / 8) ** 2))
    dented = Mesh.of(sphere(60, 64).vertices * dent[:, None], sphere(60, 64).faces)
    turn = 2 * np.pi * np.arange(24) / 24
    p = np.stack([np.cos(turn), np.sin(turn), 0.3 * np.cos(2 * turn) - 0.3], axis=1)
    points = 60 * p / np.linalg.norm(p, axis=1)[:, None]
    _, _, spanned, (joint,) = made(dented, lined(1, points))
    film = membrane(spanned["line 1"].line.points)
    with pytest.raises(BadInput, match="meets the figure's surface"):
        require_inside(film, spanned.figure, spanned["line 1"].line)
    assert joint.kind == "pegs"


def test_a_nearly_flat_line_with_barred_edges_is_spanned_as_a_film_where_it_must():
    """Halving a barred edge gives the flat filling an inner point: it still is a flat one."""
    height = np.linspace(0, 100, 14)
    limb = revolved(np.full(14, 30.0), height, 12)
    v = limb.vertices.copy()
    lump = np.sin(v[:, 2] / 3 + 0.1) * np.cos(5 * np.arctan2(v[:, 1], v[:, 0]))
    v[:, :2] *= (1 + 0.8 / 30 * lump)[:, None]
    turn = 2 * np.pi * np.arange(12) / 12 + 0.1
    points = np.stack([30 * np.cos(turn), 30 * np.sin(turn), 50 + 27 * np.cos(turn)], axis=1)
    limb = Mesh.of(v, limb.faces)
    _, _, spanned, _ = made(limb, lined(1, points))
    line = spanned["line 1"].line
    assert len(chords(spanned.figure, line)) and line.flatness < 1.0


# --- crossing seams --------------------------------------------------------------------


def test_flat_seams_cross_a_line_seam_and_stop_at_it():
    """One seam through all, one only below: side B of the line is cut where side A is not."""
    line = lined(1, wavy(60, 0.25, 2))
    through = Seam(2, "through", (3, 0, 0), (1, 0, 0.1))
    lower = Seam(
        3, "lower", (0, 2, 0), (0, 1, 0.1), Reach("nearest", ((0.0, 2.0, -30.0),)),
        stops_at=("line 1",),
    )  # fmt: skip
    pieces, faces, spanned, sized = made(BALL, line, through, lower)
    assert len(pieces) == 6
    along = [f for f in faces if f.seam is line]
    assert len(along) == 4 and {f.piece_a for f in along} == {5, 6}
    assert sum(f.area for f in along) == pytest.approx(spanned["line 1"].surface.area, rel=1e-9)
    # The pad is shared by four joints, each with its own part of it.
    pad = spanned["line 1"].pad
    assert pad is not None
    assert sum(f.region.area for f in along) == pytest.approx(loop_area(pad.outline), rel=1e-6)
    assert all(j.kind == "pegs" for j in sized)


def test_the_order_of_seams_changes_nothing():
    seams = (
        Seam(3, "across", (3, 0, 0), (1, 0, 0.1)),
        lined(1, wavy(60, 0.2, 2)),
        lined(2, wavy(60, 0.1, 3, lift=0.7)),
    )
    first = take_apart(BALL, seams)
    for order in ((1, 0, 2), (2, 1, 0)):
        other = take_apart(BALL, tuple(seams[k] for k in order))
        assert len(other) == len(first) == 6
        for a, b in zip(first, other, strict=True):
            assert a.mesh.volume == pytest.approx(b.mesh.volume, rel=1e-9)
            assert a.mesh.bounds == pytest.approx(b.mesh.bounds, abs=1e-9)


def test_line_seams_that_cross_are_refused_with_the_place():
    first = lined(1, wavy(60, 0.3, 2))
    for second in (wavy(60, -0.3, 2), wavy(60, 0.3, 2), wavy(60, 0.3, 2, lift=0.02)):
        with pytest.raises(BadInput, match=r"'line 2' runs into 'line 1': .* at \(.*\) mm"):
            spans(BALL, (first, lined(2, second)))


def test_a_flat_seam_in_a_level_lines_plane_is_refused():
    for away in (0.0, 1e-6):
        flat = Seam(2, "flat", (0, 0, away), (0, 0, 1))
        with pytest.raises(BadInput, match=r"'flat' finds nothing left to part .* same place"):
            take_apart(BALL, (lined(1, wavy(60, 0.0)), flat))


def test_a_line_round_a_handle_needs_another_seam():
    tube = torus(60, 20, 96, 40)
    turn = 2 * np.pi * np.arange(16) / 16
    loop = np.stack([60 + 20 * np.cos(turn), 0 * turn, 20 * np.sin(turn)], axis=1)
    line = lined(1, loop)
    with pytest.raises(BadInput, match=r"'line 1' leaves the figure in one solid .* handle"):
        take_apart(tube, (line,))
    cut = Seam(2, "far", (-60, 0.5, 0), (0, 1, 0), Reach("nearest", ((-60.0, 0.5, 0.0),)))
    pieces, faces, _, _ = made(tube, line, cut)
    assert len(pieces) == 2 and len(faces) == 2


def test_a_line_seam_stops_at_none():
    line = Seam(
        1, "hem", (0, 0, 0), (0, 0, 1), stops_at=("waist",),
        line=SeamLine(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, -1.0, 0.0))),
    )  # fmt: skip
    with pytest.raises(BadInput, match="'hem' follows a line and ends at it"):
        take_apart(BALL, (line, Seam(2, "waist", (0, 0, 0), (0, 0, 1))))


# --- mating ----------------------------------------------------------------------------


def test_faces_cut_on_one_side_only_mate_with_the_whole():
    square = np.array([[0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0]], dtype=float)
    up = square[[[0, 1, 2], [0, 2, 3]]]
    middle = np.array([2.0, 2.0, 0])
    down = np.array([[square[k], middle, square[(k + 1) % 4]] for k in range(4)])
    found = mates(down, up)
    assert found.area.sum() == pytest.approx(16)
    assert len(found.area) == 4 and areas(down)[found.a] == pytest.approx(found.area)
    # Moved off the plane, or looking the same way, nothing lies on anything.
    assert not len(mates(down + np.array([0, 0, 1e-3]), up).area)
    assert not len(mates(down[:, ::-1], up).area)


def test_the_sides_of_a_folded_surface_are_told_apart():
    """A sheet bent by 170°: no normal of one flap tells its side, the line does."""
    surface = membrane(wavy(60, 0.6, 3))
    both = np.concatenate([surface.triangles[:, ::-1], surface.triangles])
    mixed = np.random.default_rng(3).permutation(len(both))
    found = sides(both[mixed], np.array([0.0, 0.0, 1.0]))
    assert np.array_equal(found, mixed >= len(surface.faces))


# --- jobs ------------------------------------------------------------------------------

HEAD = 'seamwright = 1\nname = "A"\n[[seam]]\nname = "hem"\n'
LINE = "line = [[1, 0, 0], [0, 1, 0], [-1, -1, 0]]\n"


def test_a_job_holds_line_seams():
    job = job_from_toml(
        HEAD + LINE + 'crease = 0.5\njoint = "plain"\n'
        "pad = { at = [0, 0, 0], direction = [0, 0, 2], radius = 4 }\n"
    )
    (seam,) = job.seams
    assert seam.line == SeamLine(
        ((1, 0, 0), (0, 1, 0), (-1, -1, 0)), 0.5, PadChoice((0, 0, 0), (0, 0, 2), 4)
    )
    assert seam.joint == PLAIN and seam.normal == pytest.approx((0, 0, 1))
    assert job_from_toml(job_to_toml(job)) == job
    plain: Job = job_from_toml(HEAD + LINE)
    assert job_from_toml(job_to_toml(plain)) == plain
    assert "crease" not in job_to_toml(plain) and "pad" not in job_to_toml(plain)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("line = [[1, 0, 0], [0, 1, 0]]\n", "three points or more"),
        ("line = [[1, 0, 0], [2, 0, 0], [3, 0, 0]]\n", "three points or more all the way round"),
        ("line = [[1, 0], [0, 1, 0], [-1, -1, 0]]\n", "'line' must be three numbers"),
        (LINE + "point = [0, 0, 0]\n", "has no 'point'"),
        (LINE + 'stops_at = ["x"]\n', "has no 'stops_at'"),
        (LINE + "crease = 0\n", "crease is 0"),
        (LINE + "crease = 2\n", "crease is 2"),
        (LINE + "pad = { size = 3 }\n", "key 'size' is unknown"),
        (LINE + "pad = { radius = -3 }\n", "radius is -3"),
        (LINE + "pad = { direction = [0, 0, 0] }\n", "direction has no length"),
        ("point = [0, 0, 0]\nnormal = [0, 0, 1]\ncrease = 0.3\n", "'crease' is for a seam with"),
    ],
)
def test_a_bad_line_is_refused_by_key(text: str, says: str):
    with pytest.raises(BadInput, match=says) as caught:
        job_from_toml(HEAD + text)
    assert "hem" in str(caught.value)


# --- what must hold of any ---------------------------------------------------------------


@settings(
    max_examples=max(10, CASES // 4),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow],
)
@given(
    rise=st.floats(-0.35, 0.35),
    waves=st.integers(1, 4),
    lift=st.floats(-0.6, 0.6),
    flat=st.lists(
        st.tuples(*[st.floats(-1, 1)] * 3, st.floats(-25, 25), st.booleans()), max_size=2
    ),
)
def test_any_line_and_any_flat_seams_lose_nothing(rise, waves, lift, flat):
    line = lined(1, wavy(60, rise, waves, lift))
    seams = [line]
    for k, (x, y, z, away, stops) in enumerate(flat, start=2):
        normal = np.array([x, y, z])
        size = float(np.linalg.norm(normal))
        assume(size > 0.1)
        point = away * normal / size
        at = (float(point[0]), float(point[1]), float(point[2]))
        seams.append(Seam(k, f"flat {k}", at, (x, y, z), stops_at=("line 1",) if stops else ()))
    spanned = spans(BALL, tuple(seams))
    try:
        pieces = take_apart(BALL, tuple(seams), None, spanned)
    except BadInput as error:
        # Two of the planes may be one, or one may miss what a line has taken off.
        assert "same plane" in str(error) or "misses" in str(error)
        return
    faces = interfaces(pieces, tuple(seams), spanned)
    along = [f for f in faces if f.seam is line]
    assert sum(f.area for f in along) == pytest.approx(spanned["line 1"].surface.area, rel=1e-6)
    assert sum(p.mesh.volume for p in pieces) == pytest.approx(BALL.volume, rel=1e-9)
    assert all(p.mesh.is_closed and p.mesh.volume > 0 for p in pieces)
    sized = joints(pieces, faces, PROFILE)
    done = jointed(pieces, sized)
    require_closed(done, lambda mesh: mesh)
    require_volume(BALL, done, sized)
    require_gaps(done, sized)
