"""Builds: silhouettes, their packing, the bound beside the count, files and pictures."""

from __future__ import annotations

import xml.etree.ElementTree as ET
import zipfile
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from seamwright.build_files import Posed, require_build_holds, write_build
from seamwright.build_view import COLOURS, top_view, widest
from seamwright.builds import (
    Item,
    Placed,
    Printer,
    check_packing,
    in_order,
    item_of,
    waiting,
)
from seamwright.errors import BadInput, Cancelled, CheckFailed
from seamwright.fewest import fewest
from seamwright.files import read_mesh
from seamwright.mesh import Mesh, joined
from seamwright.packing import TURNS, pack, turns_of
from seamwright.platform import Platform
from seamwright.shapes import sphere
from seamwright.sheet import OFTEN, Effort
from seamwright.shelves import on_shelves, room_of
from seamwright.silhouette import (
    area,
    box,
    coarsened,
    distance,
    grown,
    moved,
    overlap,
    silhouette,
    turned,
)
from seamwright.stencil import Grid, Spread, as_bits, left_open, runs_of, touched

CORNERS = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=float)
QUADS = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]]
TRIANGLES = np.array([f for a, b, c, d in QUADS for f in ([a, b, c], [a, c, d])])
BED = Platform((250.0, 250.0, 250.0))
UP = np.eye(3)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0, 0, 0)) -> Mesh:
    return Mesh.of(CORNERS * [x, y, z] + at, TRIANGLES)


def rectangle(x: float, y: float) -> tuple[np.ndarray, ...]:
    return (np.array([[0.0, 0.0], [x, 0.0], [x, y], [0.0, y]]),)


def disc(radius: float, corners: int = 96) -> tuple[np.ndarray, ...]:
    a = np.arange(corners) * 2 * np.pi / corners
    return (radius * np.stack([np.cos(a), np.sin(a)], axis=1),)


def angle_iron(long: float, thick: float) -> tuple[np.ndarray, ...]:
    a, b = long, thick
    return (np.array([[0.0, 0.0], [a, 0.0], [a, b], [b, b], [b, a], [0.0, a]]),)


def ring(outer: float, inner: float) -> tuple[np.ndarray, ...]:
    return (disc(outer)[0], disc(inner)[0][::-1].copy())


def items_of(*outlines: tuple[np.ndarray, ...], height: float = 50.0) -> list[Item]:
    return [Item(k, f"p{k}", o, height, needed=k) for k, o in enumerate(outlines, start=1)]


def mixed(count: int = 10) -> list[Item]:
    """Blocks, discs and angles of sizes that look like chance."""
    made = []
    for k in range(count):
        long = 40.0 + 17.0 * ((k * 7) % 5)
        made.append(
            (rectangle(long, 30.0 + 5 * (k % 4)), disc(long / 2), angle_iron(long, 22.0))[k % 3]
        )
    return items_of(*made)


def one_sentence(error: pytest.ExceptionInfo[BadInput]) -> str:
    text = str(error.value)
    assert text.endswith(".") and ". " not in text and "\n" not in text
    return text


# --- silhouettes -----------------------------------------------------------------------


def test_silhouette_of_a_turned_block_is_exact():
    tilt = np.radians(30)
    about_y = np.array(
        [[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]]
    )
    mesh = block(40, 30, 20, at=(500, -300, 90))
    loops = silhouette(mesh.vertices, mesh.faces, about_y)
    wide = 40 * np.cos(tilt) + 20 * np.sin(tilt)
    assert len(loops) == 1
    assert area(loops) == pytest.approx(30 * wide, rel=1e-9)
    assert np.ptp(box(loops), axis=0).ravel() == pytest.approx([wide, 30])


def test_silhouette_shows_through_a_ring_and_joins_what_overlaps_from_above():
    frame = joined(
        [block(60, 10, 5), block(60, 10, 5, (0, 50, 5)), block(10, 60, 5, (0, 0, 10)),
         block(10, 60, 5, (50, 0, 15))]
    )  # fmt: skip
    loops = silhouette(frame.vertices, frame.faces, UP)
    assert len(loops) == 2
    assert area(loops) == pytest.approx(60 * 60 - 40 * 40)


def test_silhouette_of_a_ball_is_a_disc_and_of_nothing_is_refused():
    ball = sphere(20.0, 40)
    assert area(silhouette(ball.vertices, ball.faces, UP)) == pytest.approx(400 * np.pi, rel=0.01)
    with pytest.raises(BadInput) as error:
        silhouette(CORNERS, TRIANGLES[:0], UP)
    one_sentence(error)


def test_grown_and_coarsened_outlines_leave_nothing_out():
    wave = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    radius = 30 + 4 * np.sin(9 * wave)
    loops = (np.stack([radius * np.cos(wave), radius * np.sin(wave)], axis=1),)
    about = grown(loops, 2.5)
    few = coarsened(about, 0.05)
    assert distance(loops, about) == 0
    assert overlap(loops, about) == pytest.approx(area(loops))
    assert overlap(about, few) == pytest.approx(area(about), abs=1e-6)
    assert len(few[0]) < len(about[0])
    assert area(few) - area(about) < 0.2 * 400
    reach = np.linalg.norm(loops[0][:, None] - about[0][None], axis=2).min(axis=0)
    assert reach.min() >= 2.5 - 1e-6


@pytest.mark.parametrize(
    ("other", "apart"),
    [
        (moved(rectangle(10, 10), np.array([17.0, 0])), 7.0),
        (moved(rectangle(10, 10), np.array([13.0, 14.0])), 5.0),
        (moved(rectangle(10, 10), np.array([9.9, 0])), 0.0),
        (moved(rectangle(4, 4), np.array([3.0, 3])), 0.0),
        ((np.array([[12.0, 5.0], [30.0, 4.0], [30.0, 6.0]]),), 2.0),
    ],
)
def test_distance_of_two_silhouettes(other, apart):
    assert distance(rectangle(10, 10), other) == pytest.approx(apart)
    assert distance(other, rectangle(10, 10)) == pytest.approx(apart)


def test_what_lies_in_a_hole_is_beside():
    assert distance(ring(40, 30), disc(20)) == pytest.approx(10, abs=0.05)
    assert overlap(ring(40, 30), disc(20)) == 0


# --- cells -----------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.floats(1.0, 3.0))
def test_no_material_lies_in_a_cell_that_is_not_touched(seed, step):
    chance = np.random.default_rng(seed)
    angle = np.sort(chance.uniform(0, 2 * np.pi, 12))
    radius = chance.uniform(5, 20, 12)
    gaps = np.diff(np.r_[angle, angle[0] + 2 * np.pi])
    assume(gaps.max() < 3.0)  # else the middle that the points are taken about lies outside
    loops = (20 + np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1),)
    cells = touched(loops, step)
    share = chance.uniform(0, 1, (2000, 3))
    share /= share.sum(axis=1, keepdims=True)
    k = chance.integers(0, 12, 2000)
    fan = np.stack([np.full((2000, 2), 20.0), loops[0][k], loops[0][(k + 1) % 12]], axis=1)
    points = (share[:, :, None] * fan).sum(axis=1)
    column, row = (points / step).astype(int).T
    assert cells[row, column].all()
    assert cells.sum() * step**2 >= area(loops)


def test_places_left_open_are_those_where_nothing_is_met():
    chance = np.random.default_rng(5)
    taken = chance.random((30, 40)) < 0.03
    mask = chance.random((5, 7)) < 0.7
    mask[0, 0] = True
    everywhere = np.zeros((30, 40), dtype=bool)
    everywhere[:26, :34] = True
    open_ = left_open(runs_of(mask, 40), Spread(as_bits(taken, 40)), as_bits(everywhere, 40))
    expected = np.zeros((30, 40), dtype=bool)
    for y in range(26):
        for x in range(34):
            expected[y, x] = not (taken[y : y + 5, x : x + 7] & mask).any()
    assert open_ == as_bits(expected, 40)
    assert 0 < expected.sum() < 26 * 34


def test_a_grid_covers_the_platform_and_its_margin():
    grid = Grid.of(Platform((214.0, 119.0, 200.0)), 3.0)
    assert (grid.stride - 2) * grid.step >= 220 - 1e-6
    assert (grid.rows - 2) * grid.step >= 125 - 1e-6
    assert grid.edge.bit_count() == 2 * grid.stride + 2 * (grid.rows - 2)


# --- packing ---------------------------------------------------------------------------


def test_every_piece_stands_once_apart_and_on_the_platform():
    items = mixed()
    packing = pack(items, [Printer("a", BED)], gap=5.0, effort=5_000)
    check_packing(packing, items, [Printer("a", BED)])
    assert sorted(p.item for b in packing.builds for p in b.placed) == [i.id for i in items]
    assert packing.lower_bound <= len(packing.builds) <= packing.shelves
    for build in packing.builds:
        there = [p.outline(items[p.item - 1]) for p in build.placed]
        for i, one in enumerate(there):
            assert all(BED.holds(loop) for loop in one[:1])
            assert all(distance(one, other) >= 5.0 for other in there[:i])


def test_the_same_input_gives_the_same_builds():
    once, again = (pack(mixed(), [Printer("a", BED)], effort=3_000) for _ in range(2))
    assert once == again


def test_angles_nest_where_their_boxes_do_not():
    # As boxes one to a build; nested in pairs, and the pairs facing each other, all in one.
    packing = pack(items_of(*[angle_iron(165, 20)] * 4), [Printer("a", BED)], gap=5.0)
    assert len(packing.builds) == 1 and packing.shelves == 4
    assert "3 fewer than bounding boxes" in packing.sentence


def test_small_pieces_go_into_the_hole_of_a_large_one():
    items = items_of(ring(120, 90), disc(60))
    (build,) = pack(items, [Printer("a", BED)], gap=5.0).builds
    assert len(build.placed) == 2


def test_groups_never_share_a_build():
    colours = ["black", "white", "red"]
    items = [replace(item, group=colours[item.id % 3]) for item in mixed()]
    packing = pack(items, [Printer("a", BED)], effort=3_000)
    group = {item.id: item.group for item in items}
    for build in packing.builds:
        assert {group[p.item] for p in build.placed} == {build.group}
    assert {build.group for build in packing.builds} == set(colours)
    assert packing.lower_bound == len(packing.why) == 3


def test_ticked_off_pieces_are_left_out_and_the_rest_is_packed_anew():
    items = items_of(*[rectangle(140, 140)] * 4)
    assert len(pack(items, [Printer("a", BED)]).builds) == 4
    packing = pack(items, [Printer("a", BED)], done={1, 3})
    assert [p.item for b in packing.builds for p in b.placed] == [2, 4]
    assert [b.number for b in packing.builds] == [1, 2]
    nothing = pack(items, [Printer("a", BED)], done={1, 2, 3, 4})
    assert nothing.builds == () and nothing.lower_bound == 0
    assert nothing.sentence == "Nothing is left to print."


def test_what_assembly_needs_first_is_printed_first():
    items = [
        Item(k, f"p{k}", rectangle(140, 140), 50, needed=needed)
        for k, needed in ((1, 5), (2, 1), (3, 3))
    ]
    packing = pack(items, [Printer("a", BED)])
    assert [b.placed[0].item for b in packing.builds] == [2, 3, 1]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.lists(st.integers(0, 9), min_size=1, max_size=4), min_size=1, max_size=5))
def test_no_other_printing_order_lets_assembly_wait_less(builds):
    def waits(order):
        total = 0
        for rank in (r for ranks in builds for r in ranks):
            wanted = [k for k, ranks in enumerate(builds) if min(ranks) <= rank]
            total += max(order.index(k) for k in wanted) + 1
        return total

    least = min(waits(order) for order in permutations(range(len(builds))))
    assert waits(in_order(builds)) == waiting(builds) == least


def test_tall_pieces_go_only_where_they_fit():
    wide, tall = Printer("wide", BED), Printer("tall", Platform((120.0, 120.0, 400.0)))
    items = items_of(rectangle(200, 200), rectangle(100, 100), rectangle(60, 40))
    items[1] = replace(items[1], height=300.0)
    packing = pack(items, [wide, tall])
    of = {p.item: b.printer for b in packing.builds for p in b.placed}
    assert of[1] == "wide" and of[2] == "tall"
    assert len(packing.builds) == 2


def test_printers_that_run_at_once_share_the_builds():
    items = items_of(*[rectangle(140, 140)] * 6)
    small = Printer("small", Platform((150.0, 150.0, 200.0)))
    packing = pack(items, [Printer("large", BED), small])
    assert len(packing.builds) == 6 and packing.rounds == 3
    assert sorted(b.printer for b in packing.builds) == ["large"] * 3 + ["small"] * 3
    both = pack(items, [Printer("large", BED, count=2), small])
    assert both.rounds == 2
    assert [b.round for b in both.builds if b.printer == "small"] == [1, 2]


def test_a_printer_prints_only_its_groups():
    items = [replace(i, group="resin" if i.id == 1 else "") for i in items_of(*[disc(20)] * 3)]
    packing = pack(items, [Printer("a", BED, groups=("",)), Printer("b", BED, groups=("resin",))])
    assert {(b.printer, b.group) for b in packing.builds} == {("a", ""), ("b", "resin")}


def test_pieces_that_only_just_fit_are_placed():
    slanted = turned(rectangle(250, 250), 17.0)
    assert len(pack(items_of(slanted), [Printer("a", BED)]).builds) == 1
    round_ = Printer("round", Platform((200.0, 200.0, 200.0), round=True))
    assert len(pack(items_of(disc(100.0)), [round_]).builds) == 1
    beside = Printer("corner", Platform((200.0, 200.0, 90.0), excluded=((0, 0, 30.0, 200.0),)))
    assert len(pack(items_of(rectangle(170, 200)), [beside]).builds) == 1


def test_excluded_corners_and_a_round_rim_are_kept_off():
    corner = Platform((200.0, 200.0, 200.0), excluded=((0, 0, 45, 60), (150, 170, 200, 200)))
    for platform in (corner, Platform((220.0, 220.0, 90.0), round=True)):
        packing = pack(mixed(9), [Printer("a", platform)], effort=1_000)
        items = {i.id: i for i in mixed(9)}
        for build in packing.builds:
            assert all(platform.holds(p.outline(items[p.item])[0]) for p in build.placed)


def test_the_search_tells_how_far_it_is():
    spent: list[float] = []
    effort = Effort(10 * OFTEN, spent.append)
    for _ in range(110):
        effort.spend(OFTEN // 10)
    assert spent == pytest.approx([0.1 * k for k in range(1, 11)] + [1.0])
    told: list[tuple[float, str]] = []
    items = mixed(12)
    pack(items, [Printer("a", BED)], effort=20_000, progress=lambda *said: told.append(said))
    amounts = [done for done, _ in told]
    assert amounts == sorted(amounts) and amounts[-1] <= 1
    # Every turn of every silhouette; then the search, which goes on from time to time.
    assert sum(what == "laying out silhouettes" for _, what in told) > TURNS * len(items)
    assert len({done for done, what in told if what == "packing builds"}) > len(items)


def test_progress_runs_forward_and_may_stop_the_work():
    told: list[float] = []
    pack(mixed(5), [Printer("a", BED)], progress=lambda done, _: told.append(done))
    assert told == sorted(told) and told[0] >= 0 and told[-1] <= 1

    def stop(_done: float, _what: str) -> None:
        raise Cancelled("Stopped.")

    with pytest.raises(Cancelled):
        pack(mixed(5), [Printer("a", BED)], progress=stop)


def test_turns_hold_the_one_of_the_least_box():
    slanted = turned(rectangle(90, 40), 23.0)
    sides = [np.ptp(box(turned(slanted, t)), axis=0) for t in turns_of(slanted)]
    assert min(float(s.prod()) for s in sides) == pytest.approx(90 * 40)


# --- shelves and the bound -------------------------------------------------------------


def test_shelves_by_hand():
    # Lying, 100 by 60: two in a row of 250 mm, three rows; 13 take three builds of six.
    outlines = [rectangle(100, 60)] * 13
    builds = on_shelves(outlines, [0.0] * 13, [[0]] * 13, [BED], 5.0)
    assert [len(b.boxes) for b in builds] == [6, 6, 1]


def test_shelves_stand_in_the_free_part_of_a_platform():
    platform = Platform((200.0, 200.0, 100.0), excluded=((0, 0, 50, 200),))
    room = room_of(platform)
    assert room.corner[0] >= 50 and room.size[0] >= 145 and room.size[1] >= 196
    disc_room = room_of(Platform((200.0, 200.0, 100.0), round=True))
    assert disc_room.size == pytest.approx([141.4, 141.4], abs=6)


def test_pieces_that_all_cover_the_middle_need_a_build_each():
    found = fewest([turned(rectangle(140, 150), 30.0)] * 5, [[0]] * 5, [BED], 5.0)
    assert found.count == 5 and "middle" in found.why
    packing = pack(items_of(*[rectangle(140, 150)] * 5), [Printer("a", BED)])
    assert packing.sentence.startswith("5 builds, and fewer are impossible;")


def test_points_count_where_area_does_not():
    # A bar through the platform covers two of four points however it stands.
    found = fewest([rectangle(249, 95)] * 3, [[0]] * 3, [BED], 0.0)
    assert found.count == 2


def test_a_printer_that_takes_more_lowers_the_bound():
    outlines = [rectangle(140, 140)] * 4
    large = Platform((600.0, 600.0, 100.0))
    assert fewest(outlines, [[0]] * 4, [BED, large], 5.0).count == 4
    assert fewest(outlines, [[0, 1]] * 4, [BED, large], 5.0).count == 1


# --- what is refused -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"printers": []}, "no printer"),
        ({"printers": [Printer("a", BED), Printer("a", BED)]}, "Two printers are called 'a'"),
        ({"printers": [Printer("a", BED, count=0)]}, "count of 0"),
        ({"printers": [Printer("a", BED, groups=("grey",))]}, "'grey', which no piece is in"),
        ({"items": [Item(1, "b", disc(9), 5, group="x")],
          "printers": [Printer("a", BED, groups=("",)), Printer("c", BED, groups=("x",))]},
         "group ''"),
        ({"items": items_of(disc(9)) * 2}, "Two pieces have the number 1"),
        ({"gap": -1.0}, "-1 mm"),
        ({"gap": float("nan")}, "nan mm"),
        ({"gap": 250.0}, "larger than the largest platform, 'a'"),
        ({"done": {7}}, "Piece 7 is ticked off"),
        ({"items": items_of(rectangle(260, 255))}, "misses by"),
        ({"items": items_of(disc(20), height=300.0)}, "misses by 50.00 mm"),
    ],
)  # fmt: skip
def test_bad_input_is_told_in_one_sentence(change, words):
    given_ = {"items": items_of(disc(20)), "printers": [Printer("a", BED)], **change}
    with pytest.raises(BadInput) as error:
        pack(given_.pop("items"), given_.pop("printers"), **given_)
    assert words in one_sentence(error)


def test_a_group_that_no_printer_takes_is_refused():
    items = [Item(1, "b", disc(9), 5, group="x"), Item(2, "c", disc(9), 5)]
    with pytest.raises(BadInput) as error:
        pack(items, [Printer("a", BED, groups=("",))])
    assert "No printer prints group 'x' of piece 1 'b'" in one_sentence(error)


@pytest.mark.parametrize("spoil", ["near", "out", "twice", "group", "high"])
def test_the_check_finds_what_is_wrong(spoil):
    items = items_of(disc(30), disc(30))
    printers = [Printer("a", BED)]
    packing = pack(items, printers)
    (build,) = packing.builds
    one, two = build.placed
    placed = {
        "near": (one, replace(two, x=one.x + 64.9, y=one.y)),
        "out": (one, replace(two, x=221.0)),
        "twice": (one, one),
        "group": (one, two),
        "high": (one, two),
    }[spoil]
    if spoil == "group":
        items[0] = replace(items[0], group="x")
    if spoil == "high":
        items[0] = replace(items[0], height=251.0)
    wrong = replace(packing, builds=(replace(build, placed=placed),))
    with pytest.raises(CheckFailed) as error:
        check_packing(wrong, items, printers)
    one_sentence(error)


# --- files -----------------------------------------------------------------------------


def posed_build(tmp_path: Path):
    tilt = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
    pieces = {
        1: Posed(block(40, 60, 90, at=(800, -300, 1000)), tilt, "torso"),
        2: Posed(joined([block(70, 20, 10), block(9, 9, 30, (3, 3, 10.0))]), UP, "hand & sword"),
    }
    items = [
        item_of(p.mesh, p.rotation, id=k, name=p.name, needed=k, mass=10.0 * k)
        for k, p in pieces.items()
    ]
    packing = pack(items, [Printer("a", BED)])
    return packing.builds[0], pieces, items, tmp_path / "build.3mf"


def test_a_stop_leaves_no_build_file(tmp_path):
    build, pieces = posed_build(tmp_path)[:2]
    told: list[float] = []
    path = tmp_path / "build.3mf"
    write_build(build, pieces, path, title="t", told=told.append)
    assert told == sorted(told) and told[0] >= 0 and told[-1] < 1
    assert len(told) >= 2 * len(build.placed)
    for last in range(len(told)):
        left = iter(range(last))

        def stop(_done, left=left):
            if next(left, None) is None:
                raise Cancelled("Stopped.")

        with pytest.raises(Cancelled):
            write_build(build, pieces, path, title="t", told=stop)
        # Until the new one is written whole the old one is there.
        assert path.exists() == (told[last] <= 0.5)
        path.unlink(missing_ok=True)
        assert list(tmp_path.iterdir()) == []
        write_build(build, pieces, path, title="t")


def test_a_build_file_holds_pieces_in_place_and_is_the_same_each_time(tmp_path):
    build, pieces, items, path = posed_build(tmp_path)
    check = write_build(build, pieces, path, title="Build 1 of 1", description="PLA")
    assert "2 pieces" in check.found
    first = path.read_bytes()
    write_build(build, pieces, path, title="Build 1 of 1", description="PLA")
    assert path.read_bytes() == first
    assert not list(tmp_path.glob(".*"))
    with zipfile.ZipFile(path) as archive:
        model = ET.fromstring(archive.read("3D/3dmodel.model"))
    core = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    metadata = {m.get("name"): m.text for m in model.iter(f"{core}metadata")}
    assert metadata["Title"] == "Build 1 of 1" and metadata["Description"] == "PLA"
    assert set(metadata) == {"Title", "Description", "Application"}
    objects = {o.get("partnumber"): o.get("name") for o in model.iter(f"{core}object")}
    assert objects == {"1": "torso", "2": "hand & sword"}
    assert build.mass == 30.0 and build.height == 40.0
    assert items[0].height == pytest.approx(40.0)


def test_pieces_in_a_file_stand_on_the_platform_where_their_silhouettes_are(tmp_path):
    build, pieces, items, path = posed_build(tmp_path)
    write_build(build, pieces, path, title="t")
    for placed, item in zip(build.placed, items, strict=True):
        mesh = pieces[placed.item].mesh
        transform = placed.transform(mesh, pieces[placed.item].rotation)
        there = mesh.vertices @ transform[:3] + transform[3]
        assert there[:, 2].min() == pytest.approx(0, abs=1e-9)
        assert there[:, 2].max() == pytest.approx(item.height)
        outline = box(placed.outline(item))
        assert there[:, :2].min(axis=0) == pytest.approx(outline[0])
        assert there[:, :2].max(axis=0) == pytest.approx(outline[1])


def test_a_file_that_differs_from_its_build_is_found_out(tmp_path):
    build, pieces, _, path = posed_build(tmp_path)
    write_build(build, pieces, path, title="t")
    one, two = build.placed
    shifted = replace(build, placed=(one, replace(two, x=two.x + 0.01)))
    larger = {**pieces, 2: replace(pieces[2], mesh=pieces[2].mesh.scaled(1.001))}
    renamed = {**pieces, 2: replace(pieces[2], name="foot")}
    fewer = replace(build, placed=(one,))
    more = replace(build, placed=(one, two, two))
    for other, those in (
        (shifted, pieces), (build, larger), (build, renamed), (fewer, pieces), (more, pieces)
    ):  # fmt: skip
        with pytest.raises(CheckFailed) as error:
            require_build_holds(path, other, those)
        one_sentence(error)


def test_a_damaged_or_unruly_file_fails_the_check(tmp_path):
    build, pieces, _, path = posed_build(tmp_path)
    write_build(build, pieces, path, title="t")
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    parts["3D/3dmodel.model"] = parts["3D/3dmodel.model"].replace(b"<item ", b'<item colour="red" ')
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    with pytest.raises(CheckFailed):
        require_build_holds(path, build, pieces)
    path.write_bytes(path.read_bytes()[:500])
    with pytest.raises(CheckFailed):
        require_build_holds(path, build, pieces)


def test_what_cannot_be_written_is_told_and_leaves_nothing(tmp_path):
    build, pieces, _, path = posed_build(tmp_path)
    empty = replace(pieces[2], mesh=pieces[2].mesh.subset(np.zeros(0, dtype=np.int64)))
    for those, title, where in (
        ({1: pieces[1]}, "t", path),
        ({**pieces, 2: empty}, "t", path),
        (pieces, "t\x01", path),
        (pieces, "t", tmp_path / "none" / "build.3mf"),
    ):
        with pytest.raises(BadInput) as error:
            write_build(build, those, where, title=title)
        assert one_sentence(error)
        assert not path.exists()


def test_a_figure_far_from_its_origin_is_placed_as_well(tmp_path):
    tilt = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    tilt *= np.sign(np.linalg.det(tilt))
    piece = Posed(block(40, 60, 90, at=(3000, -2000, 5000)), tilt, "far")
    item = item_of(piece.mesh, tilt, id=1, name="far")
    (build,) = pack([item], [Printer("a", BED)]).builds
    write_build(build, {1: piece}, tmp_path / "b.3mf", title="t")
    low, high = read_mesh(tmp_path / "b.3mf").bounds
    assert low == pytest.approx([*box(build.placed[0].outline(item))[0], 0.0], abs=1e-3)
    assert (high <= 250.001).all() and low[2] == 0.0


# --- pictures --------------------------------------------------------------------------


def test_the_picture_shows_every_piece_with_number_name_and_scale():
    items = {i.id: i for i in mixed()}
    items[1] = replace(items[1], name="Sword & <shield>")
    packing = pack(list(items.values()), [Printer("a", BED)], effort=1_000)
    for build in packing.builds:
        text = top_view(build, items, BED, gap=5.0, builds=len(packing.builds), figure="Keeper")
        root = ET.fromstring(text)
        words = [t.text for t in root.iter("{http://www.w3.org/2000/svg}text")]
        assert words[0] == f"Keeper: build {build.number} of {len(packing.builds)}"
        for placed in build.placed:
            assert words.count(str(placed.item)) == 2
            assert items[placed.item].name in words
        assert "50 mm" in words and "front" in words
        assert text == top_view(
            build, items, BED, gap=5.0, builds=len(packing.builds), figure="Keeper"
        )
        paths = [p.get("fill") for p in root.iter("{http://www.w3.org/2000/svg}path")]
        assert sum(fill in COLOURS for fill in paths) == len(build.placed)


def test_pictures_of_other_platforms_are_well_formed():
    items = {i.id: i for i in items_of(disc(30), ring(40, 30))}
    for platform in (
        Platform((200.0, 200.0, 90.0), round=True),
        Platform((214.0, 119.0, 90.0), excluded=((0, 0, 30, 25),)),
    ):
        packing = pack(list(items.values()), [Printer("a", platform)])
        text = top_view(packing.builds[0], items, platform, gap=5.0, builds=1)
        assert ET.fromstring(text).tag.endswith("svg")
        assert "barred" in text


def test_a_label_lies_on_its_piece():
    middle, reach = widest(angle_iron(100, 30))
    assert 14 < reach < 19
    assert (middle > 0).all() and not (middle > 30).all()
    assert Placed(1, 90.0, 5.0, 0.0).outline(items_of(rectangle(10, 4))[0])[0].min() >= 0
