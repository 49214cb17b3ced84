"""Membranes: what spans a line, how small it gets, and that it crosses nothing."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.contact import first_crossing
from seamwright.errors import BadInput
from seamwright.membrane import Membrane, area_of, membrane, relaxed, require_simple
from seamwright.mesh import EdgeCounts, Mesh
from seamwright.shapes import box, moved, sphere

TURN = 2 * np.pi * np.arange(96) / 96


def curve(rise: float, waves: int = 2, stretch: float = 1.0, radius: float = 20) -> np.ndarray:
    """A wavy closed line about z, mm."""
    return np.stack(
        [stretch * radius * np.cos(TURN), radius * np.sin(TURN), rise * np.sin(waves * TURN)], 1
    )


def twisted() -> np.ndarray:
    """A line whose projection on its nearest plane crosses itself: round a ball one and a half
    times and back, like a tennis ball's seam wound tight."""
    a, b = 0.75, 0.25
    c = 2 * np.sqrt(a * b)
    p = np.stack(
        [
            a * np.cos(TURN) + b * np.cos(3 * TURN),
            a * np.sin(TURN) - b * np.sin(3 * TURN),
            c * np.sin(2 * TURN),
        ],
        axis=1,
    )
    return 20 * p


def folded() -> np.ndarray:
    """A tall narrow strip, bent round: seen in its nearest plane it overlaps itself."""
    turn = np.linspace(0, 1.6 * np.pi, 60)
    low = np.stack([20 * np.cos(turn), 20 * np.sin(turn), np.zeros(60)], axis=1)
    high = low[::-1] * [1, 1, 0] + [0, 0, 8]
    return np.concatenate([low, high])


def is_disc(surface: Membrane) -> bool:
    """One face on each edge of the line, run along it, two on any other, no handle."""
    n, faces = surface.rim, surface.faces
    counts = EdgeCounts.of(faces, len(surface.vertices))
    rim = {(k, (k + 1) % n) for k in range(n)}
    halves = set(map(tuple, np.stack([faces, np.roll(faces, -1, 1)], 2).reshape(-1, 2).tolist()))
    open_edges = {tuple(sorted(e)) for e in rim} == {tuple(sorted(e)) for e in counts.open.tolist()}
    sound = not len(counts.manifold_flaws) and not len(counts.flipped)
    edges = (3 * len(faces) + n) // 2
    euler = len(np.unique(faces)) - edges + len(faces)
    return open_edges and sound and rim <= halves and euler == 1


LINES = {
    "saddle": curve(8), "three waves": curve(6, 3), "long saddle": curve(8, 2, 4.0),
    "tennis ball": twisted(), "bent strip": folded(), "steep": curve(40),
    "nearly flat": curve(0.1), "flat": curve(0.0),
}  # fmt: skip


@pytest.mark.parametrize("name", LINES)
def test_a_membrane_is_a_disc_with_the_line_for_its_rim(name):
    points = LINES[name]
    surface = membrane(points)
    assert np.array_equal(surface.vertices[: len(points)], points)
    assert surface.rim == len(points) and is_disc(surface)
    assert (0.5 * np.linalg.norm(np.cross(
        surface.triangles[:, 1] - surface.triangles[:, 0],
        surface.triangles[:, 2] - surface.triangles[:, 0]), axis=1) > 0).all()  # fmt: skip
    require_simple(surface)


@pytest.mark.parametrize("name", ["flat", "nearly flat"])
def test_a_nearly_flat_line_is_filled_without_inner_points(name):
    surface = membrane(LINES[name])
    assert len(surface.vertices) == len(LINES[name])
    assert len(surface.faces) == len(LINES[name]) - 2
    # A regular polygon's area.
    assert surface.area == pytest.approx(48 * 400 * np.sin(2 * np.pi / 96), rel=1e-3)


def test_how_flat_is_nearly_flat_is_the_callers_choice():
    points = curve(0.8)
    assert len(membrane(points).vertices) > len(points)
    assert len(membrane(points, nearly_flat=0.05).vertices) == len(points)
    assert len(membrane(curve(0.1), nearly_flat=0.0).vertices) > len(points)


def test_inner_points_are_about_as_dense_as_the_lines():
    for name in ("saddle", "three waves", "long saddle"):
        surface = membrane(LINES[name])
        own = np.median(np.linalg.norm(np.roll(LINES[name], -1, axis=0) - LINES[name], axis=1))
        t = surface.triangles
        sides = np.linalg.norm(np.roll(t, -1, axis=1) - t, axis=2)
        assert 0.6 < np.median(sides) / own < 1.4
    coarse, fine = (membrane(curve(8), spacing=s) for s in (4.0, 1.0))
    assert len(fine.vertices) > 4 * len(coarse.vertices)
    assert fine.area == pytest.approx(coarse.area, rel=0.01)


def test_points_stay_few_however_fine_the_line():
    surface = membrane(curve(8), spacing=0.01)
    assert len(surface.vertices) < 12_000


def test_no_inner_edge_of_a_curved_membrane_joins_two_points_of_the_line():
    surface = membrane(curve(8))
    edges = np.stack([surface.faces, np.roll(surface.faces, -1, axis=1)], axis=2).reshape(-1, 2)
    both = edges[(edges < surface.rim).all(axis=1)]
    step = (both[:, 1] - both[:, 0]) % surface.rim
    assert (step == 1).all()


def test_barred_chords_of_a_flat_membrane_get_a_point_in_the_middle():
    points = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0.0]])
    plain = membrane(points)
    pairs = {tuple(sorted(e)) for f in plain.faces.tolist() for e in (f[:2], f[1:], f[::2])}
    chord = next(p for p in ((0, 2), (1, 3)) if p in pairs)
    barred = membrane(points, barred=[(0, 2), (1, 3)])
    assert chord in pairs and len(barred.vertices) == 5 and len(barred.faces) == 4
    assert np.array_equal(barred.vertices[4], [5, 5, 0]) and is_disc(barred)
    assert barred.area == pytest.approx(100)
    # A chord the membrane has no need of bars nothing.
    other = (1, 3) if chord == (0, 2) else (0, 2)
    assert len(membrane(points, barred=[other]).vertices) == 4


def test_a_very_uneven_line_is_spanned():
    """Half of the line with points a hundred times as dense as the other."""
    dense = np.linspace(0, np.pi, 200, endpoint=False)
    sparse = np.linspace(np.pi, 2 * np.pi, 6, endpoint=False)
    turn = np.concatenate([dense, sparse])
    points = np.stack([20 * np.cos(turn), 20 * np.sin(turn), 6 * np.sin(2 * turn)], axis=1)
    surface = membrane(points)
    assert is_disc(surface) and len(surface.vertices) < 12_000
    require_simple(surface)


def test_a_staircase_line_is_spanned():
    """A line round a grid runs in steps: its corners must not lie on the skin as flaps."""
    steps = [[20, y, 3 * (y % 2)] for y in range(-10, 11)]
    more = [[x, 10, 3 * (x % 2) + 4] for x in range(19, -20, -1)]
    back = [[-20, y, 3 * (y % 2)] for y in range(10, -11, -1)]
    last = [[x, -10, 3 * (x % 2) + 4] for x in range(-19, 20)]
    surface = membrane(np.array(steps + more + back + last, dtype=float))
    assert is_disc(surface)
    assert (surface.faces >= surface.rim).any(axis=1).all()


@pytest.mark.parametrize(
    ("points", "match"),
    [
        ([[0, 0, 0], [1, 0, 0]], "shape"),
        (np.zeros((4, 2)), "shape"),
        ([[0, 0, 0], [1, 0, 0], [1, 0, 0], [0, 1, 0]], r"stands still .* at \(1.0, 0.0, 0.0\) mm"),
        ([[0, 0, 0], [1, 0, np.nan], [0, 1, 0]], "no number"),
        ([[0, 0, 0], [1, 0, 0], [2, 0, 0], [3, 0, 0.0]], "no width"),
    ],
)
def test_lines_that_span_nothing_are_refused(points, match):
    with pytest.raises(BadInput, match=match):
        membrane(points)


# --- relaxing --------------------------------------------------------------------------


def patch(n: int = 12) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A square grid with a bump, and which of its points are on the border."""
    x, y = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    bump = 4.0 * np.sin(np.pi * x / n) * np.sin(np.pi * y / n)
    vertices = np.stack([x, y, bump], axis=-1).reshape(-1, 3).astype(float)
    i = (np.arange(n)[:, None] * (n + 1) + np.arange(n)).ravel()
    faces = np.concatenate(
        [np.stack([i, i + n + 1, i + n + 2], 1), np.stack([i, i + n + 2, i + 1], 1)]
    ).astype(np.int32)
    border = ((x == 0) | (x == n) | (y == 0) | (y == n)).ravel()
    return vertices, faces, border


def test_a_bump_over_a_flat_rim_is_pulled_flat():
    vertices, faces, border = patch()
    flat = relaxed(vertices, faces, border, tolerance=1e-12)
    assert np.array_equal(flat[border], vertices[border])
    assert np.abs(flat[:, 2]).max() < 1e-3
    assert area_of(flat, faces) == pytest.approx(144, rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_area_never_grows(seed):
    vertices, faces, border = patch()
    rng = np.random.default_rng(seed)
    vertices = vertices + rng.normal(0, 0.3, vertices.shape)
    last = area_of(vertices, faces)
    for _ in range(8):
        vertices = relaxed(vertices, faces, border, most=1)
        area = area_of(vertices, faces)
        assert area <= last
        last = area


def test_what_cannot_move_stays():
    vertices, faces, border = patch()
    assert np.array_equal(relaxed(vertices, faces, np.ones_like(border)), vertices)
    spare = np.concatenate([vertices, [[99, 99, 99]]])
    moved_points = relaxed(spare, faces, np.r_[border, False])
    assert np.array_equal(moved_points[-1], [99, 99, 99])


def test_needles_do_not_stop_the_relaxing():
    vertices, faces, border = patch()
    vertices[100] = vertices[101] + 1e-9
    vertices[50] = vertices[51]
    out = relaxed(vertices, faces, border)
    assert np.isfinite(out).all() and area_of(out, faces) < area_of(vertices, faces)


def test_faces_shrunk_to_a_point_stay_where_they_are():
    vertices, faces, border = patch()
    spot = np.full((3, 3), 50.0)
    more = np.concatenate([faces, [[len(vertices) + k for k in range(3)]]]).astype(np.int32)
    out = relaxed(np.concatenate([vertices, spot]), more, np.r_[border, [False] * 3])
    assert np.array_equal(out[-3:], spot)
    assert area_of(out, more) < area_of(vertices, faces)


# --- crossing --------------------------------------------------------------------------


def test_a_membrane_that_crosses_itself_is_refused():
    """A knotted line bounds no disc that does not cross itself."""
    reach = 20 + 8 * np.cos(3 * TURN)
    knot = [reach * np.cos(2 * TURN), reach * np.sin(2 * TURN), 8 * np.sin(3 * TURN)]
    surface = membrane(np.stack(knot, axis=1))
    assert is_disc(surface)
    with pytest.raises(BadInput, match=r"crosses itself at \("):
        require_simple(surface)


def test_a_face_folded_flat_on_its_neighbour_is_found():
    vertices = np.array([[0, 0, 0], [10, 0, 0], [5, 8, 0], [5, 4, 0.0]])
    with pytest.raises(BadInput, match="crosses itself"):
        require_simple(Membrane(vertices, np.array([[0, 1, 2], [1, 0, 3]], dtype=np.int32), 4))


def crossing(a: Mesh, b: Mesh) -> np.ndarray | None:
    shift = np.int32(len(b.vertices))
    return first_crossing(a.vertices, a.faces, b.vertices, b.faces, a.faces + shift)


def test_surfaces_that_cross_are_found_and_others_not():
    ball = sphere(10, 24)
    assert crossing(ball, moved(ball, (15, 1, 2))) is not None
    assert crossing(ball, moved(ball, (20.5, 0, 0))) is None
    assert crossing(ball, sphere(9, 24)) is None
    assert crossing(box(1, 1, 1), box(10, 10, 10, (-5, -5, -5))) is None
    assert crossing(ball, ball.subset(np.zeros(0, dtype=int))) is None
    where = crossing(ball, moved(box(40, 40, 1), (-20, -20, 9.2)))
    assert where is not None and 8 < where[2] <= 10


def test_surfaces_that_lie_on_each_other_are_found():
    low, high = box(10, 10, 10), box(4, 4, 4, (3, 3, 10))
    assert crossing(low, high) is not None
    assert crossing(low, moved(high, (0, 0, 0.01))) is None
    same = box(10, 10, 10)
    assert first_crossing(same.vertices, same.faces, low.vertices, low.faces.copy()) is not None


def test_a_surface_does_not_cross_itself_where_its_faces_are_neighbours():
    ball = sphere(10, 24)
    assert first_crossing(ball.vertices, ball.faces, ball.vertices, ball.faces) is None
    # Pull one vertex right through the ball.
    vertices = ball.vertices.copy()
    vertices[100] *= -1.3
    assert first_crossing(vertices, ball.faces, vertices, ball.faces) is not None


def test_faces_that_share_a_corner_and_cross_are_found():
    vertices = np.array(
        [[0, 0, 0], [10, -3, 0], [10, 3, 0], [8, 0, -3], [8, 0, 3], [10, 6, 0], [10, 12, 0.0]]
    )
    one, other, beside = (np.array([f], dtype=np.int32) for f in ([0, 1, 2], [0, 3, 4], [0, 5, 6]))
    assert first_crossing(vertices, one, vertices, other) is not None
    assert first_crossing(vertices, one, vertices, beside) is None
