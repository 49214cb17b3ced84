"""Marks: letters that can be told, cut in convex strokes, and where they go on a seam face."""

from __future__ import annotations

import time
from itertools import combinations

import manifold3d
import numpy as np
import pytest
import shapely
from shapely import affinity

from seamwright.errors import BadInput
from seamwright.lettering import LAND, strokes
from seamwright.marks import DEEPEST, LOWEST, TALLEST, Mark, marks
from seamwright.outline import Region
from seamwright.printer import PrinterProfile, printer

ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
FILAMENT = PrinterProfile()
RESIN = printer("resin-218")


def region_of(*loops) -> Region:
    return Region(
        tuple(np.asarray(p, dtype=float) for p in loops),
        tuple(np.arange(len(p)) for p in loops),
    )


def oval(a: float, b: float, corners: int = 200, wave: float = 0.0, phase: float = 0.0):
    t = 2 * np.pi * np.arange(corners) / corners
    r = 1 + wave * np.sin(3 * t + phase) + 0.6 * wave * np.sin(7 * t + 1)
    return np.stack([a * r * np.cos(t), b * r * np.sin(t)], axis=1)


def square(side: float, at=(0.0, 0.0)):
    return side / 2 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) + np.asarray(at, dtype=float)


def polygon(region: Region) -> shapely.Polygon:
    return shapely.Polygon(region.outline, region.holes)


def ink(outlines) -> shapely.Geometry:
    return shapely.union_all([shapely.Polygon(p) for p in outlines])


def margin(profile: PrinterProfile) -> float:
    return max(1.0, 2 * profile.nozzle)


# --- strokes ----------------------------------------------------------------------------

TEXTS = [*ALPHABET, "AA", "MW", "QJ", "ZZ"]


def require_stencil(outlines, land: float) -> None:
    """Convex, counter-clockwise, real and apart."""
    shapes = [shapely.Polygon(p) for p in outlines]
    for shape in shapes:
        assert shape.is_valid and shape.exterior.is_ccw
        assert shape.convex_hull.area == pytest.approx(shape.area, rel=1e-9)
    for a, b in combinations(shapes, 2):
        assert a.distance(b) >= land - 1e-9


@pytest.mark.parametrize("slender", [6.0, 6.5, 7.0, 12.0, 30.0])
@pytest.mark.parametrize("text", TEXTS)
def test_strokes_are_convex_apart_and_fill_the_height(text: str, slender: float) -> None:
    width = 0.8
    outlines = strokes(text, slender * width, width)
    require_stencil(outlines, LAND * width)
    low, high = np.min(np.concatenate(outlines), axis=0), np.max(np.concatenate(outlines), axis=0)
    np.testing.assert_allclose(low, 0, atol=1e-9)
    # An apex may lose a speck.
    assert high[1] == pytest.approx(slender * width, abs=0.02 * width)
    for outline in outlines:
        shape = shapely.Polygon(outline)
        # Nowhere broader than a stroke, and more than a speck.
        assert shapely.maximum_inscribed_circle(shape, 1e-3).length <= 0.5 * width + 1e-3
        assert shape.area >= 0.5 * width**2


def test_strokes_grow_with_their_measures() -> None:
    for small, large in zip(strokes("R", 7, 1), strokes("R", 10.5, 1.5), strict=True):
        np.testing.assert_allclose(1.5 * small, large, atol=1e-9)


def test_two_letters_are_the_first_and_then_the_second() -> None:
    both, first, second = strokes("LA", 8, 1), strokes("L", 8, 1), strokes("A", 8, 1)
    for a, b in zip(both, first, strict=False):
        np.testing.assert_allclose(a, b)
    shift = both[len(first)] - second[0]
    assert shift[:, 0].min() > np.concatenate(first)[:, 0].max() + 1
    np.testing.assert_allclose(shift, np.broadcast_to(shift[0], shift.shape))


@pytest.mark.parametrize("slender", [6.0, 7.0])
def test_every_two_letters_differ_by_what_cannot_be_overlooked(slender: float) -> None:
    # The least is a whole stroke that the other letter has not: 2.5 widths squared.
    drawn = {c: ink(strokes(c, slender, 1)) for c in ALPHABET}
    for a, b in combinations(ALPHABET, 2):
        assert drawn[a].symmetric_difference(drawn[b]).area >= 2.5, (a, b)


def test_pairs_that_are_often_confused_differ_by_much() -> None:
    drawn = {c: ink(strokes(c, 7, 1)) for c in ALPHABET}
    for a, b in ("BR", "DO", "OQ", "CG", "UV", "PR", "EF", "IJ", "MN", "MW", "SZ", "VY", "BE"):
        apart = drawn[a].symmetric_difference(drawn[b]).area
        assert apart >= 0.2 * min(drawn[a].area, drawn[b].area), (a, b)


def test_letters_that_mirror_into_no_letter_show_it() -> None:
    for c in "BCDEFGJKLNPQRSZ":
        drawn = ink(strokes(c, 7, 1))
        turned = affinity.scale(drawn, xfact=-1, origin="center")
        assert drawn.symmetric_difference(turned).area >= 2.0, c


@pytest.mark.parametrize("text", ["", "a", "1", "AAA", "Ä"])
def test_other_texts_are_refused(text: str) -> None:
    with pytest.raises(BadInput, match="A to ZZ"):
        strokes(text, 10, 1)
    with pytest.raises(BadInput, match="A to ZZ"):
        marks(region_of(oval(20, 20)), [], text, FILAMENT)


@pytest.mark.parametrize(("height", "width"), [(5.0, 1.0), (10.0, 0.0), (10.0, -1.0)])
def test_strokes_that_close_up_are_refused(height: float, width: float) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        strokes("A", height, width)


# --- places -----------------------------------------------------------------------------

CUP = np.array([[-20, -20], [20, -20], [20, 20], [8, 20], [8, -8], [-8, -8], [-8, 20], [-20, 20]])
FACES = {
    "disc": (region_of(oval(30, 30)), [square(26)], "C", FILAMENT),
    "small disc": (region_of(oval(10, 10)), [], "M", FILAMENT),
    "limb": (region_of(oval(13, 12, wave=0.03)), [square(8)], "K", FILAMENT),
    "ring": (region_of(oval(20, 20), oval(12, 12)[::-1]), [], "B", FILAMENT),
    "oblong": (region_of(oval(25, 5)), [], "R", FILAMENT),
    "two pegs": (region_of(oval(8, 30)), [square(8, (0, 12)), square(8, (0, -12))], "Q", FILAMENT),
    "cup": (region_of(CUP), [square(8, (14, 0))], "AF", FILAMENT),
    "far off": (region_of(oval(15, 15) + 4000.0), [square(10) + 4000.0], "G", FILAMENT),
    "resin": (region_of(oval(5, 5)), [], "ZW", RESIN),
    "coarse": (region_of(oval(20, 20)), [], "E", printer("filament-256", nozzle=0.8)),
}
FACES |= {
    f"rough {k}": (
        region_of(oval(25, 16, 1500, 0.1, k)), [square(10, (3, k - 2))], "JS"[k % 2], FILAMENT,
    )
    for k in range(5)
}  # fmt: skip
EACH = pytest.mark.parametrize("name", FACES)


def made(name: str) -> tuple[Mark, Mark]:
    found = marks(*FACES[name])
    assert found is not None
    return found


@EACH
def test_marks_lie_in_the_face_clear_of_all(name: str) -> None:
    region, taken, text, profile = FACES[name]
    for mark in made(name):
        assert mark.text == text
        require_stencil(mark.outlines, LAND * 2 * profile.nozzle)
        inner = polygon(region).buffer(-margin(profile) + 1e-6, quad_segs=64)
        for outline in mark.outlines:
            assert inner.contains(shapely.Polygon(outline))
            for mouth in taken:
                apart = shapely.Polygon(outline).distance(shapely.Polygon(mouth))
                assert apart >= margin(profile) - 1e-6


@EACH
def test_a_face_with_marks_can_be_triangulated(name: str) -> None:
    region, taken, _, _ = FACES[name]
    for mark in made(name):
        loops = [*region.loops, *(p[::-1] for p in taken), *(p[::-1] for p in mark.outlines)]
        triangles = np.asarray(manifold3d.triangulate([np.ascontiguousarray(p) for p in loops]))
        points = np.concatenate(loops)
        a, b, c = (points[triangles[:, k]] for k in range(3))
        areas = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (c - a)[:, 0] * (b - a)[:, 1])
        left = polygon(region).area - ink(taken).area - ink(mark.outlines).area
        assert areas.sum() == pytest.approx(left, rel=1e-6)


def letter_height(mark: Mark, text: str) -> float:
    """By the longest way through the letter, which a turn does not change."""

    def span(outlines) -> float:
        points = np.concatenate(outlines)
        return float(np.linalg.norm(points[:, None] - points[None], axis=2).max())

    low, high = 1.0, 40.0
    for _ in range(50):
        middle = (low + high) / 2
        # Slender letters hardly change their span with the width of their strokes.
        small = span(strokes(text, middle, middle / 7)) < span(mark.outlines[1:])
        low, high = (middle, high) if small else (low, middle)
    return low


def misfit(seen, meant) -> float:
    """Largest distance of corners, mm, after turning and moving, without mirroring."""
    p, q = np.concatenate(seen), np.concatenate(meant)
    p, q = p - p.mean(axis=0), q - q.mean(axis=0)
    u, _, vt = np.linalg.svd(p.T @ q)
    turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return float(np.linalg.norm(p @ turn - q, axis=1).max())


@EACH
def test_the_letter_reads_the_same_on_both_faces(name: str) -> None:
    *_, text, profile = FACES[name]
    a, b = made(name)
    # Side B is looked at against the normal, as the frame is; side A along it: mirrored.
    seen_b = b.outlines[1:]
    seen_a = [(p * [-1.0, 1.0])[::-1] for p in a.outlines[1:]]
    assert misfit(seen_a, seen_b) < 1e-9 * 4e3
    height = letter_height(b, text)
    width = max(height / 7, 2 * profile.nozzle)
    if width == height / 7:
        assert misfit(seen_b, strokes(text, height, width)) < 1e-3
    assert not np.allclose(a.outlines[1], b.outlines[1])


def test_a_letter_of_one_hand_is_not_taken_for_its_mirror_image() -> None:
    _, b = made("two pegs")
    mirrored = [(p * [-1.0, 1.0])[::-1] for p in b.outlines[1:]]
    assert misfit(mirrored, b.outlines[1:]) > 0.5


@EACH
def test_the_witness_marks_meet_and_point_at_the_rim(name: str) -> None:
    region, taken, _, _ = FACES[name]
    a, b = made(name)
    np.testing.assert_array_equal(a.outlines[0], b.outlines[0])
    tip, *base = a.outlines[0]
    middle = np.mean(base, axis=0)
    length = np.linalg.norm(tip - middle)
    # Slim enough to tell its tip from its other corners.
    assert np.linalg.norm(base[0] - base[1]) < 0.8 * length
    ahead = (tip - middle) / length
    ray = shapely.LineString([tip, tip + 200 * ahead])
    rim = shapely.LinearRing(region.outline).intersection(ray).distance(shapely.Point(tip))
    # To the outline it is margin, samples' spacing and at most 2 mm, square or nearly.
    assert rim < 5.0
    for mouth in (*taken, *region.holes):
        assert not shapely.Polygon(mouth).intersects(shapely.LineString([tip, tip + rim * ahead]))


@pytest.mark.parametrize("name", ["disc", "small disc", "limb", "ring", "cup", "resin", "coarse"])
def test_the_foot_of_the_letter_is_to_the_witness_mark(name: str) -> None:
    *_, text, profile = FACES[name]
    _, b = made(name)
    tip, *base = b.outlines[0]
    height = letter_height(b, text)
    meant = strokes(text, height, max(height / 7, 2 * profile.nozzle))
    p, q = np.concatenate(meant), np.concatenate(b.outlines[1:])
    u, _, vt = np.linalg.svd((p - p.mean(axis=0)).T @ (q - q.mean(axis=0)))
    turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    foot = np.array([0.0, -1.0]) @ turn
    to_mark = np.mean([tip, *base], axis=0) - q.mean(axis=0)
    assert foot @ to_mark / np.linalg.norm(to_mark) > 0.7
    ahead = tip - np.mean(base, axis=0)
    assert foot @ ahead / np.linalg.norm(ahead) > 0.59


@pytest.mark.parametrize(
    ("region", "turns"),
    [
        (region_of(oval(20, 20)), np.arange(15, 360, 15)),
        (region_of(square(12)), [90, 180, 270]),
        (region_of(oval(5, 5)), np.arange(30, 360, 15)),
        (region_of(square(60) * [1, 0.4]), [180]),
    ],
)
def test_the_witness_mark_is_elsewhere_after_every_other_turn(region: Region, turns) -> None:
    found = marks(region, [], "O", FILAMENT)
    assert found is not None
    witness = shapely.Polygon(found[0].outlines[0])
    for turn in turns:
        moved = affinity.rotate(witness, float(turn), origin=(0, 0))
        assert witness.intersection(moved).area < 0.8 * witness.area


def test_the_letter_is_as_large_as_fits() -> None:
    heights = []
    for radius in (6.5, 8, 10, 13, 40):
        found = marks(region_of(oval(radius, radius)), [], "H", FILAMENT)
        assert found is not None and found[1].text == "H"
        heights.append(letter_height(found[1], "H"))
    assert heights == sorted(heights)
    assert heights[0] >= 4.75 and heights[-1] == pytest.approx(TALLEST, abs=0.01)
    # On a disc of 16 mm a letter and its mark have 14 mm in a row: over half is the letter's.
    assert heights[1] > 7.0
    fine = marks(region_of(oval(4.4, 4.4)), [], "H", RESIN)
    assert fine is not None and LOWEST - 0.01 <= letter_height(fine[1], "H") < 5


def test_a_small_face_gets_the_witness_mark_and_a_tiny_one_nothing() -> None:
    found = marks(region_of(oval(3.5, 3.5)), [], "A", FILAMENT)
    assert found is not None
    for mark in found:
        assert mark.text == "" and len(mark.outlines) == 1
        inner = shapely.Polygon(oval(3.5, 3.5)).buffer(-1 + 1e-6)
        assert inner.contains(shapely.Polygon(mark.outlines[0]))
    for region in (oval(1.2, 1.2), oval(30, 1.4), oval(0.05, 0.05)):
        assert marks(region_of(region), [], "A", FILAMENT) is None
    # A peg that takes all but its margin.
    assert marks(region_of(oval(10, 10)), [oval(8, 8)], "A", FILAMENT) is None


def test_thin_places_are_avoided() -> None:
    region = region_of(oval(20, 20))
    asked = []

    def rooms(at):
        asked.append(at.shape)
        # Solid is what lies right of x = 3.
        return np.maximum(at[:, 0] - 3, 0.0)

    found = marks(region, [], "S", FILAMENT, rooms)
    assert found is not None and all(len(s) == 2 and s[1] == 2 for s in asked)
    for mark in found:
        assert mark.text == "S"
        assert np.concatenate(mark.outlines)[:, 0].min() >= 3 + margin(FILAMENT)
    nowhere = marks(region, [], "S", FILAMENT, lambda at: np.zeros(len(at)))
    assert nowhere is None


def test_marks_keep_farther_in_where_the_skin_slants_in_under_the_face() -> None:
    def rooms(at):
        return np.maximum(20 - 5 - np.linalg.norm(at, axis=1), 0.0)

    found = marks(region_of(oval(20, 20)), [square(8)], "P", FILAMENT, rooms)
    assert found is not None
    for mark in found:
        assert mark.text == "P"
        assert np.linalg.norm(np.concatenate(mark.outlines), axis=1).max() <= 15 - 1


def test_thin_places_leave_the_witness_mark_alone_at_a_thick_one() -> None:
    def rooms(at):
        return np.where(np.linalg.norm(at - [0, 16], axis=1) < 3, 3.0, 0.0)

    found = marks(region_of(oval(20, 20)), [], "S", FILAMENT, rooms)
    assert found is not None and found[0].text == ""
    assert np.linalg.norm(found[0].outlines[0].mean(axis=0) - [0, 16]) < 3


@pytest.mark.parametrize(
    ("layer", "depth"),
    [(0.2, 0.6), (0.1, 0.3), (0.05, 0.3), (0.15, 0.45), (0.25, 0.5), (0.3, 0.6), (0.5, 0.6)],
)
def test_depth_is_a_few_layers(layer: float, depth: float) -> None:
    profile = printer("filament-256", layer_height=layer)
    found = marks(region_of(oval(10, 10)), [], "A", profile)
    assert found is not None
    assert found[0].depth == found[1].depth == pytest.approx(depth)
    assert found[0].depth <= DEEPEST


def test_the_same_face_gets_the_same_marks() -> None:
    for one, two in zip(made("rough 1"), made("rough 1"), strict=True):
        for p, q in zip(one.outlines, two.outlines, strict=True):
            np.testing.assert_array_equal(p, q)


def test_a_face_takes_milliseconds() -> None:
    made("rough 2")
    spent = []
    for _ in range(5):
        start = time.process_time()
        made("rough 2")
        spent.append(time.process_time() - start)
    # Some 10 ms; the rest is for slow and busy machines.
    assert min(spent) < 0.1
