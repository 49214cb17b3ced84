"""Mending: a named bad mesh for every kind of damage, and damage at random."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.errors import BadInput, Cancelled
from seamwright.inspection import inspect
from seamwright.mend import Mended, mend
from seamwright.mesh import Mesh, joined
from seamwright.shapes import box, moved, sphere, torus

CUBE = box(10, 10, 10)
QUAD = [[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]]


def without(mesh: Mesh, *faces: int) -> Mesh:
    return mesh.subset(np.setdiff1d(np.arange(len(mesh.faces)), faces))


def merged(*meshes: Mesh) -> Mesh:
    """All faces, with one vertex where several have the same coordinates."""
    whole = joined(list(meshes))
    vertices, index = np.unique(whole.vertices, axis=0, return_inverse=True)
    return Mesh.of(vertices, index.ravel()[whole.faces])


def soup(mesh: Mesh, noise: float = 0.0) -> Mesh:
    """Every triangle with vertices of its own, each up to `noise` mm off."""
    off = np.random.default_rng(0).uniform(-noise, noise, (3 * len(mesh.faces), 3))
    corners = mesh.vertices[mesh.faces.ravel()] + off
    return Mesh.of(corners, np.arange(len(corners)).reshape(-1, 3))


def with_flipped(mesh: Mesh, chosen: list[int]) -> Mesh:
    faces = mesh.faces.copy()
    faces[chosen] = faces[chosen][:, ::-1]
    return Mesh.of(mesh.vertices, faces)


def with_corners_on_an_edge(fan: bool) -> Mesh:
    """A cube with three corners on the edge from 0 to 1, known to one of its two sides only.

    The other side either leaves the gap (T-junctions) or fills it with a fan of no area.
    """
    vertices = np.concatenate([CUBE.vertices, [[2, 0, 0], [5, 0, 0], [7, 0, 0]]])
    faces = CUBE.faces.tolist()
    split = next(f for f in faces if any(f[i - 1] == 0 and f[i] == 1 for i in range(3)))
    tip = next(v for v in split if v not in (0, 1))
    faces.remove(split)
    chain = [0, 8, 9, 10, 1]
    faces += [[a, b, tip] for a, b in pairwise(chain)]
    if fan:
        faces += [[0, 1, 10], [0, 10, 9], [0, 9, 8]]
    return Mesh.of(vertices, faces)


def voxels(filled: np.ndarray) -> Mesh:
    """Cubes of 10 mm, welded where they touch, with all the walls between them."""
    return merged(*[box(10, 10, 10, tuple(10.0 * i)) for i in np.argwhere(filled)])


def moebius(n: int = 12) -> Mesh:
    turn = 2 * np.pi * np.arange(n) / n
    out = np.stack([np.cos(turn), np.sin(turn), np.zeros(n)], axis=1)
    arm = np.cos(turn / 2)[:, None] * out + np.sin(turn / 2)[:, None] * [0, 0, 1]
    ahead = [(i, n + i, i + 1, n + i + 1) if i < n - 1 else (i, n + i, n, 0) for i in range(n)]
    faces = [f for a, b, c, d in ahead for f in ([a, b, d], [a, d, c])]
    return Mesh.of(np.concatenate([10 * out + 2 * arm, 10 * out - 2 * arm]), faces)


def hollow_foot() -> Mesh:
    """A hollow block whose foot is open: skin and hollow end in the same plane."""
    skin, hollow = box(10, 10, 10), box(6, 6, 8, (2, 2, 0)).flipped()
    foot = [(m.vertices[m.faces][:, :, 2] == 0).all(axis=1) for m in (skin, hollow)]
    return joined([skin.subset(~foot[0]), hollow.subset(~foot[1])])


def wavy_tube(rim: int) -> Mesh:
    """A closed prism about z whose lid, on a rim of a saddle's shape, is missing."""
    turn = 2 * np.pi * np.arange(rim) / rim
    ring = np.stack([10 * np.cos(turn), 10 * np.sin(turn)], axis=1)
    low = np.column_stack([ring, np.zeros(rim)])
    high = np.column_stack([ring, 20 + 2 * np.cos(2 * turn)])
    here, after = np.arange(rim), (np.arange(rim) + 1) % rim
    faces = [
        np.stack([np.full(rim, 2 * rim), after, here], axis=1),
        np.stack([here, after, rim + after], axis=1),
        np.stack([here, rim + after, rim + here], axis=1),
    ]
    return Mesh.of(np.concatenate([low, high, [[0, 0, 0]]]), np.concatenate(faces))


def full_torus() -> Mesh:
    """The torus of 7 vertices in which every two are joined by an edge (Möbius 1861)."""
    i = np.arange(7)
    faces = np.concatenate(
        [np.stack([i, i + 1, i + 3], axis=1), np.stack([i, i + 3, i + 2], axis=1)]
    )
    return Mesh.of(np.random.default_rng(1).normal(size=(7, 3)) * 10, faces % 7)


# Each bad mesh, the volume it should have, and how many shells, once it is mended.
MENDABLE = {
    "a missing face": (without(CUBE, 1), 1000, 1),
    "a hole round a cube's edge": (without(CUBE, 0, 2), 1000, 1),
    "a missing corner": (CUBE.subset(~(CUBE.faces == 0).any(axis=1)), 1000 - 1000 / 6, 1),
    "an open foot": (hollow_foot(), 1000 - 6 * 6 * 8, 1),
    "flipped faces": (with_flipped(CUBE, [2, 5, 8]), 1000, 1),
    "inside out": (CUBE.flipped(), 1000, 1),
    "inside out and torn": (without(CUBE, 4).flipped(), 1000, 1),
    "doubled faces": (Mesh.of(CUBE.vertices, np.repeat(CUBE.faces, 2, axis=0)), 1000, 1),
    "skin from both sides": (merged(CUBE, CUBE.flipped()), 1000, 1),
    "triangle soup": (soup(CUBE), 1000, 1),
    "noisy triangle soup": (soup(CUBE, 3e-6), 1000, 1),
    "a fan of no area": (with_corners_on_an_edge(fan=True), 1000, 1),
    "T-junctions": (with_corners_on_an_edge(fan=False), 1000, 1),
    "a face that names a vertex twice": (
        Mesh.of(CUBE.vertices, [*CUBE.faces.tolist(), [3, 3, 5]]),
        1000,
        1,
    ),
    "a loose vertex": (Mesh.of([*CUBE.vertices.tolist(), [1, 2, 3]], CUBE.faces), 1000, 1),
    "overlapping boxes": (joined([CUBE, box(10, 10, 10, (5, 5, 5))]), 1875, 1),
    "overlapping boxes, one inside out": (
        joined([CUBE, box(10, 10, 10, (5, 5, 5)).flipped()]),
        1875,
        1,
    ),
    "a box in a box": (joined([CUBE, box(4, 4, 4, (3, 3, 3))]), 1000, 1),
    "boxes side by side": (joined([CUBE, box(10, 10, 10, (10, 0, 0))]), 2000, 1),
    "boxes with a wall between": (merged(CUBE, box(10, 10, 10, (10, 0, 0))), 2000, 1),
    "a cavity, all inside out": (
        joined([CUBE, box(4, 4, 4, (3, 3, 3)).flipped()]).flipped(),
        936,
        2,
    ),
    "an island inside out in a cavity": (
        joined([CUBE, box(6, 6, 6, (2, 2, 2)).flipped(), box(2, 2, 2, (4, 4, 4)).flipped()]),
        1000 - 216 + 8,
        3,
    ),
    "a hollow box through another": (
        joined([box(20, 10, 10), box(4, 4, 4, (3, 3, 3)).flipped(), box(10, 20, 10, (10, 0, 0))]),
        3000 - 64,
        2,
    ),
    "cubes that share an edge": (merged(CUBE, box(10, 10, 10, (10, 10, 0))), 2000, 2),
    "cubes that share an edge, one inside out": (
        merged(CUBE, box(10, 10, 10, (10, 10, 0)).flipped()),
        2000,
        2,
    ),
    "cubes that share a corner": (merged(CUBE, box(10, 10, 10, (10, 10, 10))), 2000, 2),
    "a body that touches itself along an edge": (
        voxels(np.array([[[1, 1], [0, 1]], [[0, 1], [1, 1]]])),
        6000,
        1,
    ),
}

SHEETS = {
    "a sheet": Mesh.of(QUAD, [[0, 1, 2], [0, 2, 3]]),
    "a sheet from both sides": Mesh.of(QUAD, [[0, 1, 2], [0, 2, 3], [2, 1, 0], [3, 2, 0]]),
    "a fin on a cube": Mesh.of(
        [*CUBE.vertices.tolist(), [20, 20, 10]], [*CUBE.faces.tolist(), [3, 7, 8]]
    ),
}

SOUND = {
    "a cube": CUBE,
    "a ball": sphere(10, 24),
    "a ring with a ball in its hole": joined([torus(10, 3, 24, 12), sphere(3, 12)]),
    "two cubes apart": joined([CUBE, box(10, 10, 10, (20, 0, 0))]),
    "a hollow cube": joined([CUBE, box(4, 4, 4, (3, 3, 3)).flipped()]),
}


def assert_sound(mended: Mended, volume: float, rel: float = 1e-9) -> None:
    found = inspect(mended.mesh)
    assert mended.mesh.is_closed
    assert found.is_sound, found.lines()
    assert found.volume == pytest.approx(volume, rel=rel)


# --- what is sound stays as it is ----------------------------------------------------


@pytest.mark.parametrize("mesh", SOUND.values(), ids=SOUND.keys())
def test_a_sound_figure_is_not_touched(mesh):
    mended = mend(mesh)
    assert mended.mesh is mesh
    assert mended.done == mended.left == ()


@pytest.mark.parametrize(
    "mesh",
    [case[0] for case in MENDABLE.values()] + list(SHEETS.values()),
    ids=[*MENDABLE, *SHEETS],
)
def test_the_input_is_never_changed(mesh):
    arrays = [mesh.vertices, mesh.faces, mesh.tag]
    before = [a.copy() for a in arrays]
    for a in arrays:
        a.flags.writeable = False
    try:
        mend(mesh)
    finally:
        for a in arrays:
            a.flags.writeable = True
    for a, b in zip(arrays, before, strict=True):
        np.testing.assert_array_equal(a, b)


# --- what can be mended ---------------------------------------------------------------


@pytest.mark.parametrize(("mesh", "volume", "shells"), MENDABLE.values(), ids=MENDABLE.keys())
def test_a_bad_mesh_becomes_sound(mesh, volume, shells):
    mended = mend(mesh)
    assert_sound(mended, volume, rel=1e-7)
    assert inspect(mended.mesh).shells == shells
    assert mended.done
    assert mended.left == ()
    assert mended.mesh.is_closed


@pytest.mark.parametrize("mesh", [case[0] for case in MENDABLE.values()], ids=MENDABLE.keys())
def test_mending_again_does_nothing(mesh):
    once = mend(mesh)
    again = mend(once.mesh)
    assert again.mesh is once.mesh
    assert again.done == ()


def said(name: str, **options) -> tuple[str, ...]:
    return mend(MENDABLE[name][0], **options).done


def test_each_step_says_what_it_did_and_where():
    assert said("a missing face") == (
        "closed 1 hole, the largest 34.14 mm around at (6.67, 3.33, 10.00) mm",
    )
    assert said("flipped faces") == ("turned 3 faces that ran against the neighbours",)
    assert said("inside out") == ("turned 1 shell right side out",)
    assert said("doubled faces") == ("dropped 12 duplicate faces",)
    assert said("skin from both sides")[0] == "dropped 12 duplicate faces"
    assert said("boxes with a wall between") == (
        "dropped 4 faces of walls without thickness inside the solid",
    )
    assert said("triangle soup") == ("welded 28 vertices closer than 1.73e-05 mm",)
    assert said("a fan of no area") == ("turned the long edge of 3 faces of no area",)
    assert said("a face that names a vertex twice") == ("dropped 1 face that named a vertex twice",)
    assert said("a loose vertex") == ("removed 1 loose vertex",)
    assert said("overlapping boxes") == ("united 2 overlapping shells into 1",)
    assert said("cubes that share an edge") == ("parted 1 edge of three or more faces",)
    assert said("cubes that share a corner") == (
        "parted 1 vertex where surfaces met only at a point",
    )


def test_a_t_junction_is_closed_and_its_corners_go_into_the_neighbour():
    mended = mend(MENDABLE["T-junctions"][0])
    assert mended.done == (
        "closed 1 hole, the largest 20.00 mm around at (4.80, 0.00, 0.00) mm",
        "turned the long edge of 3 faces of no area",
    )
    assert inspect(mended.mesh).zero_area_faces.count == 0
    # No corner was lost: the neighbour now has them all.
    assert len(mended.mesh.vertices) == 11
    assert len(mended.mesh.faces) == 18


def test_needles_do_no_harm_and_stay():
    # The edge from 0 to 1 is cut at a vertex 8 that stands where vertex 0 does.
    faces: list[list[int]] = []
    for a, b, c in CUBE.faces.tolist():
        turns = ((a, b, c), (b, c, a), (c, a, b))
        cut = [f for f in turns if set(f[:2]) == {0, 1}]
        faces += [[cut[0][0], 8, cut[0][2]], [8, *cut[0][1:]]] if cut else [[a, b, c]]
    mesh = Mesh.of([*CUBE.vertices.tolist(), [0, 0, 0]], faces)
    assert mesh.is_closed
    assert inspect(mesh).zero_area_faces.count == 2
    mended = mend(mesh)
    assert mended.mesh is mesh
    assert len(mended.left) == 1
    assert mended.left[0].startswith("2 faces of no area, harmless, the first at (")


# --- holes ---------------------------------------------------------------------------


@pytest.mark.parametrize("rim", [24, 150, 320])
def test_a_curved_rim_is_closed_without_folds(rim):
    mended = mend(wavy_tube(rim))
    # Lids ruled along y or along x are the lowest and the highest that do not dent:
    # their mean heights are 19 and 21, because the mean of x² over the disc is 25.
    area = 0.5 * rim * 100 * np.sin(2 * np.pi / rim)
    assert_sound(mended, 20 * area, rel=0.051)
    lid = mended.mesh.subset((mended.mesh.vertices[mended.mesh.faces][:, :, 2] > 10).all(axis=1))
    assert len(lid.faces) == rim - 2
    assert lid.face_vectors[:, 2].min() > 0


def test_a_filling_never_doubles_an_edge_that_is_there():
    corners = [[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10]]
    mended = mend(Mesh.of(corners, [[0, 2, 1], [0, 1, 3]]))
    assert_sound(mended, 1000 / 6)


def test_a_rim_whose_chords_are_all_taken_gets_a_vertex_in_its_middle():
    whole = full_torus()
    mesh = whole.subset(~(whole.faces == 6).any(axis=1))
    assert (len(mesh.vertices), len(mesh.faces)) == (6, 8)
    mended = mend(mesh, unite=False)
    assert mended.mesh.is_closed
    assert (len(mended.mesh.vertices), len(mended.mesh.faces)) == (7, 14)
    rim_middle = mesh.vertices.mean(axis=0)
    np.testing.assert_allclose(mended.mesh.vertices[6], rim_middle, atol=1e-12)


def test_holes_that_touch_at_a_vertex_are_closed_one_by_one():
    ball = sphere(10, 24)
    about = np.flatnonzero((ball.faces == 100).any(axis=1))
    assert len(about) == 6
    a = about[0]
    apart = next(f for f in about if len(np.intersect1d(ball.faces[f], ball.faces[a])) == 1)
    mended = mend(without(ball, a, apart))
    assert mended.done[0].startswith("closed 2 holes")
    assert_sound(mended, ball.volume)


def test_a_triangle_left_alone_in_a_hole_is_taken_into_the_filling():
    ball = sphere(10, 24)
    island = 200
    shared = np.array([len(np.intersect1d(f, ball.faces[island])) for f in ball.faces])
    mended = mend(ball.subset(shared != 2))
    assert_sound(mended, ball.volume)
    assert len(mended.mesh.faces) == len(ball.faces)


def test_an_open_foot_keeps_its_hollow():
    mended = mend(hollow_foot())
    assert mended.done == ("closed 1 hole, the largest 40.00 mm around at (5.00, 5.00, 0.00) mm",)
    foot = mended.mesh.subset((mended.mesh.vertices[mended.mesh.faces][:, :, 2] == 0).all(axis=1))
    assert foot.areas.sum() == pytest.approx(100 - 36)


def test_holes_longer_than_asked_are_left_with_their_place():
    mesh = without(CUBE, 1, 6, 0)
    mended = mend(mesh, max_hole=35)
    assert mended.done == ("closed 1 hole, the largest 34.14 mm around at (6.67, 3.33, 10.00) mm",)
    assert mended.left == (
        "a hole of 4 edges around (5.00, 5.00, 0.00) mm was left open because its rim of "
        "40.00 mm is longer than 35.00 mm",
        "4 edges without two faces, the first at (5.00, 0.00, 0.00) mm",
    )
    assert mend(mesh, max_hole=40).left == ()


def test_holes_are_left_when_asked():
    mesh = without(CUBE, 1)
    mended = mend(mesh, fill_holes=False)
    assert mended.mesh is mesh
    assert mended.done == ()
    assert mended.left == ("3 edges without two faces, the first at (5.00, 0.00, 10.00) mm",)


def test_many_sentences_of_one_kind_are_cut_short():
    cubes = joined([without(box(1, 1, 1, (2.0 * i, 0, 0)), 0) for i in range(14)])
    mended = mend(cubes, max_hole=1)
    assert len(mended.left) == 12
    assert mended.left[10] == "4 more like it"


# --- sheets and surfaces without two sides ------------------------------------------


@pytest.mark.parametrize("name", SHEETS)
def test_what_has_no_thickness_is_left_and_named(name):
    mended = mend(SHEETS[name])
    assert not mended.mesh.is_closed
    assert mended.left[0].startswith("a sheet of ")
    assert "encloses nothing" in mended.left[0]


def test_the_fin_is_left_but_the_cube_it_stood_on_is_closed():
    mended = mend(SHEETS["a fin on a cube"])
    assert mended.left[0].startswith("a sheet of 1 face around (13.33, 13.33, 6.67) mm")
    assert mended.mesh.edge_counts.manifold_flaws.size == 0
    assert_sound(Mended(mended.mesh.subset(mended.mesh.shell_of_face == 0)), 1000)


def test_a_shallow_bowl_is_no_sheet():
    ball = sphere(10, 48)
    bowl = ball.subset((ball.vertices[ball.faces][:, :, 2] > 9).all(axis=1))
    assert mend(bowl).mesh.is_closed


def test_a_moebius_strip_is_left_and_named():
    mended = mend(moebius())
    assert mended.left[0].startswith("24 faces of a one-sided surface, the first at (")
    assert not mended.mesh.is_closed


def test_nothing_but_collapsed_faces_leaves_nothing():
    mended = mend(Mesh.of([[0, 0, 0], [1, 0, 0]], [[0, 1, 1], [0, 0, 1]]))
    assert len(mended.mesh.faces) == 0
    assert mended.left == ("no faces are left, because none of them enclosed anything",)


# --- welding, uniting, tags ----------------------------------------------------------


def test_welding_goes_as_far_as_asked():
    halves = soup(CUBE, 0.01)
    assert not mend(halves, fill_holes=False).mesh.is_closed
    mended = mend(halves, weld_distance=0.05)
    assert mended.done[0] == "welded 28 vertices closer than 0.05 mm"
    assert_sound(mended, 1000, rel=0.01)


def test_welding_keeps_closed_detail_apart():
    # Two plates a hundredth of the weld distance apart, and one torn cube beside them.
    plates = [box(5, 5, 1), box(5, 5, 1, (0, 0, 1.0001)), without(box(5, 5, 5, (20, 0, 0)), 0)]
    mended = mend(joined(plates), weld_distance=0.01)
    assert_sound(mended, 25 + 25 + 125)
    assert inspect(mended.mesh).shells == 3


def test_shells_stay_apart_when_asked():
    mesh = joined([CUBE, box(10, 10, 10, (5, 5, 5))])
    assert mend(mesh, unite=False).mesh is mesh


def test_uniting_keeps_tags_and_the_vertices_of_flat_places():
    ball = sphere(10, 24)
    tagged = Mesh.of(ball.vertices, ball.faces, np.full(len(ball.faces), 3))
    other = Mesh.of(CUBE.vertices, CUBE.faces, np.full(12, 7))
    far = Mesh.of(CUBE.vertices + 100, CUBE.faces, np.full(12, 9))
    mesh = mend(joined([tagged, other, far])).mesh
    assert set(mesh.tag.tolist()) == {3, 7, 9}
    on_ball = np.abs(np.linalg.norm(mesh.vertices[mesh.faces], axis=2) - 10).max(axis=1) < 1e-9
    assert set(mesh.tag[on_ball].tolist()) <= {3, 7}
    assert (mesh.tag[(mesh.vertices[mesh.faces] > 99).all(axis=(1, 2))] == 9).all()
    # The ball's own vertices outside the cube are all there still.
    outside = ball.vertices[(ball.vertices < 0).any(axis=1)]
    kept = {tuple(v) for v in mesh.vertices.tolist()}
    assert all(tuple(v) in kept for v in outside.tolist())


def test_an_open_shell_is_left_out_of_the_union():
    torn = without(box(10, 10, 10, (5, 5, 5)), 0, 6)
    mended = mend(joined([CUBE, torn]), fill_holes=False)
    assert mended.done == ()
    assert len(mended.mesh.faces) == 22


def test_a_filling_is_skin():
    tagged = Mesh.of(CUBE.vertices, CUBE.faces, np.full(12, 4))
    assert sorted(mend(without(tagged, 3)).mesh.tag.tolist()) == [0] + 11 * [4]


# --- progress, and what is refused -----------------------------------------------------


def test_progress_runs_from_nothing_to_all():
    told: list[tuple[float, str]] = []
    mend(CUBE, progress=lambda done, what: told.append((done, what)))
    shares = [done for done, _ in told]
    assert shares[0] == 0 and shares[-1] == 1
    assert shares == sorted(shares)
    assert all(what for _, what in told)


def test_progress_may_cancel():
    def stop(done: float, what: str) -> None:
        raise Cancelled(f"stopped before {what}")

    with pytest.raises(Cancelled, match="stopped before welding"):
        mend(CUBE, progress=stop)


@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
@pytest.mark.parametrize("name", ["weld_distance", "max_hole"])
def test_lengths_that_are_none_are_refused(name, value):
    with pytest.raises(BadInput, match=f"{name} is .*; give a length of 0 mm or more"):
        mend(CUBE, **{name: value})


def test_no_faces_are_refused():
    with pytest.raises(BadInput, match="no faces to mend"):
        mend(Mesh.of([[0, 0, 0]], []))


# --- damage at random --------------------------------------------------------------


BALL = sphere(10, 24)
INDEX = st.integers(0, len(BALL.faces) - 1)


@settings(max_examples=60, deadline=None)
@given(
    # Up to six: with seven gone a triangle can be left that hangs on by one vertex.
    gone=st.sets(INDEX, max_size=6),
    flipped=st.sets(INDEX, max_size=60),
    seed=st.integers(0, 2**32 - 1),
    as_soup=st.booleans(),
)
def test_a_damaged_ball_becomes_a_ball_again(gone, flipped, seed, as_soup):
    rng = np.random.default_rng(seed)
    faces = with_flipped(BALL, sorted(flipped)).faces
    faces = np.delete(faces, sorted(gone), axis=0)
    faces = rng.permutation(faces)
    turn = rng.integers(0, 3, len(faces))
    faces = np.take_along_axis(faces, (np.arange(3) + turn[:, None]) % 3, axis=1)
    mesh = Mesh.of(BALL.vertices, faces)
    mended = mend(soup(mesh) if as_soup else mesh)
    assert_sound(mended, BALL.volume, rel=0.01)
    assert len(mended.mesh.faces) == len(BALL.faces)


@pytest.mark.parametrize("seed", range(8))
def test_a_ball_torn_to_rags_is_closed_or_said_to_be_open(seed):
    rng = np.random.default_rng(seed)
    mended = mend(soup(BALL.subset(rng.random(len(BALL.faces)) > 0.25)))
    assert mended.mesh.is_closed or mended.left
    assert mended.mesh.volume == pytest.approx(BALL.volume, rel=0.1)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 2**18 - 1), st.booleans(), st.integers(0, 99))
def test_cubes_in_a_grid_become_their_sum(bits, welded, seed):
    filled = np.array([bits >> i & 1 for i in range(18)], dtype=bool).reshape(2, 3, 3)
    cubes = [box(10, 10, 10, tuple(10.0 * i)) for i in np.argwhere(filled)]
    mesh = merged(*cubes) if welded else joined(cubes)
    order = np.random.default_rng(seed).permutation(len(mesh.faces))
    mended = mend(Mesh.of(mesh.vertices, mesh.faces[order]))
    assert_sound(mended, 1000.0 * filled.sum())


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(4, 10), st.integers(1, 40))
def test_no_heap_of_triangles_breaks_it(seed, vertices, faces):
    rng = np.random.default_rng(seed)
    heap = Mesh.of(rng.normal(size=(vertices, 3)), rng.integers(0, vertices, (faces, 3)))
    assert inspect(heap).lines()
    mended = mend(heap)
    assert mended.mesh.is_closed or mended.left


def test_a_ball_moved_far_from_the_origin_is_mended_the_same():
    torn = without(BALL, 5, 50, 150)
    far = mend(moved(torn, (1e5, -2e5, 3e5)))
    assert_sound(far, mend(torn).mesh.volume, rel=1e-6)
