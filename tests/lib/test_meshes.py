"""Meshes as they come: every bad mesh of tests/meshes is told, sectioned and parted for what it is.

The files are made by tests/meshes/make.py; each says in its first line what is wrong with it.
"""

from __future__ import annotations

import importlib.util
import json
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from seamwright.__main__ import main
from seamwright.checks import require_closed, require_volume
from seamwright.errors import BadInput, CheckFailed
from seamwright.files import as_written, read_mesh, write_stl
from seamwright.flaws import Flaws, overlapping_shells
from seamwright.frame import Frame
from seamwright.inspection import inspect
from seamwright.job import read_job
from seamwright.mend import mend
from seamwright.mesh import Mesh, joined
from seamwright.pieces import Piece, take_apart
from seamwright.reach import region_facts
from seamwright.results import write
from seamwright.run import Result, load, make, prepare
from seamwright.seam import Reach, Seam, SeamLine
from seamwright.section import Section, section
from seamwright.shapes import box, moved, revolved

FOLDER = Path(__file__).resolve().parent.parent / "meshes"
UP = (0.0, 0.0, 1.0)


def bad(name: str) -> Mesh:
    """A mesh of the corpus with the very vertices and faces of its file."""
    lines = [
        line.split() for line in (FOLDER / f"{name}.obj").read_text(encoding="utf-8").splitlines()
    ]
    vertices = [[float(x) for x in words[1:]] for words in lines if words[0] == "v"]
    return Mesh.of(
        vertices, [[int(k) - 1 for k in words[1:]] for words in lines if words[0] == "f"]
    )


def cut(mesh: Mesh, z: float) -> Section:
    return section(mesh, Frame.on_plane((0, 0, z), UP))


def seam(z: float, reach: Reach | None = None, normal: tuple[float, float, float] = UP) -> Seam:
    return Seam(1, "cut", (0.0, 0.0, z), normal, reach or Reach())


@dataclass(frozen=True)
class Expected:
    """What must be said of one mesh of the corpus.

    told : what inspecting says. sound : a height at which its section is sound, the areas
    of the regions there, and how many pieces a seam there leaves. broken : heights at which
    the section is not, with what must be said there, as a pattern. leaky : which of the
    pieces are not closed.
    """

    told: str
    sound: tuple[float, tuple[float, ...], int] | None = None
    broken: tuple[tuple[float, str], ...] = ()
    leaky: tuple[int, ...] = ()


def at(x: float, y: float, z: float) -> str:
    return rf" at \({x:.1f}, {y:.1f}, {z:.1f}\) mm"


TOWER = (5.0, (100.0,), 2)
CORPUS = {
    "plain_tower": Expected("Sound", (15.0, (100.0,), 2)),
    "t_junction": Expected(
        "1 hole, the largest 20.00 mm around at (10.00, 0.00, 15.00)",
        TOWER,
        ((15.0, "section is open" + at(10, 0, 15)),),
        (2,),
    ),
    "bow_tie_vertex": Expected(
        "1 vertex pinched to a point, at (0.00, 0.00, 10.00)",
        (5.0, (25.0,), 2),
        ((10.0, "misses the figure"),),
    ),
    "doubled_shell": Expected(
        "2 shells lie so close that they may overlap",
        None,
        ((5.0, "run into each other" + ".*" + r", 0\.0, 5\.0\) mm"),),
    ),
    "duplicated_faces": Expected(
        "2 duplicate faces, the first at (6.67, 0.00, 13.33)",
        TOWER,
        ((15.0, "section branches" + at(0, 0, 15)),),
        (2,),
    ),
    "inside_out_island": Expected(
        "1 shell inside out", None, ((15.0, "section is inside out" + at(30, 0, 15)),)
    ),
    "flipped_faces": Expected(
        "2 faces flipped against their neighbours, the first at (6.67, 0.00, 13.33)",
        TOWER,
        ((15.0, "section meets a flipped face" + at(0, 0, 15)),),
        (2,),
    ),
    "zero_area_fan": Expected("3 faces of no area", (20.0, (100.0,), 2)),
    "mobius_strip": Expected(
        "24 faces of a one-sided surface",
        None,
        ((1.0, "section is open at"), (0.0, r"section branches at \(16\.0, 0\.0, 0\.0\)")),
    ),
    "klein_bottle": Expected(
        "128 faces of a one-sided surface", None, ((0.5, "section meets a flipped face at"),)
    ),
    "open_eyelid": Expected(
        "1 hole, the largest 40.00 mm around at (5.00, 0.00, 15.00)",
        TOWER,
        ((15.0, "section is open" + at(0, 0, 15)), (10.1, "is open" + at(0, 0, 10.1))),
        (2,),
    ),
    "internal_wall": Expected(
        "2 edges of three or more faces, the first at (0.00, 0.00, 15.00)",
        TOWER,
        ((15.0, "section branches" + at(0, 0, 15)),),
        (2,),
    ),
    "three_face_edge": Expected(
        "1 edge of three or more faces, at (0.00, 0.00, 15.00)",
        TOWER,
        ((15.0, "section is open" + at(-5, -5, 15)),),
        (2,),
    ),
    "self_intersecting_shell": Expected(
        "Sound", None, ((2.0, "run into each other" + r".* at \((8|12)\.0, -?2\.0, 2\.0\) mm"),)
    ),
    "sliver_of_two_microns": Expected("Sound", (15.0, (100.0, 0.02), 4)),
    "far_from_the_origin": Expected("Sound", (1e6 + 4, (300.0,), 2)),
    "miniature": Expected("Sound", (2.0, (128.0,), 2)),
    "giant": Expected("Sound", (300.0, (2.88e6,), 2)),
    "overlapping_shells": Expected(
        "2 shells lie so close that they may overlap",
        (2.0, (100.0,), 3),
        ((15.0, "run into each other" + ".*" + r" at \(10\.0, (3|7)\.0, 15\.0\) mm"),),
    ),
    "flush_shells": Expected(
        "2 shells lie so close", None, ((15.0, "run into each other" + r".* 15\.0\) mm"),)
    ),
    "touching_shells": Expected("2 shells lie so close", (15.0, (100.0, 100.0), 4)),
    "touching_along_an_edge": Expected(
        "3 edges of three or more faces", (15.0, (100.0, 100.0), 2), (), (1, 2)
    ),
    "nested_cavity": Expected("2 shells lie so close", (14.0, (64.0, 15.0), 4)),
    "buried_solid": Expected(
        "2 shells lie so close",
        (5.0, (100.0,), 3),
        ((15.0, "run into each other" + r".* at \([35]\.0, [35]\.0, 15\.0\) mm"),),
    ),
    "cavity_through_the_skin": Expected(
        "1 shell inside out", None, ((15.0, "section is inside out" + at(13, 3, 15)),)
    ),
    "loose_sheet": Expected(
        "1 hole, the largest 26.97 mm around at (13.50, 5.00, 15.00)",
        TOWER,
        ((15.0, "section is open" + at(11, 5, 15)),),
        (2,),
    ),
    "unwelded_layer": Expected(
        "4 holes, the largest 40.00 mm around", (15.0, (100.0,), 4), (), (1, 2, 3, 4)
    ),
    "vertices_on_the_plane": Expected("Sound", (0.0, (200.0,), 2)),
    "face_on_the_plane": Expected("Sound", (10.0, (80.0,), 2)),
    "crease_across_the_plane": Expected("Sound", (10.0, (100.0,), 2)),
    "diagonal_on_the_plane": Expected("Sound", (1.0, (4.0,), 2)),
    "cavity_tip_on_the_plane": Expected("Sound", (1.0, (64.0,), 2)),
}


def volume_about(mesh: Mesh, centre: np.ndarray) -> float:
    a, b, c = (mesh.vertices[mesh.faces[:, k]] - centre for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def assert_nothing_new(
    figure: Mesh, pieces: tuple[Piece, ...], leaky: tuple[int, ...], cut_edges: int = 0
) -> None:
    """The pieces have the figure's flaws, as many of them at most, and no others.

    cut_edges : how many crowded edges the seam goes through, so that either side has a part.
    """
    old = Flaws.of(figure)
    found = [Flaws.of(p.mesh) for p in pieces]
    assert not any(count for f in found for count in f.beyond(old).counts)
    assert tuple(p.id for p, f in zip(pieces, found, strict=True) if any(f.counts)) == leaky
    for kind in range(3):
        assert sum(f.counts[kind] for f in found) <= old.counts[kind] + cut_edges
    centre = figure.bounds.mean(axis=0)
    total = sum(volume_about(p.mesh, centre) for p in pieces)
    assert total == pytest.approx(volume_about(figure, centre), rel=1e-9)


def test_every_file_is_as_its_script_makes_it_and_is_in_the_table():
    spec = importlib.util.spec_from_file_location("make", FOLDER / "make.py")
    make = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make)
    names = {each.__name__ for each in make.ALL}
    assert names == set(CORPUS) == {p.stem for p in FOLDER.glob("*.obj")}
    for each in make.ALL:
        text = (FOLDER / f"{each.__name__}.obj").read_text(encoding="utf-8")
        mesh, made = bad(each.__name__), each()
        assert text.startswith("# ") and len(text.splitlines()) <= 200
        np.testing.assert_allclose(mesh.vertices, made.vertices, rtol=1e-9, atol=1e-9)
        np.testing.assert_array_equal(mesh.faces, made.faces)


@pytest.mark.parametrize("name", CORPUS)
def test_the_reader_reads_it_and_inspecting_says_what_is_wrong(name):
    assert len(read_mesh(FOLDER / f"{name}.obj").faces) == len(bad(name).faces)
    assert CORPUS[name].told in " ".join(inspect(bad(name)).lines())


@pytest.mark.parametrize("name", [n for n, e in CORPUS.items() if e.sound])
def test_a_seam_away_from_the_flaw_is_exact_and_leaves_no_new_one(name):
    mesh, expected = bad(name), CORPUS[name]
    z, areas, count = expected.sound
    found = cut(mesh, z)
    assert [r.area for r in found.regions] == pytest.approx(areas, rel=1e-9)
    assert not found.broken and len(found.gaps) == 0
    assert all(r.clash is None and not r.members for r in found.regions)
    pieces = take_apart(mesh, (seam(z),))
    assert len(pieces) == count
    assert_nothing_new(mesh, pieces, expected.leaky, int(name == "touching_along_an_edge"))


@pytest.mark.parametrize(
    ("name", "z", "says"), [(n, z, says) for n, e in CORPUS.items() for z, says in e.broken]
)
def test_a_seam_through_the_flaw_says_where(name, z, says):
    with pytest.raises(BadInput) as error:
        take_apart(bad(name), (seam(z),))
    text = str(error.value)
    assert re.search(says, text), text
    assert text.endswith(".") and ". " not in text and "\n" not in text
    # The same from below.
    with pytest.raises(BadInput):
        take_apart(bad(name), (seam(z, normal=(0.0, 0.0, -1.0)),))


@pytest.mark.parametrize("name", [n for n, e in CORPUS.items() if e.sound])
@pytest.mark.parametrize("size", [20.0, 3000.0])
@pytest.mark.parametrize("away", [0.0, 1e6])
def test_at_any_size_anywhere(name, size, away):
    expected = CORPUS[name]
    mesh = bad(name)
    middle = mesh.bounds.mean(axis=0)
    factor = size / mesh.size.max()
    shift = np.array([away, -away, away])
    placed = Mesh((mesh.vertices - middle) * factor + shift, mesh.faces, mesh.tag)
    z, areas, count = expected.sound
    height = (z - middle[2]) * factor + away
    found = section(placed, Frame.on_plane((away, -away, height), UP))
    # Doubles at a million mm are 1.2e-10 mm apart, 6e-12 of 20 mm. So a sliver's own share is
    # lost there, and its area is right to a billionth of the whole section only.
    wanted = np.square(factor) * np.array(areas)
    assert [r.area for r in found.regions] == pytest.approx(
        wanted, rel=1e-9, abs=1e-9 * float(wanted.max()) * bool(away)
    )
    assert not found.broken
    cut_there = Seam(1, "cut", (away, -away, height), UP)
    pieces = take_apart(placed, (cut_there,))
    assert len(pieces) == count
    assert_nothing_new(placed, pieces, expected.leaky, int(name == "touching_along_an_edge"))


# --- a broken outline spoils its own region and no other ------------------------------

BROKEN_IN_THE_MIDDLE = [
    "t_junction", "duplicated_faces", "flipped_faces", "open_eyelid", "internal_wall",
    "three_face_edge",
]  # fmt: skip


@pytest.mark.parametrize("name", BROKEN_IN_THE_MIDDLE)
def test_a_seam_beside_a_broken_outline_works_and_one_on_it_is_refused(name):
    figure = joined([bad(name), moved(bad("plain_tower"), (30.0, 0.0, 0.0))])
    found = cut(figure, 15)
    assert [r.area for r in found.regions] == pytest.approx([100])
    assert len(found.broken) == 1 and len(found.gaps)
    np.testing.assert_allclose(found.gaps[:, 2], 15, atol=1e-9)
    for reach in (
        Reach("nearest", ((34.0, 4.0, 15.0),)),
        Reach("regions", regions=(1,)),
        Reach("disc", ((35.0, 5.0, 15.0),), radius=9.0),
    ):
        pieces = take_apart(figure, (seam(15, reach),))
        assert len(pieces) == 3
        assert sorted(p.mesh.size[2] for p in pieces) == pytest.approx([15, 15, 30])
    for reach in (
        Reach(),
        Reach("nearest", ((4.0, 4.0, 15.0),)),
        Reach("nearest", ((34.0, 4.0, 15.0), (6.0, 5.0, 15.0))),
        Reach("disc", ((20.0, 5.0, 15.0),), radius=40.0),
    ):
        with pytest.raises(BadInput, match=r"the section .* at \(.*15\.0\) mm"):
            take_apart(figure, (seam(15, reach),))


def test_a_broken_outline_in_a_cavity_does_not_spoil_what_is_around_it():
    around = joined(
        [box(40, 40, 30, low=(-15, -15, 0)), box(30, 30, 28, low=(-10, -10, 1)).flipped()]
    )
    found = cut(joined([around, bad("open_eyelid")]), 15)
    assert [r.area for r in found.regions] == pytest.approx([1600 - 900])
    assert found.broken_nearest((5, 5, 15)) is found.broken[0]
    assert found.broken_nearest((-14, 0, 15)) is None


def test_a_broken_outline_in_the_material_spoils_the_region_it_lies_in():
    around = box(40, 40, 30, low=(-15, -15, 0))
    found = cut(joined([around, bad("open_eyelid")]), 15)
    assert found.regions == () and [b.what for b in found.broken] == ["is open"]
    # From any place in that region the gap is what a seam there runs into.
    assert found.broken_nearest((-14, -14, 15)) is found.broken[0]


def test_the_hole_of_an_open_outline_is_told_with_it():
    figure = joined([bad("open_eyelid"), box(4, 4, 20, low=(3, 3, 5)).flipped()])
    found = cut(figure, 15)
    assert found.regions == () and len(found.broken) == 1
    assert len(found.broken[0].lines) == 2


def test_a_loose_sheet_beside_the_seam_stays_with_what_it_hangs_on():
    mesh = bad("loose_sheet")
    pieces = take_apart(mesh, (seam(15, Reach("nearest", ((5.0, 5.0, 15.0),))),))
    assert len(pieces) == 2 and sum(len(p.mesh.faces) for p in pieces) > len(mesh.faces)
    assert_nothing_new(mesh, pieces, tuple(p.id for p in pieces if not p.mesh.is_closed))


def test_an_inside_out_island_does_not_stop_a_section_beside_it():
    found = cut(bad("inside_out_island"), 15)
    assert [r.area for r in found.regions] == pytest.approx([100])
    assert [b.what for b in found.broken] == ["is inside out"]


def test_a_line_seam_works_away_from_the_flaw_and_is_refused_on_it():
    tube = revolved(
        np.array([0, 20, 20, 20, 20, 20, 0.0]), np.array([0, 0, 10, 20, 30, 40, 40.0]), 24
    )
    middle = tube.vertices[tube.faces].mean(axis=1)
    torn = tube.subset(~((np.abs(middle[:, 2] - 25) < 5) & (middle[:, 0] > 18)))

    def line(z: float) -> Seam:
        points = tuple((20 * np.cos(t), 20 * np.sin(t), z) for t in (0, 2, 4))
        return Seam(1, "line", (0.0, 0.0, z), UP, line=SeamLine(points))

    assert not torn.is_closed
    pieces = take_apart(torn, (line(8.0),))
    assert len(pieces) == 2
    assert_nothing_new(torn, pieces, (2,))
    with pytest.raises(BadInput, match=r"'line'.* at \(.*\) mm"):
        take_apart(torn, (line(25.0),))


# --- shells that overlap have one united section ---------------------------------------


def union_of(mesh: Mesh, z: float) -> Section:
    found = cut(mesh, z)
    for region in found.regions:
        if region.clash is None:
            assert not region.members
            continue
        assert len(region.members)
        for loop, ids in zip(region.loops, region.segments, strict=True):
            assert len(loop) == len(ids)
            # Each edge lies on the segment it is said to lie on.
            ends = found.crossing.positions(found.crossing.segments[ids].ravel()).reshape(-1, 2, 3)
            middle = found.frame.to_world(0.5 * (loop + np.roll(loop, -1, axis=0)))
            along = ends[:, 1] - ends[:, 0]
            t = np.einsum("ij,ij->i", middle - ends[:, 0], along) / np.square(along).sum(axis=1)
            off = middle - ends[:, 0] - t[:, None] * along
            assert np.abs(off).max() < 1e-6 and t.min() > -1e-6 and t.max() < 1 + 1e-6
    return found


@pytest.mark.parametrize(
    ("name", "z", "area", "perimeter"),
    [
        ("doubled_shell", 15, 100, 40),
        ("overlapping_shells", 15, 100 + 8 * 4, 40 + 16),
        ("flush_shells", 15, 160, 52),
        ("buried_solid", 15, 100, 40),
        ("cavity_through_the_skin", 15, 80, 40 + 10),
        # Legs of 30, 30, 20 and 40 along their middles, 4 wide, less the crossing.
        ("self_intersecting_shell", 2, 4 * 120 - 16, 232),
    ],
)
def test_what_is_material_twice_counts_once(name, z, area, perimeter):
    (region,) = union_of(bad(name), z).regions
    assert region.area == pytest.approx(area, rel=1e-7)
    assert region.perimeter == pytest.approx(perimeter, rel=1e-7)
    assert region.clash is not None


def test_a_cavity_that_pokes_out_spoils_the_region_it_is_in():
    mesh = bad("cavity_through_the_skin")
    with pytest.raises(BadInput, match=r"run into each other.* at \(10\.0, (3|7)\.0, 15\.0\) mm"):
        take_apart(mesh, (seam(15, Reach("nearest", ((1.0, 5.0, 15.0),))),))


@pytest.mark.parametrize(("name", "area"), [("overlapping_shells", 132), ("flush_shells", 160)])
def test_facts_are_told_of_the_united_region(name, area):
    (facts,) = region_facts(cut(bad(name), 15))
    assert facts.area == pytest.approx(area, rel=1e-7) and facts.separates
    assert facts.comes_away > 0


def test_a_union_spares_the_regions_beside_it():
    figure = joined([bad("overlapping_shells"), moved(bad("nested_cavity"), (40.0, 0.0, 0.0))])
    found = union_of(figure, 14)
    assert [r.area for r in found.regions] == pytest.approx([132, 64, 15])
    assert [r.clash is None for r in found.regions] == [False, True, True]
    assert [len(m.outline) for m in found.regions[0].members] == [8, 8]
    pieces = take_apart(figure, (seam(14, Reach("nearest", ((40.5, 5.0, 14.0),))),))
    assert sum(1 for p in pieces if p.mesh.bounds[0, 0] >= 40) == 3


@pytest.mark.parametrize("hole", [False, True])
def test_shells_that_overlap_in_a_ring_leave_its_hole(hole):
    bars = [
        box(30, 4, 6), box(30, 4, 6, low=(0, 26, 0)), box(4, 30, 6), box(4, 30, 6, low=(26, 0, 0)),
    ]  # fmt: skip
    if hole:
        # A shell of its own in the ring's hole, and a cavity in one bar.
        bars += [box(5, 5, 6, low=(10, 10, 0)), box(2, 2, 2, low=(12, 1, 2)).flipped()]
    found = union_of(joined(bars), 3)
    assert found.regions[0].area == pytest.approx(900 - 22**2 - 4 * hole, rel=1e-7)
    assert [len(r.holes) for r in found.regions] == ([2, 0] if hole else [1])


def test_two_cavities_that_overlap_are_one_hole():
    figure = joined(
        [
            box(30, 30, 30),
            box(10, 10, 10, low=(5, 5, 5)).flipped(),
            box(10, 10, 10, low=(11, 8, 5)).flipped(),
        ]
    )
    (region,) = union_of(figure, 10).regions
    assert region.area == pytest.approx(900 - 200 + 4 * 7, rel=1e-7)
    assert len(region.holes) == 1


def test_mending_makes_overlapping_shells_fit_to_be_parted():
    for name in ("overlapping_shells", "flush_shells", "doubled_shell", "buried_solid"):
        mesh = bad(name)
        before = union_of(mesh, 15)
        whole = mend(mesh).mesh
        after = cut(whole, 15)
        assert [r.area for r in after.regions] == pytest.approx([r.area for r in before.regions])
        assert all(r.clash is None for r in after.regions)
        pieces = take_apart(whole, (seam(15),))
        assert len(pieces) == 2 and all(p.mesh.is_closed for p in pieces)


def test_what_only_touches_is_no_overlap():
    for name in ("touching_shells", "touching_along_an_edge"):
        for z in (5, 15, 20):
            assert all(r.clash is None for r in cut(bad(name), z).regions)
    # A plug that fills a hole to the last bit.
    plug = joined([box(30, 30, 9), box(10, 10, 9, low=(10, 10, 0)).flipped()])
    found = cut(joined([plug, box(10, 10, 9, low=(10, 10, 0))]), 4)
    assert [r.area for r in found.regions] == pytest.approx([800, 100])
    assert all(r.clash is None for r in found.regions)


def test_overlaps_are_told_shell_by_shell():
    (said,) = overlapping_shells(bad("overlapping_shells"))
    assert re.match(r"Two shells .* at \(.*\) mm; mend it", said)
    (said,) = overlapping_shells(bad("buried_solid"))
    assert said.startswith("A shell at (3.00, 3.00, 12.00) mm lies inside the solid of another")
    assert overlapping_shells(bad("nested_cavity")) == ()
    assert overlapping_shells(bad("plain_tower")) == ()


# --- the whole way, with what mending left or was told to leave ------------------------

JOB = """seamwright = 1
name = "Bad"
[figure]
file = "bad.stl"
unit = "mm"
mend = {mend}
[[seam]]
name = "low"
point = [0, 0, {z}]
normal = [0, 0, 1]
reach = {reach}
"""


def run(folder: Path, mesh: Mesh, z: float, *, mend: str = "false", reach: str = '"all"') -> Path:
    """A job on a mesh, five times its size, in a folder."""
    write_stl(mesh.scaled(5.0), folder / "bad.stl", "bad")
    path = folder / "bad.toml"
    path.write_text(JOB.format(mend=mend, z=5 * z, reach=reach))
    return path


def made(folder: Path, mesh: Mesh, z: float, **more: str) -> Result:
    job = read_job(run(folder, mesh, z, **more))
    return make(prepare(*load(job, folder), job), job)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("open_eyelid", "a hole 200.00 mm round at (25.00, 0.00, 75.00) mm"),
        ("t_junction", "a hole 100.00 mm round at (50.00, 0.00, 75.00) mm"),
        ("flipped_faces", "4 edges of faces that disagree, the first at"),
        ("duplicated_faces", "5 edges of three or more faces, the first at"),
        ("internal_wall", "2 edges of three or more faces, the first at (0.00, 0.00, 75.00) mm"),
        ("three_face_edge", "1 edge of three or more faces, at (0.00, 0.00, 75.00) mm"),
        ("loose_sheet", "a hole 134.85 mm round at (67.50, 25.00, 75.00) mm"),
    ],
)
def test_an_unmended_figure_is_parted_where_it_is_sound_and_its_flaws_are_told(
    tmp_path, name, says
):
    result = made(tmp_path, bad(name), 5)
    assert len(result.pieces) == 2 and result.joints[0].pegs
    (warning,) = [w for w in result.warnings if "not watertight" in w]
    assert warning.startswith("Piece 2 is not watertight because the figure is not: it has ")
    assert says in warning and warning.count(". ") == 0
    closed, volume = result.checks[:2]
    assert closed.found == "2 pieces are closed, but for piece 2 where the figure itself is not"
    assert volume.name == "volume"
    assert result.pieces[0].mesh.is_closed and not result.pieces[1].mesh.is_closed
    out = write(result, tmp_path / "out")
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert warning in report["warnings"]
    (files,) = [c["found"] for c in report["checks"] if c["check"] == "files"]
    assert "1 as open as they were" in files


@pytest.mark.parametrize("name", ["open_eyelid", "flipped_faces", "internal_wall"])
def test_an_unmended_figure_is_refused_where_it_is_not_sound(tmp_path, capsys, name):
    assert main([str(run(tmp_path, bad(name), 15)), "--quiet"]) == 2
    said = capsys.readouterr().err
    assert re.search(r"Seam 'low': the section .* at \((0|50)\.0, 0\.0, 75\.0\) mm", said)
    assert said.count("\n") == 1 and not (tmp_path / "bad-pieces").exists()


def test_a_mended_figure_needs_no_warning(tmp_path):
    for name in ("open_eyelid", "flipped_faces", "duplicated_faces", "overlapping_shells"):
        result = made(tmp_path, bad(name), 15, mend="true")
        assert len(result.pieces) == 2 and result.warnings == ()
        assert all(p.mesh.is_closed for p in result.pieces)


def test_what_mending_must_leave_does_not_stop_a_seam_elsewhere(tmp_path):
    result = made(tmp_path, bad("loose_sheet"), 5, mend="true")
    assert any("sheet" in line for line in result.figure.mended)
    assert sum("not watertight" in w for w in result.warnings) == 1
    with pytest.raises(BadInput, match=r"section is open at \(55\.0, 25\.0, 75\.0\) mm"):
        made(tmp_path, bad("loose_sheet"), 15, mend="true")


def test_overlapping_shells_that_were_not_united_are_told(tmp_path):
    result = made(tmp_path, bad("overlapping_shells"), 2)
    assert len(result.pieces) == 3
    assert any("run into each other at" in w for w in result.warnings)


def test_a_shell_inside_out_stays_so_and_is_told(tmp_path):
    result = made(tmp_path, bad("inside_out_island"), 15, reach="{ nearest = [25, 25, 75] }")
    volumes = sorted(p.mesh.volume for p in result.pieces)
    assert volumes == pytest.approx([-375_000, 187_500, 187_500], rel=0.05)
    (said,) = [w for w in result.warnings if "inside out" in w]
    assert re.match(r"Piece \d is inside out, as it is in the figure, at \(.*\) mm", said)


def test_a_new_gap_is_never_taken_for_an_old_one(tmp_path):
    figure = bad("open_eyelid")
    pieces = take_apart(figure, (seam(5),))
    require_closed(pieces, as_written, figure)
    for k in range(len(pieces[1].mesh.faces)):
        faces = np.arange(len(pieces[1].mesh.faces)) != k
        spoiled = (pieces[0], Piece(2, pieces[1].mesh.subset(faces)))
        with pytest.raises(CheckFailed, match=r"Piece 2 has an open edge at"):
            require_closed(spoiled, as_written, figure)
    with pytest.raises(CheckFailed, match="volumes differ"):
        require_volume(figure, (pieces[0], Piece(2, pieces[1].mesh.scaled(1.001))), ())


def test_a_figure_too_far_out_for_its_files_is_refused_with_its_place(tmp_path):
    job = read_job(run(tmp_path, bad("plain_tower"), 15))
    source = moved(bad("plain_tower"), (1e6, 0.0, 0.0))
    with pytest.raises(BadInput, match=r"reaches to \(1000010\.0, .*0\.062 mm apart.*move it"):
        make(prepare(source, "mm", job), job)
