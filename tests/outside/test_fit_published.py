"""fit.py against published closed forms and against trimesh's oriented bounds."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from seamwright.bounds import least_width
from seamwright.circle import smallest_circle
from seamwright.fit import TOLERANCE, fit
from seamwright.platform import Platform

SIDE = 100.0  # mm, of the cube that most of these must fit
GOLDEN = (1.0 + np.sqrt(5.0)) / 2.0


def turned(seed: int) -> np.ndarray:
    return Rotation.random(random_state=seed).as_matrix()


def prism(outline: np.ndarray, height: float) -> np.ndarray:
    """(2N, 3) an (N, 2) outline at the bottom and the top."""
    rows = [np.column_stack([outline, np.full(len(outline), z)]) for z in (0.0, height)]
    return np.concatenate(rows)


def rectangle(p: float, q: float) -> np.ndarray:
    return np.array([[0.0, 0.0], [p, 0.0], [p, q], [0.0, q]])


# ------------------------------------------------------------------ a rectangle in a rectangle
# W. B. Carver, solution of problem E 1225, Amer. Math. Monthly 64 (1957) 114-116: p x q
# (p >= q) fits a x b (a >= b) if and only if p <= a and q <= b, or p > a, q <= b and
# b >= (2 p q a + (p² - q²) sqrt(p² + q² - a²)) / (p² + q²).


def carver(p: float, q: float, a: float, b: float) -> bool:
    if p <= a:
        return q <= b
    root = np.sqrt(p * p + q * q - a * a)
    return q <= b and bool(b >= (2 * p * q * a + (p * p - q * q) * root) / (p * p + q * q))


def carver_cases(count: int, seed: int) -> np.ndarray:
    """(count, 4) p, q, a, b with many too long to lie straight and near the limit."""
    rng = np.random.default_rng(seed)
    a = np.full(count, SIDE)
    b = rng.uniform(0.05, 1.0, count) * SIDE
    p = a + rng.uniform(-0.2, 1.1, count) * (np.hypot(a, b) - a)
    q = b * rng.uniform(0.0, 1.0, count) ** 3
    return np.stack([np.maximum(p, q), np.minimum(p, q), a, b], axis=1)


def test_carvers_formula_itself_against_brute_force() -> None:
    angle = np.linspace(0.0, np.pi / 2, 20_001)
    c, s = np.cos(angle), np.sin(angle)
    seen = {True: 0, False: 0}
    for p, q, a, b in carver_cases(400, 1):
        w, h = p * c + q * s, p * s + q * c
        excess = np.maximum(w - a, h - b).min()
        # Closer than one step of the angle can move a corner, brute force cannot tell.
        if abs(excess) < np.hypot(p, q) * angle[1]:
            continue
        assert carver(p, q, a, b) == (excess < 0)
        seen[bool(excess < 0) and p > a] += 1
    assert seen[True] > 50 and seen[False] > 50


@pytest.mark.parametrize("seed", [2, 3])
def test_turned_agrees_with_carver(seed: int) -> None:
    turns = 0
    for number, (p, q, a, b) in enumerate(carver_cases(400, seed)):
        c, s = np.cos(number), np.sin(number)
        plate = prism(rectangle(p, q) @ np.array([[c, s], [-s, c]]), 1.0)
        result = fit(plate, (a, b, 2.0) if number % 2 else (b, a, 2.0), allow="turned")
        assert (result.way != "none") == carver(p, q, a, b)
        turns += result.way == "turned"
    assert turns > 50


def test_turned_turns_at_carvers_limit() -> None:
    for p, q, a, _ in carver_cases(100, 4):
        if p <= a:
            continue
        root = np.sqrt(p * p + q * q - a * a)
        limit = max(q, (2 * p * q * a + (p * p - q * q) * root) / (p * p + q * q))
        plate = prism(rectangle(p, q), 1.0)
        if limit <= a:
            assert fit(plate, (a, limit + 1e-4, 2.0), allow="turned").way == "turned"
            assert fit(plate, (a, limit - 1e-4, 2.0), allow="turned").way == "none"


# ------------------------------------------------------------------ rods
# A segment fits a box if and only if it is no longer than the box's diagonal (elementary).


@pytest.mark.parametrize("usable", [(SIDE, SIDE, SIDE), (200.0, 150.0, 100.0), (218.0, 119.0, 7.0)])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_rod_on_the_diagonal(usable: tuple[float, float, float], seed: int) -> None:
    diagonal = float(np.linalg.norm(usable))
    rod = np.stack([np.zeros(3), turned(seed)[0] * diagonal])
    assert fit(rod * 0.999999, usable).way == "any"
    result = fit(rod * 1.000001, usable)
    assert result.way == "none"
    assert "longest span" in result.reason


def test_a_rod_misses_by_what_the_diagonal_says() -> None:
    # The box grown by t on each side must have the rod as its diagonal.
    usable = np.array([200.0, 150.0, 100.0])
    for t in (0.01, 3.0, 80.0):
        rod = np.stack([np.zeros(3), turned(3)[0] * np.linalg.norm(usable + t)])
        assert fit(rod, usable).miss == pytest.approx(t, abs=1e-6)


def test_a_rod_on_the_face_diagonal() -> None:
    for length, way in ((141.42, "turned"), (141.424, "any"), (141.43, "none")):
        rod = np.array([[0.0, 0.0, 0.0], [length, 0.0, 0.0]])
        assert fit(rod, (SIDE, SIDE, 1.0)).way == way


def test_a_cube_in_a_box_as_wide_as_its_diagonal_stands_upright() -> None:
    cube = prism(rectangle(1.0, 1.0), 1.0)
    assert fit(cube, (1.4143, 1.4143, 1.0)).way == "upright"
    spun = cube @ Rotation.from_euler("z", 45, degrees=True).as_matrix().T
    assert fit(spun, (1.4143, 1.4143, 1.0)).way == "upright"
    assert fit(spun, (1.4142, 1.4142, 1.0)).way == "turned"
    for seed in range(3):
        assert fit(cube @ turned(seed).T * SIDE, (SIDE, SIDE, SIDE)).way == "any"
        assert fit(cube @ turned(seed).T * SIDE * 1.000001, (SIDE, SIDE, SIDE)).way == "none"


# ------------------------------------------------------------------ regular bodies in a cube
# H. T. Croft, "On maximal regular polyhedra inscribed in a regular polyhedron", Proc.
# London Math. Soc. (3) 41 (1980) 279-296: greatest edges in a cube of side 1. Tetrahedron,
# octahedron and icosahedron sqrt(2), 3 sqrt(2) / 4 and 1 / golden ratio; dodecahedron
# 0.394283 (the values from memory; each is checked from both sides here).


def signs(*coordinates: float) -> np.ndarray:
    """(8, 3) the coordinates with every choice of signs."""
    return (1 - 2 * np.indices((2, 2, 2)).reshape(3, 8).T) * np.array(coordinates)


def cyclic(a: float, b: float, c: float) -> np.ndarray:
    return np.concatenate([signs(a, b, c), signs(b, c, a), signs(c, a, b)])


BODIES = {
    "tetrahedron": (
        np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(8.0),
        np.sqrt(2.0),
        1e-8,
    ),
    "octahedron": (
        np.concatenate([np.eye(3), -np.eye(3)]) / np.sqrt(2.0),
        0.75 * np.sqrt(2.0),
        1e-8,
    ),
    "icosahedron": (cyclic(0.0, 0.5, GOLDEN / 2), 1.0 / GOLDEN, 1e-8),
    "dodecahedron": (
        np.concatenate([signs(1, 1, 1), cyclic(0.0, 1.0 / GOLDEN, GOLDEN)]) * GOLDEN / 2,
        0.394283,
        1e-6,
    ),
}


@pytest.mark.parametrize("name", BODIES)
def test_the_greatest_regular_body_in_a_cube(name: str) -> None:
    corners, edge, known_to = BODIES[name]
    distance = np.linalg.norm(corners[1:] - corners[0], axis=1)
    assert distance[distance > 1e-9].min() == pytest.approx(1.0)
    body = corners @ turned(5).T * SIDE
    least, most = edge * (1 - 1e-7), (edge + known_to) * (1 + 1e-7)
    assert fit(body * least, (SIDE, SIDE, SIDE)).way == "any"
    assert fit(body * most, (SIDE, SIDE, SIDE)).way == "none"


def test_the_greatest_square_in_a_cube() -> None:
    # Prince Rupert's problem: the square of side 3 sqrt(2) / 4 is the greatest in a unit
    # cube (P. Nieuwland's solution; D. J. E. Schrek, Scripta Math. 16 (1950), from memory).
    side = 0.75 * np.sqrt(2.0) * SIDE
    square = prism(rectangle(1.0, 1.0), 0.0)[:4] @ turned(6).T
    assert fit(square * side * (1 - 1e-7), (SIDE, SIDE, SIDE)).way == "any"
    assert fit(square * side * (1 + 1e-7), (SIDE, SIDE, SIDE)).way == "none"


def test_the_greatest_disc_in_a_cube() -> None:
    # A disc with unit normal n spans 2 r sqrt(1 - n_k²) along axis k; the least of the
    # three |n_k| is at most 1 / sqrt(3), so r <= sqrt(3 / 8) of the side (elementary).
    angle = np.arange(3000) * 2 * np.pi / 3000
    circle = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1) @ turned(7).T
    radius = np.sqrt(3.0 / 8.0) * SIDE
    # The 3000-gon is up to 6e-7 of its size narrower than the disc.
    assert fit(circle * radius * (1 - 1e-7), (SIDE, SIDE, SIDE)).way == "any"
    assert fit(circle * radius * (1 + 1e-6), (SIDE, SIDE, SIDE)).way == "none"


# ------------------------------------------------------------------ least boxes
# J. O'Rourke, "Finding minimal enclosing boxes", Int. J. Computer & Information Sciences 14
# (1985) 183: a box of least volume has two adjacent faces flush with edges of the body. Round
# a regular tetrahedron of edge 1 that is the cube of side 1 / sqrt(2), of three times its
# volume (elementary from that theorem): no box of less volume holds it, whatever its sides.


def test_the_least_box_round_a_tetrahedron() -> None:
    body = BODIES["tetrahedron"][0] @ turned(3).T * SIDE
    side = SIDE / np.sqrt(2.0)
    assert fit(body, np.full(3, side * (1 + 1e-7))).way == "any"
    rng = np.random.default_rng(5)
    for shares in rng.uniform(-0.3, 0.3, size=(4, 3)):
        usable = side * np.exp(shares - shares.mean()) * 0.9999
        assert fit(body, usable).way == "none"


# ------------------------------------------------------------------ circles
# H. W. E. Jung, "Ueber die kleinste Kugel, die eine raeumliche Figur einschliesst", J. reine
# angew. Math. 123 (1901) 241: points no farther apart than d lie in a circle of radius
# d / sqrt(3), and an equilateral triangle needs all of it.


def test_jungs_bound_is_kept_and_met() -> None:
    rng = np.random.default_rng(1)
    for _ in range(200):
        points = rng.normal(size=(rng.integers(2, 30), 2)) * rng.uniform(0.1, 50, 2)
        apart = np.linalg.norm(points[:, None] - points, axis=2).max()
        radius = smallest_circle(points)[1]
        assert apart / 2 * (1 - 1e-12) <= radius <= apart / np.sqrt(3) * (1 + 1e-12)
    triangle = np.array([[0.0, 0.0], [1.0, 0.0], [0.5, np.sqrt(0.75)]])
    assert smallest_circle(triangle)[1] == pytest.approx(1 / np.sqrt(3), rel=1e-12)


def test_circles_agree_with_shapely() -> None:
    shapely = pytest.importorskip("shapely")
    rng = np.random.default_rng(2)
    for k in range(300):
        points = rng.normal(size=(rng.integers(2, 60), 2)) * rng.uniform(0.1, 50, 2)
        points = np.rint(points) if k % 5 == 0 else points
        theirs = shapely.minimum_bounding_radius(shapely.MultiPoint(points))
        assert smallest_circle(points)[1] == pytest.approx(theirs, rel=1e-9, abs=1e-9)


# ------------------------------------------------------------------ round platforms
# The smallest cylinder round a regular tetrahedron of edge 1 has radius 1 / 2 (R. Brandenberg
# & T. Theobald, "Radii minimal projections of polytopes and constrained optimization of
# symmetric polynomials", Adv. Geom. 6 (2006) 71, from memory). A segment fits a cylinder
# if and only if it is no longer than its diagonal (elementary).


def test_the_smallest_cylinder_round_a_tetrahedron() -> None:
    body = BODIES["tetrahedron"][0] @ turned(4).T * SIDE
    assert fit(body, Platform((SIDE * 1.000001, SIDE * 1.000001, 300.0), True)).way == "any"
    result = fit(body, Platform((SIDE - 0.01, SIDE - 0.01, 300.0), True))
    assert result.way == "none"
    assert result.miss == pytest.approx(0.01, abs=1e-5)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_rod_in_a_cylinder(seed: int) -> None:
    disc = Platform((200.0, 200.0, 150.0), True)
    rod = np.stack([np.zeros(3), turned(seed)[0] * 250.0])
    assert fit(rod * 0.999999, disc).way == "any"
    assert "longest span, 250" in fit(rod * 1.000001, disc).reason


def test_a_square_post_on_a_disc_needs_its_diagonal() -> None:
    post = prism(rectangle(30.0, 40.0), 90.0)
    assert fit(post, Platform((50.0, 50.0, 90.0), True)).way == "upright"
    assert fit(post, Platform((49.99, 49.99, 90.0), True), allow="turned").way == "none"


# ------------------------------------------------------------------ excluded corners
# A disc of radius r in the back right of a square of side a touches a corner of side c, cut off
# at the front left, when (a - r - c) sqrt(2) = r (elementary).


@pytest.mark.parametrize("corner", [40.0, 60.0, 75.0])
def test_the_greatest_disc_beside_a_corner(corner: float) -> None:
    angle = np.arange(720) * 2 * np.pi / 720
    circle = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    radius = np.sqrt(2.0) * (SIDE - corner) / (1 + np.sqrt(2.0))
    platform = Platform((SIDE, SIDE, 5.0), excluded=((0.0, 0.0, corner, corner),))
    # The 720-gon is up to 1e-5 of its size narrower than the disc.
    for allow in ("upright", "turned"):
        assert fit(circle * radius * (1 - 1e-7), platform, allow=allow).way == "upright"
        assert fit(circle * radius * (1 + 3e-5), platform, allow=allow).way == "none"


# ------------------------------------------------------------------ widths


@pytest.mark.parametrize(
    ("name", "width"),
    [
        # Regular bodies of edge 1: between two opposite edges of the tetrahedron, and
        # between two opposite faces, twice the inradius, of the others (elementary).
        ("tetrahedron", 1.0 / np.sqrt(2.0)),
        ("octahedron", np.sqrt(2.0 / 3.0)),
        ("icosahedron", GOLDEN**2 / np.sqrt(3.0)),
        ("dodecahedron", np.sqrt(10.0 + 22.0 / np.sqrt(5.0)) / 2.0),
    ],
)
def test_the_least_width_of_regular_bodies(name: str, width: float) -> None:
    hull = ConvexHull(BODIES[name][0] @ turned(9).T)
    assert least_width(hull) == pytest.approx(width, rel=1e-12)


def test_a_tetrahedron_too_large_is_proved_so_by_its_width() -> None:
    body = BODIES["tetrahedron"][0] @ turned(2).T * SIDE * np.sqrt(2.0)
    result = fit(body * 1.000001, (SIDE, SIDE, SIDE))
    assert result.reason.startswith("its least thickness, 100.0001 mm, is more than")
    assert result.miss == pytest.approx(1e-4, abs=1e-6)


# ------------------------------------------------------------------ trimesh


@pytest.mark.parametrize("seed", range(12))
def test_where_the_oriented_bounds_fit_so_do_we(seed: int) -> None:
    rng = np.random.default_rng(seed)
    piece = rng.normal(size=(30, 3)) * rng.uniform(2.0, 60.0, size=3) @ turned(seed).T
    _, extents = trimesh.bounds.oriented_bounds(piece)
    usable = np.sort(extents)[rng.permutation(3)] + TOLERANCE
    assert fit(piece, usable).way != "none"
    assert fit(piece, usable * 0.7).miss <= float((usable * 0.3).max())
