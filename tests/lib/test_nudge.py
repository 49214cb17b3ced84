"""Nudging: necks and grooves are found, limbs are kept, bounds hold, nothing gets worse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.errors import BadInput
from seamwright.markings import Markings
from seamwright.mesh import Mesh, joined
from seamwright.nudge import Nudged, nudge
from seamwright.quality import Surface, Weights, prepared, quality
from seamwright.seam import Reach, Seam, reached
from seamwright.section import section
from seamwright.shapes import box, moved, revolved, torus

UP = (0.0, 0.0, 1.0)


def turned(z: np.ndarray, radius: np.ndarray, sides: int = 48) -> Mesh:
    """A solid of revolution of (z, radius) rows with flat ends."""
    return revolved(np.r_[0, radius, 0], np.r_[z[0], z, z[-1]], sides)


def hourglass(waist: float = 6.0, at: float = 0.0, widening: float = 0.02) -> Mesh:
    z = np.linspace(-20, 20, 81)
    return turned(z, waist + widening * (z - at) ** 2)


def leaning(degrees: float) -> tuple[float, float, float]:
    a = np.radians(degrees)
    return (float(np.sin(a)), 0.0, float(np.cos(a)))


def angle_between(a, b) -> float:
    a, b = (np.asarray(x) / np.linalg.norm(x) for x in (a, b))
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def height_at(seam: Seam, x: float = 0.0, y: float = 0.0) -> float:
    """Where the seam's plane meets the upright through (x, y), mm."""
    n = np.asarray(seam.normal)
    return float(seam.point[2] - (n[0] * (x - seam.point[0]) + n[1] * (y - seam.point[1])) / n[2])


def assert_sound(surface: Surface, seam: Seam, found: Nudged, shift: float, tilt: float) -> None:
    """Never worse, within bounds, and as good on the figure as it says."""
    assert found.after.cost <= found.before.cost
    assert abs(found.moved_mm) <= shift + 1e-9 and found.tilted_degrees <= tilt + 1e-9
    assert angle_between(seam.normal, found.seam.normal) == pytest.approx(
        found.tilted_degrees, abs=1e-6
    )
    whole = section(surface.mesh, found.seam.frame)
    again = quality(surface, whole, reached(found.seam, whole))
    assert again.cost == pytest.approx(found.after.cost, rel=1e-9)
    if not found.is_moved:
        assert found.seam is seam and found.after is found.before


# --- it finds what it should ----------------------------------------------------------


def test_the_neck_of_an_hourglass_is_found():
    surface = prepared(hourglass())
    seam = Seam(1, "waist", (0, 0, 4), leaning(5))
    found = nudge(surface, seam, shift=6, tilt=10)
    assert_sound(surface, seam, found, 6, 10)
    assert abs(height_at(found.seam)) < 0.3
    assert angle_between(found.seam.normal, UP) < 0.5
    assert found.after.area == pytest.approx(48 / 2 * 36 * np.sin(2 * np.pi / 48), rel=1e-3)


def test_a_slanted_hourglass_is_found_the_same():
    c, s = np.cos(0.7), np.sin(0.7)
    turn = np.array([[1, 0, 0], [0, c, -s], [0, s, c]]) @ np.array(
        [[c, -s, 0], [s, c, 0], [0, 0, 1]]
    )
    figure = hourglass()
    surface = prepared(Mesh.of(figure.vertices @ turn.T + [300, -40, 7], figure.faces))
    axis, start = turn @ UP, turn @ [0, 0, 4] + [300, -40, 7]
    seam = Seam(1, "waist", tuple(start.tolist()), tuple((turn @ leaning(5)).tolist()))
    found = nudge(surface, seam, shift=6, tilt=10)
    assert_sound(surface, seam, found, 6, 10)
    assert angle_between(found.seam.normal, axis) < 0.7
    neck = np.array([300, -40, 7.0])
    assert abs((neck - found.seam.point) @ np.asarray(found.seam.normal)) < 0.3


def test_a_groove_nearby_takes_the_seam():
    z = np.arange(-20, 20.1, 0.25)
    figure = turned(z, 10 - np.maximum(1.5 - np.abs(z - 2.6), 0))
    surface = prepared(figure, scale=1.0)
    seam = Seam(1, "cuff", (0, 0, 0), UP)
    found = nudge(surface, seam, shift=4, tilt=5)
    assert_sound(surface, seam, found, 4, 5)
    assert found.before.hidden_share == 0 and found.after.hidden_share > 0.95
    assert height_at(found.seam) == pytest.approx(2.6, abs=0.5)
    assert "cuff" in found.lines()[0] and "+2." in found.lines()[0]


def test_a_seam_leaves_the_keep_clear_area():
    z = np.arange(-20, 20.1, 0.5)
    figure = turned(z, np.full(len(z), 10.0))
    low = figure.vertices[figure.faces].max(axis=1)[:, 2] <= 2
    surface = prepared(figure, Markings.of(figure, low))
    found = nudge(surface, Seam(1, "throat", (0, 0, 0.3), UP), shift=5, tilt=5)
    assert found.before.keep_clear == pytest.approx(found.before.length)
    assert found.after.keep_clear == pytest.approx(0, abs=1e-9)


def test_a_seam_goes_to_a_natural_line():
    z = np.arange(-20, 20.1, 0.5)
    figure = turned(z, np.full(len(z), 10.0))
    turn = np.linspace(0, 2 * np.pi, 300)
    line = np.column_stack(
        [10 * np.cos(turn), 10 * np.sin(turn), 3 + 10 * np.tan(np.radians(6)) * np.cos(turn)]
    )
    segments = np.stack([line[:-1], line[1:]], axis=1)
    surface = prepared(figure, Markings.of(figure, lines=segments), near_line=0.4)
    found = nudge(surface, Seam(1, "belt", (0, 0, 0), UP), shift=5, tilt=10)
    assert found.after.on_lines > 0.9 * found.after.length
    assert angle_between(found.seam.normal, leaning(-6)) < 2.5


def test_a_slanted_seam_on_a_plain_limb_is_squared_and_a_square_one_stays():
    z = np.arange(-20, 20.1, 0.5)
    surface = prepared(turned(z, np.full(len(z), 10.0)))
    found = nudge(surface, Seam(1, "arm", (0, 0, 0), leaning(20)), shift=2, tilt=30)
    assert angle_between(found.seam.normal, UP) < 3
    square = Seam(1, "arm", (0, 0, 0), UP)
    stays = nudge(surface, square, shift=2, tilt=30)
    assert stays.seam is square and not stays.is_moved
    assert "stays" in stays.lines()[0]


# --- bounds ---------------------------------------------------------------------------


def test_a_neck_out_of_reach_is_gone_towards_as_far_as_allowed():
    surface = prepared(hourglass())
    seam = Seam(1, "waist", (0, 0, 12), UP)
    found = nudge(surface, seam, shift=3, tilt=0)
    assert found.moved_mm == pytest.approx(-3) and found.tilted_degrees == 0
    assert found.seam.normal == UP and found.seam.point[2] == pytest.approx(9)


def test_only_tilting():
    surface = prepared(hourglass())
    found = nudge(surface, Seam(1, "waist", (0, 0, 0), leaning(8)), shift=0, tilt=12)
    assert found.moved_mm == 0 and angle_between(found.seam.normal, UP) < 1


def test_no_room_to_move_gives_the_seam_back():
    surface = prepared(hourglass())
    seam = Seam(1, "waist", (0, 0, 12), UP)
    assert nudge(surface, seam, shift=0, tilt=0).seam is seam


def test_a_point_far_aside_does_not_swing_the_limb_away():
    # The plane's own point is 500 mm off the limb: tilting is about the limb.
    point = (500.0, 0.0, 4 - 500 * float(np.tan(np.radians(5))))
    seam = Seam(1, "waist", point, leaning(5), Reach("nearest", points=((0, 0, 4),)))
    surface = prepared(hourglass())
    found = nudge(surface, seam, shift=6, tilt=10)
    assert_sound(surface, seam, found, 6, 10)
    assert abs(height_at(found.seam)) < 0.3 and angle_between(found.seam.normal, UP) < 0.5


# --- the same limb --------------------------------------------------------------------


def two_limbs() -> Mesh:
    """A limb of 8 mm about x = 0 that narrows upwards, and one of 6 mm about x = 40."""
    z = np.arange(-20, 20.1, 0.5)
    first = turned(z, 8 - 4 * np.clip((z + 4) / 8, 0, 1))
    return joined([first, moved(turned(z, np.full(len(z), 6.0)), (40, 0, 0))])


@pytest.mark.parametrize(
    "reach", [Reach("nearest", points=((0, 0, -5),)), Reach("regions", regions=(1,))]
)
def test_the_seam_keeps_to_its_limb(reach):
    surface = prepared(two_limbs())
    seam = Seam(1, "arm", (0, 0, -5), UP, reach)
    found = nudge(surface, seam, shift=12, tilt=0)
    assert_sound(surface, seam, found, 12, 0)
    whole = section(surface.mesh, found.seam.frame)
    (region,) = reached(found.seam, whole)
    centre = whole.frame.to_world(region.centroid)
    assert abs(centre[0]) < 0.1 and height_at(found.seam) > 3.5
    # Narrowed, it is the smaller of the two regions, and the reach says so.
    if reach.mode == "regions":
        assert found.seam.reach.regions == (2,)


def test_a_leaning_limb_is_followed_though_the_points_stay_behind():
    # The limb runs at 45°; another begins beside it just where the old points end up.
    z = np.arange(-30, 30.1, 0.5)
    limb = turned(z, 5 + 0.01 * (z - 12) ** 2)
    sheared = Mesh.of(limb.vertices + limb.vertices[:, [2]] * [1, 0, 0], limb.faces)
    post = moved(turned(np.arange(-2, 30, 0.5), np.full(64, 2.0)), (-12, 0, 0))
    surface = prepared(joined([sheared, post]))
    seam = Seam(1, "tail", (0, 0, 0), UP, Reach("nearest", points=((-4, 0, 0),)))
    found = nudge(surface, seam, shift=14, tilt=0)
    assert_sound(surface, seam, found, 14, 0)
    assert found.moved_mm > 8
    whole = section(surface.mesh, found.seam.frame)
    (region,) = reached(found.seam, whole)
    assert whole.frame.to_world(region.centroid)[0] == pytest.approx(found.moved_mm, abs=0.5)


@pytest.mark.parametrize("reach", [Reach(), Reach("nearest", points=((12, 15, 0),))])
def test_regions_that_join_are_not_the_same(reach):
    # Sections of a ring beyond x = 14 are one region, cheap at its end; before, two.
    surface = prepared(torus(20, 6))
    seam = Seam(1, "ring", (12, 0, 0), (1, 0, 0), reach)
    before = len(reached(seam, section(surface.mesh, seam.frame)))
    found = nudge(surface, seam, shift=13.9, tilt=0)
    assert_sound(surface, seam, found, 13.9, 0)
    whole = section(surface.mesh, found.seam.frame)
    assert len(reached(found.seam, whole)) == before and len(whole.regions) == 2
    assert found.is_moved and found.seam.point[0] < 12


def test_a_limb_that_joins_another_is_left_before_it_does():
    # Both arms of the ring are near enough to be looked at; where they are joined, and only
    # there, is no keep-clear area.
    ring = torus(20, 6)
    surface = prepared(ring, Markings.of(ring, ring.vertices[ring.faces].mean(axis=1)[:, 0] < 20))
    seam = Seam(1, "ring", (13.5, 0, 0), (1, 0, 0), Reach("nearest", points=((13.5, 13, 0),)))
    found = nudge(surface, seam, shift=24, tilt=0)
    assert_sound(surface, seam, found, 24, 0)
    assert abs(found.seam.point[0]) < 14


def test_a_region_that_divides_is_not_half_of_it():
    surface = prepared(torus(20, 6))
    seam = Seam(1, "ring", (16, 0, 0), (1, 0, 0), Reach("nearest", points=((16, 0, 0),)))
    found = nudge(surface, seam, shift=4, tilt=0)
    assert_sound(surface, seam, found, 4, 0)
    assert found.seam.point[0] > 14


def test_all_does_not_come_to_cut_another_limb():
    # Just above the start a second limb begins; "all" would take it too.
    z = np.arange(-20, 20.1, 0.5)
    cone = turned(z, 10 - 0.2 * z)
    other = moved(box(3, 3, 15, (-1.5, -1.5, 2)), (30, 0, 0))
    surface = prepared(joined([cone, other]))
    seam = Seam(1, "all", (0, 0, 0), UP)
    found = nudge(surface, seam, shift=8, tilt=0)
    assert 1 < height_at(found.seam) <= 2 + 1e-6
    near = Seam(1, "one", (0, 0, 0), UP, Reach("nearest", points=((0, 0, 0),)))
    assert height_at(nudge(surface, near, shift=8, tilt=0).seam) == pytest.approx(8)


# --- always ---------------------------------------------------------------------------


def bumpy(seed: int) -> Mesh:
    rng = np.random.default_rng(seed)
    z = np.linspace(-20, 20, 61)
    radius = 8 + sum(rng.normal(0, 0.8) * np.sin((k + 1) * z / 6 + rng.normal()) for k in range(4))
    figure = turned(z, np.maximum(radius, 2), 32)
    v = figure.vertices
    wave = 0.15 * np.sin(3 * np.arctan2(v[:, 1], v[:, 0]) + rng.normal() + v[:, 2] / 9)
    return Mesh.of(v * np.column_stack([1 + wave, 1 + wave, np.ones(len(v))]), figure.faces)


@settings(max_examples=5, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 1000),
    height=st.floats(-12, 12),
    lean=st.floats(0, 25),
    shift=st.floats(0, 8),
    tilt=st.floats(0, 20),
)
def test_never_worse_and_never_out_of_bounds(seed, height, lean, shift, tilt):
    surface = prepared(bumpy(seed))
    seam = Seam(1, "any", (0, 0, height), leaning(lean), Reach("nearest", points=((0, 0, height),)))
    assert_sound(surface, seam, nudge(surface, seam, shift=shift, tilt=tilt), shift, tilt)


def test_the_same_seam_gets_the_same_place():
    seam = Seam(1, "any", (0, 0, 3), leaning(7))
    a, b = (nudge(prepared(bumpy(5)), seam, shift=5, tilt=3) for _ in range(2))
    assert a == b and a.is_moved


def test_ten_times_the_figure_gives_ten_times_the_move():
    seams = [Seam(1, "waist", (0, 0, 4 * k), UP) for k in (1.0, 10.0)]
    small = nudge(prepared(hourglass()), seams[0], shift=6, tilt=0, wall=3)
    large = nudge(prepared(hourglass().scaled(10)), seams[1], shift=60, tilt=0, wall=30)
    assert large.moved_mm == pytest.approx(10 * small.moved_mm, abs=0.5)
    assert large.after.cost == pytest.approx(10 * small.after.cost, rel=1e-3)


def test_weights_decide():
    # With nothing counting but the neck it goes up the cone; with nothing at all it stays.
    z = np.arange(-20, 20.1, 0.5)
    surface = prepared(turned(z, 10 - 0.2 * z))
    seam = Seam(1, "cone", (0, 0, 0), UP)
    only_neck = Weights(0, 0, 0, 0, 0, 0, 1)
    assert nudge(surface, seam, shift=4, tilt=0, weights=only_neck).moved_mm == pytest.approx(4)
    assert nudge(surface, seam, shift=4, weights=Weights(0, 0, 0, 0, 0, 0, 0)).seam is seam


def test_bad_bounds_say_so():
    surface = prepared(hourglass())
    seam = Seam(1, "waist", (0, 0, 0), UP)
    with pytest.raises(BadInput, match="shift"):
        nudge(surface, seam, shift=-1)
    with pytest.raises(BadInput, match="tilt"):
        nudge(surface, seam, tilt=60)
    with pytest.raises(BadInput, match="misses"):
        nudge(surface, Seam(1, "waist", (0, 0, 99), UP))
