"""All flat seams of a job nudged among each other."""

from __future__ import annotations

import numpy as np
import pytest

from seamwright.errors import BadInput
from seamwright.line import line_seam
from seamwright.markings import Markings
from seamwright.mesh import Mesh, joined
from seamwright.nudges import nudged_seams
from seamwright.pieces import take_apart
from seamwright.seam import Reach, Seam, SeamLine
from seamwright.shapes import box, moved, revolved

UP = (0.0, 0.0, 1.0)


def hourglass(waist: float = 6.0, at: float = 0.0) -> Mesh:
    z = np.linspace(-20, 20, 81)
    radius = waist + 0.02 * (z - at) ** 2
    return revolved(np.r_[0, radius, 0], np.r_[z[0], z, z[-1]], 48)


def near(x: float, z: float) -> Reach:
    return Reach("nearest", points=((x, 0.0, z),))


def test_every_flat_seam_goes_to_its_own_neck_and_keeps_its_place_in_the_list():
    figure = joined([hourglass(at=2), moved(hourglass(at=-3), (60, 0, 0))])
    seams = (
        Seam(1, "left", (0, 0, 6), UP, near(0, 6)),
        Seam(2, "right", (60, 0, 1), UP, near(60, 1)),
    )
    moved_seams, done = nudged_seams(figure, Markings.of(figure), seams, shift=6, tilt=0)
    assert [s.name for s in moved_seams] == ["left", "right"]
    assert [s.point[2] for s in moved_seams] == pytest.approx([2, -3], abs=0.3)
    assert all(n.is_moved and n.after.cost < n.before.cost for n in done)
    assert len(take_apart(figure, moved_seams)) == 4


def test_only_the_named_seams_move():
    figure = joined([hourglass(at=2), moved(hourglass(at=-3), (60, 0, 0))])
    seams = (
        Seam(1, "left", (0, 0, 6), UP, near(0, 6)),
        Seam(2, "right", (60, 0, 1), UP, near(60, 1)),
    )
    moved_seams, done = nudged_seams(figure, Markings.of(figure), seams, ["right"], shift=6, tilt=0)
    assert moved_seams[0] is seams[0] and len(done) == 1
    assert done[0].seam is moved_seams[1] and done[0].is_moved


def test_sentences_give_each_measure_before_and_after():
    figure = hourglass()
    low = figure.vertices[figure.faces].min(axis=1)[:, 2] >= 3
    seams = (Seam(1, "waist", (0, 0, 4.2), UP),)
    _, (done,) = nudged_seams(figure, Markings.of(figure, low), seams, shift=6, tilt=0)
    said = done.lines()
    assert said[0].startswith("'waist' moved by -4.")
    assert (
        f"across the keep-clear area: {done.before.keep_clear:.1f} mm before, 0.0 mm after" in said
    )
    assert done.before.keep_clear == pytest.approx(done.before.length, rel=1e-9)
    assert f"cost: {done.before.cost:.1f} mm before, {done.after.cost:.1f} mm after" in said
    assert not any("natural lines" in line for line in said)


def test_a_seam_that_stops_at_another_follows_where_that_one_went():
    figure = hourglass()
    waist = Seam(1, "waist", (0, 0, 4), UP)
    # Parts the upper half only.
    front = Seam(2, "front", (0, 0, 0), (0, 1, 0), near(0, 10), stops_at=("waist",))
    seams, done = nudged_seams(figure, Markings.of(figure), (front, waist), shift=6, tilt=0)
    assert [n.seam.name for n in done] == ["waist", "front"]
    assert abs(seams[1].point[2]) < 0.3
    # Its section is judged above the waist's new place.
    assert done[1].before.length == pytest.approx(done[1].after.length, rel=0.2)
    pieces = take_apart(figure, seams)
    assert len(pieces) == 3


def test_a_seam_stays_where_another_that_stops_at_it_would_take_another_region():
    # The best place for "collar" is down in the groove; "front" takes region 1, the larger,
    # which above the groove is the lower part of the limb and below it the upper part.
    z = np.arange(-20, 20.1, 0.5)
    radius = 10 - np.maximum(2 - np.abs(z + 2), 0)
    figure = revolved(np.r_[0, radius, 0], np.r_[z[0], z, z[-1]], 48)
    collar = Seam(1, "collar", (0, 0, 1.2), UP)
    front = Seam(
        2, "front", (0, 0, 0), (0, 1, 0), Reach("regions", regions=(1,)), stops_at=("collar",)
    )
    alone, _ = nudged_seams(figure, Markings.of(figure), (collar,), shift=5, tilt=0)
    assert alone[0].point[2] < -1
    seams, done = nudged_seams(
        figure, Markings.of(figure), (collar, front), ["collar"], shift=5, tilt=0
    )
    assert seams == (collar, front)
    assert done[0].held_by == ("front",) and not done[0].is_moved
    assert done[0].lines() == (
        "'collar' stays: at its best place 'front' would take other regions.",
    )


def test_a_disc_that_no_longer_holds_the_region_gives_way_to_a_point():
    # The limb leans: 8 mm lower, its neck is outside the disc.
    straight = hourglass(at=-8)
    leaning = Mesh.of(straight.vertices + straight.vertices[:, [2]] * [1, 0, 0], straight.faces)
    seam = Seam(1, "tail", (0, 0, 0), UP, Reach("disc", ((0.0, 0.0, 0.0),), (), 8.0))
    (found,), (done,) = nudged_seams(leaning, Markings.of(leaning), (seam,), shift=9, tilt=0)
    assert done.is_moved and found.point[2] < -6
    assert found.reach.mode == "nearest"
    assert len(take_apart(leaning, (found,))) == 2


def test_what_cannot_be_nudged_says_so():
    figure = box(20, 20, 40)
    flat = Seam(1, "flat", (0, 0, 20), UP)
    corners = ((0.0, 0.0, 10.0), (20.0, 0.0, 10.0), (20.0, 20.0, 10.0), (0.0, 20.0, 10.0))
    line = line_seam(2, "hem", SeamLine(corners))
    with pytest.raises(BadInput, match="no seam 'flta' to nudge; the seams are flat, hem"):
        nudged_seams(figure, Markings.of(figure), (flat, line), ["flta"])
    with pytest.raises(BadInput, match="'hem' follows a line; only flat seams are nudged"):
        nudged_seams(figure, Markings.of(figure), (flat, line), ["hem"])
    with pytest.raises(BadInput, match="misses the figure"):
        nudged_seams(figure, Markings.of(figure), (Seam(1, "off", (0, 0, 99), UP),))
