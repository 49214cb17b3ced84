"""Stance: tipping angles, pushes, bases and ballast that reach what they promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.loads import GRAVITY, Weight, weights
from seamwright.mesh import FloatArray, Mesh, joined
from seamwright.pieces import Piece
from seamwright.printer import PrinterProfile
from seamwright.shapes import box, moved, revolved, sphere
from seamwright.stance import ANGLE, HEAD, LAID, Plate, Stance, footprint, stance

SOLID = PrinterProfile(infill=1.0)
DIRECTIONS = np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])


def of(*meshes: Mesh, profile: PrinterProfile = SOLID, **changes) -> Stance:
    pieces = tuple(Piece(k, m) for k, m in enumerate(meshes, start=1))
    return stance(pieces, weights(pieces, profile), profile, **changes)


def angle_with(found: Stance, mass: float, centre: FloatArray) -> float:
    """Tipping angle on the same footprint once something is added, by brute force."""
    whole = found.mass + mass
    at = (found.mass * found.centre + mass * centre) / whole
    return replace(found, mass=whole, centre=at).angles(_all_round()).min()


def _all_round() -> FloatArray:
    turn = np.radians(np.arange(0, 360, 0.25))
    return np.stack([np.cos(turn), np.sin(turn)], axis=1)


# --- angles and pushes ----------------------------------------------------------------------


def test_a_post_tips_over_its_nearest_edge():
    found = of(box(60, 40, 300))
    assert found.mass == pytest.approx(60 * 40 * 300 / 1000 * 1.24)
    np.testing.assert_allclose(found.centre, [30, 20, 150])
    assert found.margin == pytest.approx(20)
    assert found.angle == pytest.approx(np.degrees(np.arctan(20 / 150)))
    assert abs(found.towards[1]) == pytest.approx(1) and found.towards[2] == 0
    assert not found.stands and found.even
    np.testing.assert_allclose(
        np.tan(np.radians(found.angles(DIRECTIONS))),
        np.array([30, 20 * np.sqrt(2), 20, 30, 20]) / 150,
    )


def test_the_worst_direction_is_the_least_of_all_directions():
    tripod = joined([box(20, 20, 5), box(20, 20, 5, (200, 10, 0)), box(20, 20, 5, (60, 180, 0))])
    found = of(tripod, moved(sphere(40, 24), (70, 60, 300)), wanted=20)
    assert found.angles(_all_round()).min() == pytest.approx(found.angle, rel=1e-3)
    assert found.angles(found.towards[None, :2])[0] == pytest.approx(found.angle)
    # A hull of three feet has no corner but theirs.
    assert len(found.footprint) >= 6


def test_masses_count_where_they_are():
    light = of(box(100, 100, 50), box(40, 40, 300, (30, 30, 50)))
    leaden = of(
        box(100, 100, 50), box(40, 40, 300, (30, 30, 50)),
        fixed=(Weight(5000.0, np.array([90.0, 50.0, 300.0])),),
    )  # fmt: skip
    assert leaden.mass == pytest.approx(light.mass + 5000)
    assert leaden.angle < light.angle
    np.testing.assert_allclose(leaden.towards, [1, 0, 0], atol=1e-12)


def test_infill_shifts_the_mass_centre():
    thin, thick = box(100, 100, 10), box(90, 90, 400, (5, 5, 10))
    hollow = of(thin, thick, profile=PrinterProfile(infill=0.05))
    solid = of(thin, thick)
    assert hollow.mass < solid.mass
    assert hollow.rise < solid.rise
    assert hollow.angle > solid.angle


def test_a_push_and_the_height_it_comes_at():
    found = of(box(100, 100, 400))
    newtons = found.mass / 1000 * GRAVITY
    assert found.push(400) == pytest.approx(newtons * 50 / 400)
    assert found.push(200) == pytest.approx(2 * found.push(400))
    assert found.head == pytest.approx(HEAD * 400)
    assert of(box(100, 100, 400), head=320.0).head == 320.0
    with pytest.raises(BadInput, match="above 0"):
        found.push(0)


def test_where_it_stands_does_not_matter():
    here, there = of(box(60, 40, 300)), of(box(60, 40, 300, (900.0, -350.0, -70.0)))
    assert there.angle == pytest.approx(here.angle)
    assert there.ground == -70 and there.height == 300
    np.testing.assert_allclose(there.bases[0].across, here.bases[0].across)


# --- remedies -------------------------------------------------------------------------------


@pytest.mark.parametrize("plate", [None, Plate("steel", 6.0, 7.85), Plate("oak", 40.0, 0.7)])
@pytest.mark.parametrize("wanted", [12.0, 25.0])
def test_bases_reach_the_angle_and_no_more(plate, wanted):
    found = of(box(50, 50, 600), wanted=wanted, plate=plate)
    for base in found.bases:
        used, half = base.plate, base.across / 2
        area = np.pi * half**2 if base.shape == "round" else base.across**2
        own = area * used.thickness / 1000 * used.density
        assert base.mass == pytest.approx(own)
        whole = found.mass + own
        rise = (found.mass * (found.rise + used.thickness) + own * used.thickness / 2) / whole
        assert np.degrees(np.arctan2(half, rise)) == pytest.approx(wanted)
    assert found.bases[0].across == pytest.approx(found.bases[1].across, rel=0.1)


def test_a_base_covers_the_footprint():
    round_, square = of(box(400, 100, 50)).bases
    assert round_.across == pytest.approx(np.hypot(400, 100))
    assert square.across == pytest.approx(400)


@pytest.mark.parametrize("wanted", [9.0, 12.0])
def test_ballast_reaches_the_angle_and_no_more(wanted):
    found = of(box(120, 90, 30), box(60, 60, 570, (10, 10, 30)), wanted=wanted)
    assert not found.stands
    laid, poured = found.ballasts
    assert laid.height == LAID and laid.fits
    assert angle_with(found, laid.mass, laid.centre) == pytest.approx(wanted, abs=1e-3)
    # The pieces on the ground are the slab alone.
    np.testing.assert_allclose(poured.centre, [60, 45, 15])
    assert "piece 1," in poured.where
    surface = 2 * (120 * 90 + 120 * 30 + 90 * 30)
    assert poured.room == pytest.approx((120 * 90 * 30 - 1.2 * surface) / 1000 * 1.6)
    assert angle_with(found, poured.mass, poured.centre) == pytest.approx(wanted, abs=1e-3)


def test_no_ballast_stands_steeper_than_its_own_place():
    # Ballast 30 mm up and 10 mm from the edge tips at 18.4° itself.
    (laid, _) = of(box(20, 20, 300), wanted=20.0).ballasts
    assert laid.mass == np.inf and not laid.fits
    assert "Ballast alone does not reach it" in of(box(20, 20, 300), wanted=20.0).warning
    assert of(box(20, 20, 300), wanted=18.0).ballasts[0].fits


def test_no_ballast_is_offered_that_has_no_room():
    found = of(box(60, 60, 3), box(20, 20, 500, (20, 20, 3)), wanted=20.0)
    poured = found.ballasts[1]
    assert np.isfinite(poured.mass) and poured.mass > poured.room
    assert "sand" not in found.warning


# --- what is said ---------------------------------------------------------------------------


def test_small_figures_are_told_of_in_numbers_that_say_something():
    found = of(moved(box(6, 6, 90), (-3.2, -3.2, 0)))
    said = found.warning
    assert not found.stands and "(0.0 kg)" not in said and " -0," not in said and " g)" in said
    light = of(box(6, 6, 40))
    assert "push of 0.0 N" not in light.sentence and "push of 0.0" in light.sentence


def test_what_stands_well_has_no_warning():
    found = of(box(200, 200, 200))
    assert found.stands and found.warning == "" and found.remedies == ()
    assert found.sentence == (
        "The figure weighs 9.92 kg and tips at 45.0° (10° wanted), "
        "straight towards -y: its mass centre is 100 mm up and 100 mm inside its footprint. "
        "A push of 48.6 N at its top, 200 mm up, or 52.3 N at head height, 186 mm up, "
        "tips it (an estimate)."
    )


def test_what_does_not_is_warned_of_with_remedies_and_whose_word_goes_first():
    found = of(box(60, 60, 600))
    assert ANGLE == found.wanted == 10
    said = found.warning
    assert said.startswith("The figure weighs 2.68 kg and tips at 5.7° (10° wanted)")
    assert "a round base plate of 18 mm plywood, 108 mm across (0.1 kg)" in said
    assert "a square base plate" in said and "kg of ballast laid low at x 30, y 30 mm" in said
    assert said.endswith("for a licensed professional to judge.")
    assert "Local rules for public display go before" in said


def test_a_mass_centre_beyond_the_feet_falls_by_itself():
    found = of(box(60, 60, 200), box(300, 60, 60, (60, 0, 140)))
    assert found.margin < 0 and found.angle < 0 and not found.stands
    assert found.margin == pytest.approx(60 - found.centre[0])
    np.testing.assert_allclose(found.towards, [1, 0, 0], atol=1e-12)
    assert "falls over by itself" in found.sentence and "towards +x" in found.sentence
    assert "only lowers the mass centre cannot help" in found.warning
    assert found.push(100) == 0
    for base in found.bases:
        assert base.across / 2 >= found.centre[0] - 1e-9
    laid = found.ballasts[0]
    assert angle_with(found, laid.mass, laid.centre) == pytest.approx(10, abs=1e-3)


def test_a_mass_centre_beyond_a_corner_is_as_far_off_as_the_corner():
    found = of(
        box(10, 10, 5), box(100, 100, 5, (5, 5, 5)), fixed=(Weight(1e9, np.array([13.0, 14, 9])),)
    )
    assert found.margin == pytest.approx(-5, rel=1e-3)
    np.testing.assert_allclose(found.towards, [0.6, 0.8, 0], rtol=1e-3)


@pytest.mark.parametrize(
    ("mesh", "said"),
    [
        (moved(sphere(100, 64), (0, 0, 100)), "a point"),
        (revolved(np.array([0, 40.0, 0]), np.array([0.0, 200, 400]), 24), "a point"),
        # A roof upside down: it stands on its ridge.
        (
            Mesh.of(
                [[0, 0, 0], [200, 0, 0], [0, -50, 100], [200, -50, 100], [0, 50, 100],
                 [200, 50, 100]],
                [[0, 4, 2], [1, 3, 5], [0, 1, 5], [0, 5, 4], [1, 0, 2], [1, 2, 3], [2, 4, 5],
                 [2, 5, 3]],
            ),
            "a line 0.0 mm wide",
        ),
        (joined([box(0.2, 300, 10), box(50, 50, 300, (-25, 100, 10))]), "a line 0.2 mm wide"),
    ],
)  # fmt: skip
def test_points_and_lines_are_not_stood_on(mesh, said):
    with pytest.raises(BadInput, match="cannot keep up by itself") as error:
        of(mesh)
    text = str(error.value)
    assert f"stands on {said} at (" in text
    assert text.endswith(".") and ". " not in text


def test_a_round_sole_is_told():
    ball = moved(sphere(500, 512), (0, 0, 500))
    found = of(ball)
    assert not found.even and "sole is round or uneven" in found.warning
    assert found.angle < 4
    uneven = of(box(40, 40, 300), box(40, 40, 299.8, (200, 0, 0.2)), box(240, 40, 20, (0, 0, 300)))
    assert not uneven.even
    assert of(box(240, 40, 300)).even


# --- bad input ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"wanted": 0.0}, "from 0° to 45°"),
        ({"wanted": 60.0}, "from 0° to 45°"),
        ({"wanted": float("nan")}, "from 0° to 45°"),
        ({"head": -1.0}, "within it"),
        ({"head": 500.0}, "within it"),
        ({"fixed": (Weight(-5.0, np.zeros(3)),)}, "below 0"),
        ({"fixed": (Weight(float("nan"), np.zeros(3)),)}, "below 0"),
        ({"fixed": (Weight(5.0, np.array([0.0, np.nan, 0.0])),)}, "not a number"),
        ({"fixed": (Weight(1e9, np.array([0.0, 0.0, -50.0])),)}, "below the ground"),
    ],
)
def test_bad_values_are_refused_in_a_sentence(changes, said):
    with pytest.raises(BadInput, match=said) as error:
        of(box(60, 60, 300), **changes)
    assert str(error.value).endswith(".") and ". " not in str(error.value)


@pytest.mark.parametrize("bad", [{"thickness": 0.0}, {"density": -1.0}, {"density": float("nan")}])
def test_bad_plates_are_refused(bad):
    with pytest.raises(BadInput, match="must be above 0"):
        Plate(**bad)


def test_pieces_must_be_there_and_weighed():
    with pytest.raises(BadInput, match="no piece"):
        stance((), {}, SOLID)
    with pytest.raises(BadInput, match="Piece 1 has no mass"):
        stance((Piece(1, box(10, 10, 10)),), {}, SOLID)


def test_a_footprint_is_a_hull_counter_clockwise():
    points = np.array([[0, 0, 0], [4, 0, 0], [4, 3, 0], [0, 3, 0], [2, 1, 0], [1, 2, 0]], float)
    outline = footprint(points, 0.1)
    assert len(outline) == 4
    a, b = outline, np.roll(outline, -1, axis=0)
    assert (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum() / 2 == pytest.approx(12)
    with pytest.raises(BadInput, match="a point"):
        footprint(points[:1], 0.1)
    with pytest.raises(BadInput, match="a line"):
        footprint(points[:2], 0.1)
