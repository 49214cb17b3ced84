"""The figure: units, true size, upright, solid; welding and triangulating what was read."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from seamwright.errors import BadInput
from seamwright.figure import UNITS, require_solid, triangulated, true_size, welded
from seamwright.mesh import Mesh

# A slab that differs along every axis, and off the origin so that recentring would show.
LOW, HIGH = np.array([1.0, 2.0, 4.0]), np.array([2.0, 4.0, 9.0])
QUADS = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]]


def slab() -> Mesh:
    corners = [[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)]
    faces = [f for a, b, c, d in QUADS for f in ([a, b, c], [a, c, d])]
    return Mesh.of(LOW + np.array(corners) * (HIGH - LOW), faces, range(12))


def one_sentence(error: pytest.ExceptionInfo[BadInput]) -> str:
    text = str(error.value)
    assert text.endswith(".") and ". " not in text and "\n" not in text
    return text


# --- true size --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("um", 0.001), ("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4), ("ft", 304.8)],
)
def test_every_unit_becomes_mm(unit, factor):
    result = true_size(slab(), unit=unit)
    np.testing.assert_allclose(result.bounds, [LOW * factor, HIGH * factor], rtol=1e-15)


def test_there_are_no_other_units():
    assert list(UNITS) == ["um", "mm", "cm", "m", "in", "ft"]


def test_scale_factor_is_times_the_source():
    result = true_size(slab(), unit="cm", scale=12)
    np.testing.assert_allclose(result.bounds, [LOW * 120, HIGH * 120], rtol=1e-15)
    assert result.volume == pytest.approx(slab().volume * 120**3)


@pytest.mark.parametrize("unit", list(UNITS))
def test_target_height_is_met_whatever_the_unit(unit):
    result = true_size(slab(), unit=unit, target_height=1200.0)
    assert result.size[2] == pytest.approx(1200.0, rel=1e-14)
    # The slab is 1 x 2 x 5, and it grew about the origin.
    np.testing.assert_allclose(result.bounds, np.array([LOW, HIGH]) * 240, rtol=1e-14)


def test_target_height_counts_only_vertices_that_faces_use():
    mesh = slab()
    stray = Mesh.of(np.vstack([mesh.vertices, [0, 0, 1e6]]), mesh.faces)
    assert true_size(stray, unit="mm", target_height=50.0).compacted().size[2] == pytest.approx(50)


@pytest.mark.parametrize(
    ("up", "where"),
    [
        ("z", [1.0, 2.0, 3.0]),
        ("y", [1.0, -3.0, 2.0]),
        ("x", [-3.0, 2.0, 1.0]),
    ],
)
def test_up_axis_is_turned_to_z_and_nothing_is_mirrored(up, where):
    mesh = slab()
    marked = Mesh(np.vstack([mesh.vertices, [1.0, 2.0, 3.0]]), mesh.faces, mesh.tag)
    result = true_size(marked, unit="mm", up=up)
    np.testing.assert_array_equal(result.vertices[-1], where)
    assert result.volume == pytest.approx(mesh.volume)  # a mirrored one would be negative
    assert result.compacted().size[2] == (HIGH - LOW)["xyz".index(up)]


def test_target_height_is_along_the_up_axis():
    result = true_size(slab(), unit="m", up="x", target_height=10.0)
    np.testing.assert_allclose(result.size, [50.0, 20.0, 10.0])


def test_faces_and_tags_are_kept_and_the_source_is_not_changed():
    mesh = slab()
    before = mesh.vertices.copy()
    result = true_size(mesh, unit="in", scale=2.0, up="y")
    np.testing.assert_array_equal(result.faces, mesh.faces)
    np.testing.assert_array_equal(result.tag, np.arange(12))
    np.testing.assert_array_equal(mesh.vertices, before)
    assert result.vertices.flags.c_contiguous


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"unit": "yard"}, "mm, cm, m, in, ft"),
        ({"unit": ""}, "unknown"),
        ({"up": "w"}, "x, y or z"),
        ({"scale": 2.0, "target_height": 10.0}, "not both"),
        ({"scale": 0.0}, "scale factor is 0.0"),
        ({"scale": -1.0}, "above 0"),
        ({"scale": float("nan")}, "nan"),
        ({"scale": float("inf")}, "inf"),
        ({"target_height": 0.0}, "target height in mm is 0.0"),
        ({"target_height": -5.0}, "above 0"),
        ({"target_height": float("nan")}, "nan"),
        ({"target_height": float("inf")}, "inf"),
    ],
)
def test_bad_sizes_are_refused(wrong, says):
    with pytest.raises(BadInput) as error:
        true_size(slab(), **{"unit": "mm", **wrong})
    assert says in one_sentence(error)


def test_a_figure_without_height_cannot_meet_one():
    flat = Mesh.of([[0, 0, 3], [1, 0, 3], [0, 1, 3]], [[0, 1, 2]])
    with pytest.raises(BadInput) as error:
        true_size(flat, unit="mm", target_height=100.0)
    assert "no height along its z axis" in one_sentence(error)
    # Along its own y axis it does have a height.
    assert true_size(flat, unit="mm", target_height=100.0, up="y").size[2] == pytest.approx(100)


def test_an_empty_figure_has_no_height():
    with pytest.raises(BadInput, match="no height"):
        true_size(Mesh.of(np.zeros((0, 3)), []), unit="mm", target_height=100.0)


# --- solid ------------------------------------------------------------------------


def turned(points: np.ndarray) -> np.ndarray:
    """Turned by a fixed rotation that leaves no axis where it was."""
    turn, _ = np.linalg.qr(np.array([[1.0, 2.0, 3.0], [-1.0, 1.0, 0.5], [0.3, 0.2, -2.0]]))
    return points @ turn.T + [10.0, -20.0, 30.0]


def test_a_solid_passes_however_it_is_turned():
    mesh = slab()
    require_solid(mesh, "Figure 'slab'")
    require_solid(Mesh.of(turned(mesh.vertices), mesh.faces), "Figure 'slab'")


def test_an_empty_mesh_is_refused_by_name():
    with pytest.raises(BadInput) as error:
        require_solid(Mesh.of([[0, 0, 0]], []), "Figure 'dragon'")
    assert one_sentence(error).startswith("Figure 'dragon' has no faces")


@pytest.mark.parametrize("thickness", [0.0, 1e-9, 5e-7])
def test_a_flat_figure_is_refused_in_any_direction(thickness):
    points = (slab().vertices - LOW) / (HIGH - LOW) * [1.0, thickness, 1.0]
    with pytest.raises(BadInput) as error:
        require_solid(Mesh.of(turned(points), slab().faces), "Figure 'leaf'")
    assert "Figure 'leaf' is flat" in one_sentence(error)


def test_thin_is_not_flat():
    points = (slab().vertices - LOW) / (HIGH - LOW) * [1.0, 1e-4, 1.0]
    require_solid(Mesh.of(turned(points), slab().faces), "Figure 'leaf'")


def test_a_line_and_a_point_are_flat():
    line = Mesh.of([[0, 0, 0], [1, 1, 1], [2, 2, 2]], [[0, 1, 2]])
    point = Mesh.of([[1, 1, 1], [1, 1, 1], [1, 1, 1]], [[0, 1, 2]])
    for mesh in (line, point):
        with pytest.raises(BadInput, match="is flat"):
            require_solid(mesh, "It")


def test_vertices_that_no_face_uses_give_no_thickness():
    mesh = Mesh.of([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 1, 2], [0, 2, 1]])
    with pytest.raises(BadInput, match="is flat"):
        require_solid(mesh, "It")


# --- welding ----------------------------------------------------------------------


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_equal_points_become_one_in_order_of_appearance(kind):
    points = np.array([[3, 0, 0], [1, 0, 0], [3, 0, 0], [2, 0, 0], [1, 0, 0]], dtype=kind)
    positions, index = welded(points)
    np.testing.assert_array_equal(positions, [[3, 0, 0], [1, 0, 0], [2, 0, 0]])
    np.testing.assert_array_equal(index, [0, 1, 0, 2, 1])
    assert positions.dtype == kind and index.dtype == np.int32


def test_there_is_no_tolerance():
    step = np.nextafter(np.float32(1.0), np.float32(2.0))
    positions, index = welded(np.array([[1, 1, 1], [1, 1, step], [1, 1, 1]], dtype=np.float32))
    assert len(positions) == 2 and index.tolist() == [0, 1, 0]


def test_minus_zero_is_zero():
    positions, index = welded(np.array([[0.0, -0.0, 1.0], [-0.0, 0.0, 1.0]]))
    assert index.tolist() == [0, 0] and not np.signbit(positions).any()


def test_what_is_not_a_number_stays_by_itself():
    positions, index = welded(np.array([[np.nan, 0, 0], [np.nan, 0, 0], [1, 2, 3]]))
    assert len(positions) == 3 and index.tolist() == [0, 1, 2]


def test_no_points_weld_to_no_points():
    positions, index = welded(np.zeros((0, 3)))
    assert positions.shape == (0, 3) and len(index) == 0


@settings(deadline=None, max_examples=60)
@given(
    hnp.arrays(
        np.float64,
        st.tuples(st.integers(0, 60), st.just(3)),
        elements=st.sampled_from([-1.5, -0.0, 0.0, 1e-300, 0.1, 7.0]),
    )
)
def test_welding_agrees_with_a_dictionary(points):
    positions, index = welded(points)
    number: dict[tuple[float, ...], int] = {}
    expected = [number.setdefault(tuple(p), len(number)) for p in (points + 0.0).tolist()]
    assert index.tolist() == expected
    np.testing.assert_array_equal(positions, np.array(list(number)).reshape(-1, 3))


def test_a_large_soup_welds_to_its_grid():
    # 200 000 corners of 40 000 points: many share a slot of the table, so it takes rounds.
    rng = np.random.default_rng(7)
    grid = rng.uniform(-300, 300, (40_000, 3)).astype(np.float32)
    positions, index = welded(grid[rng.integers(0, len(grid), 200_000)])
    assert len(positions) == len(np.unique(positions, axis=0)) <= len(grid)
    assert index.max() == len(positions) - 1


# --- polygons ---------------------------------------------------------------------


def area_vectors(points, faces):
    a, b, c = (np.asarray(points, dtype=float)[faces[:, i]] for i in range(3))
    return 0.5 * np.cross(b - a, c - a)


def split(points, *polygons):
    points = np.asarray(points, dtype=np.float64)
    sizes = np.array([len(p) for p in polygons], dtype=np.int64)
    return triangulated(points, sizes, np.array([i for p in polygons for i in p], dtype=np.int64))


SQUARE = [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0], [2, 1, 0]]


def test_polygons_keep_their_order():
    faces = split(SQUARE, [0, 1, 2, 3], [1, 4, 5], [0, 1, 4, 5, 2, 3], [0, 1, 3])
    assert faces[:3].tolist() == [[0, 1, 2], [0, 2, 3], [1, 4, 5]]
    assert len(faces) == 2 + 1 + 4 + 1 and faces[-1].tolist() == [0, 1, 3]


def test_polygons_without_area_are_dropped():
    assert split(SQUARE, [0, 1], [2], [], [0, 1, 2]).tolist() == [[0, 1, 2]]
    assert split(SQUARE, [0, 1]).shape == (0, 3)
    assert split(SQUARE).shape == (0, 3)


@pytest.mark.parametrize("first", range(4))
def test_a_dented_quad_is_not_folded(first):
    arrow = [[0, 0, 0], [4, 0, 0], [1, 1, 0], [0, 4, 0]]  # dented at its third corner
    faces = split(arrow, np.roll([0, 1, 2, 3], first).tolist())
    assert len(faces) == 2 and (area_vectors(arrow, faces)[:, 2] > 0).all()


@pytest.mark.parametrize("turn", ["as drawn", "reversed", "in space"])
def test_a_dented_polygon_is_not_folded(turn):
    # A comb: no fan of its nine corners stays inside.
    flat = [(0, 0), (6, 0), (6, 3), (5, 3), (4, 1), (3, 3), (2, 1), (1, 3), (0, 3)]
    ring = np.array([(x, y, 0) for x, y in flat], dtype=float)
    order = list(range(9))
    if turn == "reversed":
        order.reverse()
    if turn == "in space":
        ring = turned(ring)
    faces = split(ring, order)
    vectors = area_vectors(ring, faces)
    assert len(faces) == 7 and sorted(set(faces.ravel().tolist())) == list(range(9))
    # 6 x 3 less two notches of 2: the areas add up to that only if no triangle lies outside it.
    assert np.linalg.norm(vectors, axis=1).sum() == pytest.approx(14.0)
    assert np.linalg.norm(vectors.sum(axis=0)) == pytest.approx(14.0)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).tolist()
    assert all([order[i], order[(i + 1) % 9]] in edges for i in range(9))


def test_a_polygon_that_crosses_itself_still_keeps_all_its_corners():
    star = [[np.cos(a), np.sin(a), 0.0] for a in np.arange(5) * 4 * np.pi / 5]
    faces = split(star, [0, 1, 2, 3, 4])
    assert len(faces) == 3 and set(faces.ravel().tolist()) == {0, 1, 2, 3, 4}
