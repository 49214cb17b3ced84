"""Estimates: what adds up, what scales, and calibration that gives back the print it was by."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.estimate import (
    INFILL_PACE,
    SUPPORT_PACE,
    Estimate,
    Quantities,
    calibrated,
    estimate,
    on_one_build,
    one_after_another,
    pegs_on,
    quantities,
)
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.job import job_from_toml, job_to_toml
from seamwright.loads import weight
from seamwright.pieces import take_apart
from seamwright.printer import BUILT_IN, PrinterProfile, printer
from seamwright.seam import Seam
from seamwright.shapes import box, sphere
from seamwright.sizing import joints

FILAMENT = PrinterProfile()
RESIN = printer("resin-218")


def one_sentence(error: pytest.ExceptionInfo[BadInput]) -> str:
    text = str(error.value)
    assert text.endswith(".") and ". " not in text and "\n" not in text
    return text


# --- quantities -----------------------------------------------------------------------------


def test_a_box_is_shell_and_infill():
    found = quantities(box(100, 80, 60), FILAMENT, support=5000.0)
    surface = 2 * (100 * 80 + 100 * 60 + 80 * 60)
    assert found.shell == pytest.approx(1.2 * surface)
    assert found.infill == pytest.approx(0.15 * (480_000 - 1.2 * surface))
    assert found.support == pytest.approx(0.15 * 5000)
    assert found.layers == 300


def test_a_piece_weighs_what_it_is_reckoned_to_take():
    for mesh in (box(100, 80, 60), sphere(40), sphere(0.5)):
        for profile in BUILT_IN.values():
            found = estimate(quantities(mesh, profile), profile)
            assert found.material_g == pytest.approx(weight(mesh, profile).mass)
            assert found.support_g == 0


def test_what_is_thinner_than_its_shell_is_solid():
    found = quantities(box(50, 50, 2), FILAMENT)
    assert found.shell == pytest.approx(5000) and found.infill == 0


@pytest.mark.parametrize(
    ("height", "layers"), [(0.2, 1), (0.05, 1), (0.6, 3), (0.61, 4), (99.99, 500), (100.0, 500)]
)
def test_layers(height, layers):
    assert quantities(box(50, 50, 5), FILAMENT, height=height).layers == layers


def test_a_lift_takes_layers():
    lifted = replace(RESIN, lift=5.0)
    assert quantities(box(9, 9, 10), lifted).layers == 300


def test_pegs_are_told_apart():
    figure = box(60, 60, 300)
    seam = (Seam(1, "waist", (0.0, 0.0, 150.0), (0.0, 0.0, 1.0)),)
    blanks = take_apart(figure, seam)
    made = joints(blanks, interfaces(blanks, seam), FILAMENT)
    pieces = jointed(blanks, made)
    standing = pegs_on(made[0].peg_piece, made)
    assert standing > 0 and pegs_on(made[0].socket_piece, made) == 0
    with_pegs = next(p.mesh for p in pieces if p.id == made[0].peg_piece)
    bare = next(p.mesh for p in blanks if p.id == made[0].peg_piece)
    # Marks may be engraved beside the pegs.
    added, taken = made[0].volumes(made[0].peg_side)
    assert added == pytest.approx(standing)
    assert with_pegs.volume - bare.volume == pytest.approx(standing - taken)
    found = quantities(with_pegs, FILAMENT, pegs=standing)
    assert found.pegs == standing and found.shell > quantities(bare, FILAMENT).shell


# --- time, material, cost -------------------------------------------------------------------


def test_time_of_filament_is_lines_travel_and_layers():
    what = Quantities(shell=30_000.0, infill=45_000.0, support=5_000.0, layers=500)
    found = estimate(what, FILAMENT)
    lines = (30_000 + 45_000 / INFILL_PACE + 5_000 / SUPPORT_PACE) / (0.4 * 0.2 * 60.0)
    assert found.time_h == pytest.approx((lines * 1.15 + 500 * 4.0) / 3600)
    assert found.material_g == pytest.approx(80 * 1.24)
    assert found.support_g == pytest.approx(5 * 1.24)
    assert found.cost == 0


def test_time_of_resin_is_its_layers_whatever_lies_in_them():
    thin, thick = quantities(box(5, 5, 80), RESIN), quantities(box(80, 80, 80), RESIN)
    assert estimate(thin, RESIN).time_h == estimate(thick, RESIN).time_h
    assert estimate(thin, RESIN).time_h == pytest.approx((80 + RESIN.lift) / 0.05 * 9 / 3600)
    assert estimate(thick, RESIN).material_g == pytest.approx(512 * 1.1)


def test_cost_is_material_electricity_and_hours():
    profile = replace(FILAMENT, price=20.0, power=150.0, energy_price=0.3, hour_price=0.5)
    found = estimate(Quantities(shell=100_000.0, layers=100), profile)
    assert found.cost == pytest.approx(0.124 * 20 + found.time_h * 0.15 * 0.3 + found.time_h * 0.5)
    assert (
        estimate(Quantities(shell=100_000.0, layers=100), replace(FILAMENT, power=150.0)).cost == 0
    )


def test_a_build_shares_its_layers_and_a_figure_adds_up_its_builds():
    one, two = quantities(box(50, 50, 100), FILAMENT), quantities(box(80, 50, 40), FILAMENT)
    both = on_one_build([one, two])
    assert both == one + two and both.layers == one.layers
    alone = [estimate(q, FILAMENT) for q in (one, two)]
    together = estimate(both, FILAMENT)
    assert together.material_g == pytest.approx(sum(e.material_g for e in alone))
    assert together.time_h == pytest.approx(sum(e.time_h for e in alone) - 200 * 4 / 3600)
    whole = one_after_another([together, alone[0]])
    assert whole == together + alone[0]
    assert whole.time_h == pytest.approx(together.time_h + alone[0].time_h)
    assert one_after_another([]) == Estimate() and on_one_build([]) == Quantities()


def test_resin_pieces_on_one_build_take_no_longer_than_the_tallest():
    both = on_one_build([quantities(box(9, 9, h), RESIN) for h in (20, 90, 40)])
    assert estimate(both, RESIN).time_h == estimate(quantities(box(9, 9, 90), RESIN), RESIN).time_h


def test_more_of_anything_takes_more():
    base = estimate(quantities(box(60, 60, 60), FILAMENT), FILAMENT)
    for change in ({"infill": 0.3}, {"shell": 2.0}, {"layer_height": 0.1}, {"speed": 40.0},
                   {"travel": 0.3}, {"layer_time": 8.0}, {"usage": 1.2}):  # fmt: skip
        profile = replace(FILAMENT, **change)
        assert estimate(quantities(box(60, 60, 60), profile), profile).time_h > base.time_h
    held = estimate(quantities(box(60, 60, 60), FILAMENT, support=9e4), FILAMENT)
    assert held.time_h > base.time_h and held.support_g > 0


def test_a_sentence_says_that_it_is_an_estimate():
    assert Estimate(14.34, 312.2, 41.4, 7.8).sentence == (
        "About 14 h 20 min and 312 g, 41 g of it supports, at a cost of 7.80 (an estimate)."
    )
    assert Estimate(0.999, 3.0).sentence == "About 1 h 00 min and 3 g (an estimate)."
    json.dumps(vars(Estimate(1.0, 2.0)))


# --- calibration ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(BUILT_IN))
@pytest.mark.parametrize(("slower", "heavier"), [(1.0, 1.0), (1.7, 0.9), (0.4, 1.3), (6.0, 4.0)])
def test_a_calibrated_profile_gives_the_print_back(name, slower, heavier):
    profile = printer(name)
    printed = quantities(box(60, 50, 40), profile, support=8000.0)
    before = estimate(printed, profile)
    hours, grams = slower * before.time_h, heavier * before.material_g
    changes = calibrated(profile, printed, hours, grams)
    after = estimate(printed, printer(name, **changes))
    assert after.time_h == pytest.approx(hours, rel=1e-12)
    assert after.material_g == pytest.approx(grams, rel=1e-12)
    assert set(changes) == {"usage", "layer_time"} | (set() if profile.is_resin else {"speed"})


def test_calibrating_twice_by_the_same_print_changes_nothing_more():
    printed = quantities(box(60, 50, 40), FILAMENT)
    once = replace(FILAMENT, **calibrated(FILAMENT, printed, 5.0, 70.0))
    again = calibrated(once, printed, 5.0, 70.0)
    for key, value in again.items():
        assert value == pytest.approx(getattr(once, key))


def test_calibration_by_one_print_foretells_another():
    # A printer whose true numbers nobody knows but which works as the formulas say.
    true = replace(FILAMENT, speed=90.0, layer_time=4.0 / 1.5, usage=1.1)
    small, large = box(40, 40, 40), box(120, 90, 150)
    seen = estimate(quantities(small, true), true)
    known = replace(
        FILAMENT, **calibrated(FILAMENT, quantities(small, FILAMENT), seen.time_h, seen.material_g)
    )
    guess, truth = (estimate(quantities(large, p), p) for p in (known, true))
    assert guess.time_h == pytest.approx(truth.time_h)
    assert guess.material_g == pytest.approx(truth.material_g)


@pytest.mark.parametrize(
    ("hours", "grams", "said"),
    [
        (0.0, 50.0, "time is 0 h"), (-1.0, 50.0, "time is -1 h"), (5.0, 0.0, "material is 0 g"),
        (float("nan"), 50.0, "time is nan h"), (5.0, float("inf"), "material is inf g"),
        (300.0, 60.0, "took 300 h where about"), (5.0, 60_000.0, "used 60000 g where about"),
    ],
)  # fmt: skip
def test_numbers_of_another_print_are_refused(hours, grams, said):
    with pytest.raises(BadInput) as error:
        calibrated(FILAMENT, quantities(box(60, 50, 40), FILAMENT), hours, grams)
    assert said in one_sentence(error)


def test_nothing_printed_calibrates_nothing():
    with pytest.raises(BadInput, match="no volume"):
        calibrated(FILAMENT, Quantities(layers=5), 1.0, 10.0)


# --- bad input ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bad",
    [{"height": 0.0}, {"height": float("nan")}, {"support": -1.0}, {"support": float("inf")},
     {"pegs": -3.0}],
)  # fmt: skip
def test_bad_quantities_are_refused(bad):
    with pytest.raises(BadInput) as error:
        quantities(box(10, 10, 10), FILAMENT, **bad)
    one_sentence(error)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"infill": 140.0}, "infill is 140; it is a share from 0 to 1, so 15 % is 0.15"),
        ({"support_density": 15.0}, "support_density is 15; it is a share"),
        ({"speed": 0.0}, "speed must be above 0"), ({"layer_time": 0.0}, "layer_time must be"),
        ({"usage": -1.0}, "usage must be above 0"), ({"usage": float("nan")}, "usage must be"),
        ({"price": -20.0}, "price must be 0 or more"), ({"power": -1.0}, "power must be 0"),
        ({"energy_price": -1.0}, "energy_price must"), ({"hour_price": -1.0}, "hour_price must"),
        ({"travel": -0.1}, "travel must be 0 or more"),
    ],
)  # fmt: skip
def test_bad_profiles_are_refused(change, said):
    with pytest.raises(BadInput) as error:
        printer("filament-256", **change)
    assert said in one_sentence(error)


def test_rates_and_prices_go_through_a_job():
    text = (
        'seamwright = 1\nname = "x"\n[figure]\nfile = "x.stl"\nunit = "mm"\n[printer]\n'
        'profile = "filament-180"\nspeed = 95.5\nprice = 19.9\nusage = 1.07\n'
    )
    job = job_from_toml(text)
    assert (job.printer.speed, job.printer.price, job.printer.usage) == (95.5, 19.9, 1.07)
    assert job_from_toml(job_to_toml(job)) == job
    with pytest.raises(BadInput, match="did you mean 'price'"):
        job_from_toml(text.replace("price", "prise"))
    with pytest.raises(BadInput, match="profile 'mine' is unknown"):
        job_from_toml(text.replace("filament-180", "mine"))


def test_an_inside_out_piece_takes_what_it_takes_the_right_way_round():
    mesh = box(30, 30, 30)
    assert quantities(mesh.flipped(), FILAMENT) == quantities(mesh, FILAMENT)
    assert np.isfinite(estimate(quantities(mesh, FILAMENT), FILAMENT).time_h)
