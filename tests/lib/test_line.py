"""Lines: marked edges in any order, ways along edges, and parting along lines."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.adjacency import EdgeTable
from seamwright.drawing import drawn
from seamwright.errors import BadInput, SeamwrightError
from seamwright.line import (
    Line,
    bends,
    cheapest_way,
    line_from_edges,
    lines_from_edges,
    shares,
    vector_area,
    walk_length,
    within_reach,
)
from seamwright.line_parting import chords, is_apart, part_along_line, require_inside, spanned
from seamwright.membrane import Membrane, membrane
from seamwright.mesh import SKIN, Mesh, joined
from seamwright.parting import solids
from seamwright.shapes import box, moved, revolved, sphere, torus

SIDES = 48
BALL = sphere(30, SIDES)
RING = torus(40, 15, 64, 32)


def row(k: int, sides: int = SIDES) -> np.ndarray:
    """Vertex ids of the k-th ring of `revolved`, from below."""
    return 1 + (k - 1) * sides + np.arange(sides)


def ring_edges(k: int, sides: int = SIDES) -> np.ndarray:
    return np.stack([row(k, sides), np.roll(row(k, sides), -1)], axis=1)


def shuffled(edges: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    mixed = edges[rng.permutation(len(edges))]
    turned = rng.random(len(mixed)) < 0.5
    mixed[turned] = mixed[turned, ::-1]
    return mixed


def wavy(radius: float, rise: float, waves: int = 3, count: int = 24) -> np.ndarray:
    """Points of a wavy line round a ball about the origin."""
    turn = 2 * np.pi * np.arange(count) / count
    p = np.stack([np.cos(turn), np.sin(turn), rise * np.sin(waves * turn)], axis=1)
    return radius * p / np.linalg.norm(p, axis=1)[:, None]


def walked(mesh: Mesh, points: np.ndarray) -> np.ndarray:
    """Edges of a zigzag line from vertex to vertex near the points."""
    stops = [int(np.argmin(np.linalg.norm(mesh.vertices - p, axis=1))) for p in points]
    legs = zip(stops, stops[1:] + stops[:1], strict=True)
    ways = [cheapest_way(mesh, a, b, 1.0) for a, b in legs if a != b]
    return np.concatenate([np.stack([way[:-1], way[1:]], axis=1) for way in ways])


def tube_points(count: int = 12, major: float = 40, minor: float = 15) -> np.ndarray:
    """Points of a slightly wavy line round the tube of `torus`."""
    turn = 2 * np.pi * np.arange(count) / count
    reach = major + minor * np.cos(turn)
    return np.stack([reach, 4 * np.sin(2 * turn), minor * np.sin(turn)], axis=1)


def blob() -> Mesh:
    """A head on a body, bumpy, with a deep crease for a neck at z = 20."""
    height = np.linspace(-30, 52, 83)
    body = np.sqrt(np.maximum(0, 30**2 - height**2))
    head = np.sqrt(np.maximum(0, 18**2 - (height - 34) ** 2))
    neck = 12 + np.abs(height - 20)
    radius = np.maximum(body, head)
    radius = np.where(neck < 24, np.minimum(neck, radius), radius)
    mesh = revolved(radius, height, 72)
    turn = np.arctan2(mesh.vertices[:, 1], mesh.vertices[:, 0])
    bumps = 1 + 0.03 * np.sin(5 * turn) * np.cos(mesh.vertices[:, 2] / 6)
    return Mesh.of(mesh.vertices * np.stack([bumps, bumps, np.ones(len(turn))], 1), mesh.faces)


# --- marked edges ----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_marked_edges_in_any_order_are_one_line(seed):
    line = line_from_edges(BALL, shuffled(ring_edges(15), seed))
    tidy = line_from_edges(BALL, ring_edges(15))
    assert np.array_equal(line.vertices, tidy.vertices)
    assert sorted(line.vertices.tolist()) == sorted(row(15).tolist())
    steps = np.abs(np.diff(line.vertices))
    assert set(steps.tolist()) <= {1, SIDES - 1}
    assert np.array_equal(line.points, BALL.vertices[line.vertices])


def test_edges_named_twice_or_from_a_vertex_to_itself_do_no_harm():
    edges = np.concatenate([ring_edges(15), ring_edges(15)[:5, ::-1], [[7, 7]]])
    assert len(line_from_edges(BALL, edges).vertices) == SIDES


def test_a_line_of_marked_edges_has_side_a_above():
    assert vector_area(line_from_edges(BALL, ring_edges(15)[::-1]).points)[2] > 0
    upright = line_from_edges(RING, [[k, (k + 1) % 32] for k in range(32)])
    # Round the tube at y = 0: the line stands upright and looks along y.
    assert vector_area(upright.points)[1] > 0


def test_measures_of_a_line():
    line = line_from_edges(BALL, ring_edges(12))
    radius = float(np.hypot(*line.points[0, :2]))
    # The perimeter of a regular polygon.
    assert line.length == pytest.approx(2 * SIDES * radius * np.sin(np.pi / SIDES))
    assert line.flatness < 1e-9
    assert np.allclose(line.plane.normal, [0, 0, 1])
    assert line.plane.origin[2] == pytest.approx(BALL.vertices[row(12)[0], 2])
    back = line.reversed()
    assert np.allclose(back.plane.normal, [0, 0, -1]) and back.length == pytest.approx(line.length)


def test_several_loops_are_several_lines_longest_first():
    edges = shuffled(np.concatenate([ring_edges(8), ring_edges(12), ring_edges(19)]), 1)
    lines = lines_from_edges(BALL, edges)
    assert [len(line.vertices) for line in lines] == [SIDES] * 3
    assert [set(line.vertices.tolist()) for line in lines] == [
        set(row(k).tolist()) for k in (12, 8, 19)
    ]
    with pytest.raises(BadInput, match=r"form 3 loops, through \(.*\) mm and \(.*\) mm and others"):
        line_from_edges(BALL, edges)


def test_an_open_line_names_its_loose_end():
    edges = ring_edges(12)[:-1]
    ends = [BALL.vertices[row(12)[0]], BALL.vertices[row(12)[-1]]]
    with pytest.raises(BadInput, match="not closed: it has a loose end at") as caught:
        line_from_edges(BALL, edges)
    assert any("({:.1f}, {:.1f}, {:.1f})".format(*e) in str(caught.value) for e in ends)


def test_a_branching_line_names_its_fork():
    spur = [[row(12)[3], row(13)[3]]]
    with pytest.raises(BadInput, match="branches at") as caught:
        line_from_edges(BALL, np.concatenate([ring_edges(12), spur]))
    fork = BALL.vertices[row(12)[3]]
    assert "({:.1f}, {:.1f}, {:.1f})".format(*fork) in str(caught.value)


def test_edges_that_are_not_the_meshs_are_refused():
    with pytest.raises(BadInput, match="has no edges"):
        line_from_edges(BALL, np.zeros((0, 2)))
    with pytest.raises(BadInput, match=r"names vertex 999999"):
        line_from_edges(BALL, [[0, 999999], [999999, 1], [1, 0]])
    with pytest.raises(BadInput, match="which no mesh edge joins"):
        line_from_edges(BALL, [[row(5)[0], row(15)[0]], [row(15)[0], row(9)[20]],
                               [row(9)[20], row(5)[0]]])  # fmt: skip


def test_a_line_at_an_open_border_is_refused():
    open_ball = BALL.subset(BALL.vertices[BALL.faces].max(axis=1)[:, 2] < 20)
    top = open_ball.vertices[:, 2].max()
    rim = open_ball.edge_counts.open
    assert np.allclose(open_ball.vertices[rim, 2], top)
    with pytest.raises(BadInput, match="touches an open border at"):
        line_from_edges(open_ball, rim)


# --- ways along edges ------------------------------------------------------------------


def test_a_ridge_is_walked_round_and_a_crease_followed():
    """In the neck of the blob an edge costs little; elsewhere about its length."""
    figure = blob()
    table = EdgeTable.of(figure.faces, len(figure.vertices))
    h = np.flatnonzero(table.mate > np.arange(len(table.mate)))
    share = shares(bends(figure, np.arange(len(figure.faces)), table, h), 0.2)
    ends = figure.vertices[np.stack([table.start[h], table.end[h]], axis=1)]
    neck = (ends[:, :, 2] == 20).all(axis=1)
    rest = (ends[:, :, 2] < 5).all(axis=1) & (ends[:, :, 2] > -25).all(axis=1)
    assert share[neck].max() < 0.35
    assert 0.9 < np.median(share[rest]) < 1.6
    assert share.min() >= 0.2 and share.max() <= 2.0


def test_the_cheapest_way_takes_a_crease_unless_that_leads_far_astray(monkeypatch):
    figure = blob()
    # Row 50 is the neck, at z = 20; there is a row every mm.
    neck = row(50, 72)
    assert np.allclose(figure.vertices[neck, 2], 20)
    assert cheapest_way(figure, neck[0], neck[12], 0.2) == neck[:13].tolist()
    # From 2 mm below it, into it and out again is some 20 % farther than straight there.
    a, b = row(48, 72)[[0, 12]]
    assert np.isin(neck, cheapest_way(figure, a, b, 0.01)).sum() > 5
    monkeypatch.setattr("seamwright.line.ASTRAY", 1.15)
    assert not np.isin(neck, cheapest_way(figure, a, b, 0.01)).any()
    assert cheapest_way(figure, b, a, 0.01) == cheapest_way(figure, a, b, 0.01)[::-1]


def test_ways_stay_among_the_faces_within_their_reach():
    a, b = int(row(12)[0]), int(row(12)[20])
    way = cheapest_way(BALL, a, b, 1.0)
    length = walk_length(BALL.vertices[way])
    near = np.unique(BALL.faces[within_reach(BALL, a, b, length)])
    assert np.isin(way, near).all() and len(near) < len(BALL.vertices)
    off = np.linalg.norm(BALL.vertices[:, None] - BALL.vertices[[a, b]], axis=2).sum(axis=1)
    assert np.isin(np.flatnonzero(off <= length), near).all()


# --- parting ---------------------------------------------------------------------------


def halves(figure: Mesh, line: Line, tag: int = 3) -> tuple[Mesh, Membrane, list[Mesh]]:
    surface = spanned(figure, line)
    parted = part_along_line(figure, line, surface, tag)
    assert parted.is_closed
    label = solids(parted)
    return parted, surface, [parted.subset(label == k) for k in range(label.max() + 1)]


def same_skin(figure: Mesh, parted: Mesh) -> bool:
    """Every skin face is where it was, to the last bit, and in the same order."""
    skin = parted.tag == SKIN
    return (
        np.array_equal(parted.vertices[parted.faces[skin]], figure.vertices[figure.faces])
        and not skin[len(figure.faces) :].any()
    )


FIGURES = {
    "wavy ball": (BALL, wavy(30, 0.5)),
    "flat ball": (BALL, wavy(30, 0.0)),
    "blob": (blob(), np.stack([
        12 * np.cos(np.arange(6)), 12 * np.sin(np.arange(6)), np.full(6, 21.0)], axis=1)),
}  # fmt: skip


@pytest.mark.parametrize("name", FIGURES)
def test_a_ball_is_parted_in_two_closed_halves(name):
    figure, points = FIGURES[name]
    figure, line = drawn(figure, points)
    parted, surface, pieces = halves(figure, line)
    assert len(pieces) == 2 and is_apart(parted, 3)
    assert all(p.is_closed and p.volume > 0 for p in pieces)
    assert sum(p.volume for p in pieces) == pytest.approx(figure.volume, rel=1e-12)
    assert same_skin(figure, parted)
    for piece in pieces:
        assert piece.areas[piece.tag == 3].sum() == pytest.approx(surface.area, rel=1e-12)


def test_both_sides_hold_the_same_membrane_mirrored():
    ball, line = drawn(BALL, wavy(30, 0.5))
    parted, surface, _ = halves(ball, line)
    cap = parted.vertices[parted.faces[parted.tag == 3]]
    half = len(surface.faces)
    assert np.array_equal(cap[half:], surface.triangles)
    assert np.array_equal(cap[:half], surface.triangles[:, ::-1])


def test_side_a_is_where_the_right_hand_rule_points():
    ball, line = drawn(BALL, wavy(30, 0.4))
    for run, above in ((line, True), (line.reversed(), False)):
        surface = spanned(ball, run)
        parted = part_along_line(ball, run, surface, 1)
        label = solids(parted)
        side_a = parted.subset(label == label[len(ball.faces)])
        side_b = parted.subset(label == label[-1])
        assert (side_a.bounds[1, 2] > side_b.bounds[1, 2]) == above
        # A piece's own face looks away from it.
        up = side_a.face_vectors[side_a.tag == 1].sum(axis=0)[2]
        assert (up < 0) == above


def test_no_vertex_is_shared_across_the_seam():
    ball, line = drawn(BALL, wavy(30, 0.4))
    parted, _, _ = halves(ball, line)
    label = solids(parted)
    a, b = (np.unique(parted.faces[label == k]) for k in (0, 1))
    assert not len(np.intersect1d(a, b))
    assert len(a) + len(b) == len(parted.vertices)


def test_a_line_round_a_handle_leaves_one_solid():
    ring, line = drawn(RING, tube_points())
    parted, _, pieces = halves(ring, line)
    assert len(pieces) == 1 and not is_apart(parted, 3)
    assert pieces[0].volume == pytest.approx(RING.volume, rel=1e-12)
    assert same_skin(ring, parted)
    # A second line on the other side frees it.
    parted, other = drawn(parted, tube_points() * [-1, -1, 1])
    twice = part_along_line(parted, other, spanned(parted, other), 4)
    assert twice.is_closed and is_apart(twice, 4) and is_apart(twice, 3)
    assert int(solids(twice).max()) == 1


def test_a_line_round_the_hole_of_a_ring_is_refused():
    inner = line_from_edges(RING, [[k * 32 + 16, (k + 1) % 64 * 32 + 16] for k in range(64)])
    with pytest.raises(BadInput, match="leaves the figure at"):
        spanned(RING, inner)


@pytest.mark.parametrize("seed", [1, 3, 7, 10])
def test_a_film_that_grazes_rough_skin_is_tucked_in(seed):
    rough = 1 + 0.02 * np.random.default_rng(seed).normal(size=(len(BALL.vertices), 1))
    figure = Mesh.of(BALL.vertices * rough, BALL.faces)
    line = line_from_edges(figure, walked(figure, wavy(30, 0.5)))
    film = membrane(line.points, barred=chords(figure, line))
    with pytest.raises(BadInput, match="leaves the figure at"):
        require_inside(film, figure, line)
    _, surface, pieces = halves(figure, line)
    assert surface.area < 1.002 * film.area and len(pieces) == 2


def test_a_membrane_through_a_cavity_is_refused():
    hollow = joined([BALL, sphere(10, 16).flipped()])
    hollow, line = drawn(hollow, wavy(30, 0.0))
    with pytest.raises(BadInput, match=r"meets the figure's surface at \(") as caught:
        spanned(hollow, line)
    place = [float(x) for x in str(caught.value).split("(")[1].split(")")[0].split(",")]
    assert np.linalg.norm(place) < 30


def test_a_line_about_a_flat_face_encloses_nothing():
    cube = box(10, 10, 10)
    rim = [[4, 5], [5, 7], [7, 6], [6, 4]]
    with pytest.raises(BadInput, match=r"leaves the figure|meets the figure"):
        spanned(cube, line_from_edges(cube, rim))


def test_a_membrane_in_the_plane_of_the_skin_beside_it_is_inside():
    """A peg on a plate: the line lies in the crease, the membrane in the plate's plane."""
    peg = revolved(
        np.array([0, 20, 20, 10, 10, 0.0]), np.array([0, 0, 5, 5, 25, 25.0]), 24
    )  # fmt: skip
    line = line_from_edges(peg, ring_edges(3, 24))
    assert np.allclose(line.points[:, 2], 5)
    _, surface, pieces = halves(peg, line)
    assert len(pieces) == 2
    volumes = sorted(p.volume for p in pieces)
    # A 24-gon's area times height, for the peg and the plate.
    area = 12 * np.sin(2 * np.pi / 24)
    assert volumes == pytest.approx([100 * area * 20, 400 * area * 5])
    assert surface.area == pytest.approx(100 * area)


def test_a_chord_of_the_skin_is_no_edge_of_the_membrane():
    """An eight-cornered double pyramid: the skin joins points that the line passes by."""
    corners = np.array([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1.0]]) * 9
    faces = [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4],
             [1, 0, 5], [2, 1, 5], [3, 2, 5], [0, 3, 5]]  # fmt: skip
    figure = Mesh.of(corners, faces)
    line = line_from_edges(figure, [[0, 1], [1, 2], [2, 4], [4, 3], [3, 0]])
    joined_points = {tuple(sorted(line.vertices[pair].tolist())) for pair in chords(figure, line)}
    assert joined_points == {(0, 4), (1, 4), (2, 3)}
    _, _, pieces = halves(figure, line)
    assert len(pieces) == 2 and all(p.is_closed for p in pieces)
    assert sum(p.volume for p in pieces) == pytest.approx(figure.volume, rel=1e-12)
    with pytest.raises(SeamwrightError, match="the skin has too"):
        part_along_line(figure, line, membrane(line.points, nearly_flat=10.0), 1)


def test_a_pinched_vertex_on_the_line_gets_apart():
    """Two balls that share one vertex, on the line: the other ball hangs on to nothing."""
    tip = BALL.vertices[row(12)[0]]
    other = box(5, 5, 5, tuple(tip))
    both = joined([BALL, other])
    merged = both.faces.copy()
    merged[merged == len(BALL.vertices)] = row(12)[0]
    figure = Mesh(both.vertices, merged, both.tag).compacted()
    line = line_from_edges(figure, ring_edges(12))
    parted = part_along_line(figure, line, membrane(line.points), 1)
    assert parted.is_closed and int(solids(parted).max()) == 2


def test_a_line_of_another_figure_is_refused():
    line = line_from_edges(BALL, ring_edges(12))
    surface = spanned(BALL, line)
    for other in (moved(BALL, (1, 0, 0)), box(1, 1, 1)):
        with pytest.raises(BadInput, match="does not lie on this figure"):
            part_along_line(other, line, surface, 1)
    with pytest.raises(SeamwrightError, match="another line's"):
        part_along_line(BALL, line, spanned(BALL, line_from_edges(BALL, ring_edges(13))), 1)
    whole = (BALL.faces != row(12)[3]).all(axis=1)
    torn = Mesh(BALL.vertices, BALL.faces[whole], BALL.tag[whole])
    with pytest.raises(BadInput, match="leaves the surface at"):
        part_along_line(torn, line, surface, 1)
    with pytest.raises(SeamwrightError, match="rim is not the line"):
        require_inside(Membrane(surface.vertices, surface.faces[:, ::-1], surface.rim), BALL, line)


def test_the_same_line_and_membrane_come_out_every_time():
    (ball, one), (again, two) = (drawn(BALL, wavy(30, 0.5)) for _ in range(2))
    assert np.array_equal(one.vertices, two.vertices)
    assert np.array_equal(ball.faces, again.faces)
    assert np.array_equal(spanned(ball, one).vertices, spanned(again, two).vertices)
