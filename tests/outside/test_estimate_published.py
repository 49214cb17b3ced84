"""Estimates against volumes in closed form, other libraries and worked sums."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from seamwright.estimate import Quantities, estimate, quantities
from seamwright.mesh import Mesh
from seamwright.printer import PrinterProfile, printer
from seamwright.shapes import box, sphere

HOLLOW = PrinterProfile(infill=0.0)


def test_a_hollow_cube_within_its_edges():
    # The true shell of a cube of side a and thickness t is a³ - (a - 2t)³ = 6 a² t - 12 a t²
    # + 8 t³; surface times thickness is more by 12 a t² - 8 t³: the edges counted twice.
    a, t = 100.0, 1.2
    true = a**3 - (a - 2 * t) ** 3
    found = quantities(box(a, a, a), HOLLOW).shell
    assert found - true == pytest.approx(12 * a * t**2 - 8 * t**3)
    assert 0 < found / true - 1 < 2.5 * t / a


def test_a_hollow_ball():
    # 4/3 pi (R³ - (R - t)³) is less than surface times thickness by t/R of it and less.
    radius, t = 60.0, 1.2
    true = 4 / 3 * np.pi * (radius**3 - (radius - t) ** 3)
    found = quantities(sphere(radius, 256), HOLLOW).shell
    assert found == pytest.approx(true, rel=1.1 * t / radius)
    assert found > true


@pytest.mark.parametrize("t", [0.8, 1.2, 2.0])
def test_shells_against_offset_solids(t):
    # What trimesh gives between a ball and the ball smaller by the shell.
    outer, inner = (trimesh.creation.icosphere(4, r) for r in (50.0, 50.0 - t))
    profile = replace(HOLLOW, shell=t)
    found = quantities(Mesh.of(outer.vertices, outer.faces), profile)
    assert found.shell == pytest.approx(outer.volume - inner.volume, rel=1.1 * t / 50)


def test_a_spool_goes_as_far_as_its_length():
    # 1 kg of PLA of 1.24 g/cm³ is 335 m of 1.75 mm filament: the length that spools state
    # (330 to 335 m, from memory).
    length = 335_000.0
    lines = Quantities(shell=np.pi / 4 * 1.75**2 * length)
    assert estimate(lines, PrinterProfile()).material_g == pytest.approx(1000, rel=2e-3)


def test_rate_of_a_common_setting():
    # A line 0.4 mm wide and 0.2 mm high at 60 mm/s is 4.8 mm³/s, so 17.28 cm³ take an hour.
    bare = replace(PrinterProfile(), travel=0.0, layer_time=1e-9)
    assert estimate(Quantities(shell=17_280.0, layers=1), bare).time_h == pytest.approx(1.0)


def test_resin_layers_by_the_hour():
    # 100 mm in layers of 0.05 mm are 2000 layers, at 9 s each 5 h.
    profile = replace(printer("resin-218"), lift=0.0)
    found = estimate(quantities(box(10, 10, 100), profile), profile)
    assert found.time_h == pytest.approx(5.0)


def test_cost_of_a_kilowatt_hour():
    # 1 kWh is 100 W for 10 h by definition.
    profile = replace(printer("resin-218"), lift=0.0, power=100.0, energy_price=1.0)
    found = estimate(Quantities(layers=4000), profile)
    assert found.time_h == pytest.approx(10.0)
    assert found.cost == pytest.approx(1.0)
