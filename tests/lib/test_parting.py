"""Taking figures apart: closed pieces of the right volumes, tags, reach, loops and order."""

from __future__ import annotations

from itertools import pairwise, permutations

import manifold3d
import numpy as np
import pytest
import trimesh

from seamwright.errors import BadInput, Cancelled
from seamwright.mend import mend
from seamwright.mesh import SKIN, Mesh, joined
from seamwright.parting import encloses, part, slits, solids
from seamwright.pieces import Piece, take_apart
from seamwright.seam import Reach, Seam, reached
from seamwright.section import section
from seamwright.shapes import box, moved, revolved, sphere, torus

UP = (0.0, 0.0, 1.0)


def seam(number: int, point, normal, reach: Reach | None = None, **more) -> Seam:
    return Seam(number, f"seam {number}", tuple(point), tuple(normal), reach or Reach(), **more)


def regions(*numbers: int) -> Reach:
    return Reach("regions", regions=numbers)


def nearest(*points: tuple[float, float, float]) -> Reach:
    return Reach("nearest", points)


def united(*meshes: Mesh) -> Mesh:
    """The union of closed meshes, by Manifold."""
    whole = manifold3d.Manifold.batch_boolean([solid(m) for m in meshes], manifold3d.OpType.Add)
    out = whole.to_mesh64()
    return Mesh.of(out.vert_properties[:, :3], out.tri_verts.astype(np.int32))


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))


def blocks(*cells: tuple[int, int, int]) -> Mesh:
    """The surface of unit cubes at whole places, vertices shared."""
    filled = set(cells)
    number: dict[tuple[int, int, int], int] = {}
    faces = []
    for cell in sorted(filled):
        for axis in range(3):
            for side in (0, 1):
                beyond = list(cell)
                beyond[axis] += 2 * side - 1
                if tuple(beyond) in filled:
                    continue
                quad = []
                for du, dv in ((0, 0), (1, 0), (1, 1), (0, 1)):
                    corner = list(cell)
                    corner[axis] += side
                    corner[(axis + 1) % 3] += du
                    corner[(axis + 2) % 3] += dv
                    quad.append(number.setdefault(tuple(corner), len(number)))
                quad = quad if side else quad[::-1]
                faces += [[quad[0], quad[1], quad[2]], [quad[0], quad[2], quad[3]]]
    mesh = Mesh.of(np.array(list(number), dtype=float), faces)
    assert mesh.is_closed and mesh.volume == pytest.approx(len(filled))
    return mesh


def assert_sound(figure: Mesh, seams: tuple[Seam, ...], pieces: tuple[Piece, ...]) -> None:
    """Everything that must hold of any figure taken apart."""
    for piece in pieces:
        mesh = piece.mesh
        assert mesh.is_closed and mesh.volume > 0
        assert solid(mesh).status() == manifold3d.Error.NoError
        checked = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        assert checked.is_watertight and checked.is_winding_consistent
        assert set(np.unique(mesh.tag)) <= {SKIN, *(s.id for s in seams)}
        assert len(np.unique(mesh.faces)) == len(mesh.vertices)
    total = sum(p.mesh.volume for p in pieces)
    assert total == pytest.approx(figure.volume, rel=1e-9)
    skin = sum(p.mesh.areas[p.mesh.tag == SKIN].sum() for p in pieces)
    assert skin == pytest.approx(figure.areas.sum(), rel=1e-9)
    for s in seams:
        a, b = side_areas(pieces, s)
        assert a == pytest.approx(b, rel=1e-9, abs=1e-9)
    assert [p.id for p in pieces] == list(range(1, len(pieces) + 1))
    lows = [p.mesh.bounds[0, 2] for p in pieces]
    assert all(a <= b + 1e-3 for a, b in pairwise(lows))


def side_areas(pieces: tuple[Piece, ...], s: Seam) -> tuple[float, float]:
    """Areas of side A's and side B's faces, after checking that they lie in the plane."""
    a = b = 0.0
    for piece in pieces:
        mine = piece.mesh.tag == s.id
        if not mine.any():
            continue
        corners = piece.mesh.vertices[piece.mesh.faces[mine].ravel()]
        assert np.abs(s.frame.heights(corners)).max() <= 1e-6 * max(1.0, np.abs(corners).max())
        lean = piece.mesh.face_vectors[mine] @ s.frame.normal / 2
        b += lean[lean > 0].sum()
        a -= lean[lean < 0].sum()
    return a, b


def taken(figure: Mesh, *seams: Seam) -> tuple[Piece, ...]:
    pieces = take_apart(figure, seams)
    assert_sound(figure, seams, pieces)
    return pieces


def volumes(pieces: tuple[Piece, ...]) -> list[float]:
    return sorted(p.mesh.volume for p in pieces)


# --- one seam ---------------------------------------------------------------------


def test_a_box_in_two():
    figure = box(10, 20, 30)
    cut = seam(7, (0, 0, 12), UP)
    below, above = taken(figure, cut)
    assert (below.mesh.volume, above.mesh.volume) == pytest.approx((2400, 3600))
    assert side_areas((below, above), cut) == pytest.approx((200, 200))
    # Side A is where the normal points: its face looks down.
    assert (above.mesh.face_vectors[above.mesh.tag == 7][:, 2] < 0).all()
    assert (below.mesh.face_vectors[below.mesh.tag == 7][:, 2] > 0).all()
    assert (below.name, above.name) == ("piece-01", "piece-02")


def test_the_figure_is_not_changed_and_tags_of_its_own_stay():
    figure = Mesh.of(box(2, 2, 2).vertices, box(2, 2, 2).faces, np.full(12, 9))
    before = (figure.vertices.copy(), figure.faces.copy(), figure.tag.copy())
    pieces = take_apart(figure, (seam(1, (0, 0, 1), UP),))
    for now, then in zip((figure.vertices, figure.faces, figure.tag), before, strict=True):
        np.testing.assert_array_equal(now, then)
    assert {int(t) for p in pieces for t in p.mesh.tag} == {1, 9}


def test_no_seam_leaves_the_figure_as_it_is():
    (piece,) = take_apart(sphere(5.0, 12), ())
    assert piece.mesh.volume == pytest.approx(sphere(5.0, 12).volume)


def test_seam_face_area_is_the_section_area():
    figure = torus(20, 7, 30, 18)
    cut = seam(1, (0, 0, 1.5), (0.1, 0.2, 1))
    pieces = taken(figure, cut)
    expected = section(figure, cut.frame).area
    assert side_areas(pieces, cut) == pytest.approx((expected, expected), rel=1e-9)


def test_uncrossed_skin_is_kept_to_the_last_bit():
    figure = moved(sphere(30.0, 40), (0.1, 0.2, 0.3))
    cut = seam(1, (1, 2, 3), (0.3, -0.2, 1))
    side = cut.frame.heights(figure.vertices)[figure.faces]
    uncrossed = (side > 1e-5).all(axis=1) | (side < -1e-5).all(axis=1)
    kept = {
        piece.mesh.vertices[face].tobytes()
        for piece in taken(figure, cut)
        for face in piece.mesh.faces[piece.mesh.tag == SKIN]
    }
    wanted = [figure.vertices[face].tobytes() for face in figure.faces[uncrossed]]
    assert uncrossed.sum() > 1000 and all(face in kept for face in wanted)


@pytest.mark.parametrize("size", [20.0, 1000.0, 3000.0])
@pytest.mark.parametrize("away", [0.0, 1e6])
def test_any_size_anywhere(size, away):
    figure = moved(torus(0.4, 0.1, 40, 20).scaled(size), (away, away, -away))
    cut = seam(1, (away + 0.01 * size, away, -away), (1.0, 0.2, 0.1))
    pieces = take_apart(figure, (cut,))
    assert len(pieces) == 2 and all(p.mesh.is_closed for p in pieces)
    assert sum(volumes(pieces)) == pytest.approx(figure.volume, rel=1e-8)
    a, b = side_areas(pieces, cut)
    assert a == pytest.approx(b, rel=1e-8)


# --- reach ------------------------------------------------------------------------


def body_with_arms() -> Mesh:
    """A trunk with an arm hanging at either side, joined at the shoulders."""
    return united(
        box(20, 12, 60, low=(-10, -6, 0)),
        box(60, 8, 8, low=(-30, -4, 50)),
        box(8, 8, 40, low=(22, -4, 18)),
        box(8, 8, 40, low=(-30, -4, 18)),
    )


def test_a_seam_through_an_arm_leaves_the_body_whole():
    figure = body_with_arms()
    assert len(section(figure, seam(1, (0, 0, 30), UP).frame).regions) == 3
    for reach in (nearest((26, 0, 30)), nearest((33, 5, 34)), regions(3)):
        body, arm = sorted(
            taken(figure, seam(1, (0, 0, 30), UP, reach)), key=lambda p: -p.mesh.volume
        )
        assert arm.mesh.volume == pytest.approx(8 * 8 * 12)
        assert body.mesh.volume == pytest.approx(figure.volume - 8 * 8 * 12)


def test_nearest_takes_one_region_for_each_point():
    figure = body_with_arms()
    both = nearest((26, 0, 30), (-26, 0, 30), (27, 1, 31))
    assert volumes(taken(figure, seam(1, (0, 0, 30), UP, both)))[:2] == pytest.approx([768, 768])


def test_a_seam_through_the_body_leaves_the_arms_whole():
    figure = body_with_arms()
    legs, rest = sorted(
        taken(figure, seam(1, (0, 0, 30), UP, regions(1))), key=lambda p: p.mesh.volume
    )
    assert legs.mesh.volume == pytest.approx(20 * 12 * 30)
    assert rest.mesh.bounds[0].tolist() == [-30, -6, 18]


def test_all_takes_everything_in_the_plane():
    pieces = taken(body_with_arms(), seam(1, (0, 0, 30), UP))
    assert volumes(pieces)[:3] == pytest.approx([768, 768, 7200]) and len(pieces) == 4


def test_two_seams_in_one_plane_take_an_arm_each():
    figure = body_with_arms()
    pieces = taken(
        figure,
        seam(1, (0, 0, 30), UP, nearest((26, 0, 30))),
        seam(2, (0, 0, 30), (0, 0, -1), nearest((-26, 0, 30))),
    )
    assert volumes(pieces)[:2] == pytest.approx([768, 768]) and len(pieces) == 3


def test_an_unknown_region_is_named_with_those_there_are():
    with pytest.raises(BadInput, match=r"there is no region 4; its section has 3: region 1 \(240"):
        take_apart(body_with_arms(), (seam(1, (0, 0, 30), UP, regions(1, 4)),))


def test_a_seam_that_misses_says_so():
    for point in ((0, 0, 61), (0, 0, 60), (0, 0, -0.1)):
        with pytest.raises(BadInput, match="'seam 1' misses the figure"):
            take_apart(body_with_arms(), (seam(1, point, UP),))


@pytest.mark.parametrize("reach", [Reach("nearest"), Reach("regions")])
def test_a_reach_without_its_point_or_regions_is_refused(reach):
    with pytest.raises(BadInput, match="reach"):
        take_apart(box(1, 1, 1), (seam(1, (0, 0, 0.5), UP, reach),))


def test_an_open_section_is_refused_with_a_place():
    whole = box(10, 10, 10)
    leaky = whole.subset(whole.face_vectors[:, 0] <= 0)
    frame = seam(1, (0, 0, 3), UP)
    with pytest.raises(BadInput, match=r"open at \(10\.0, (0|10)\.0, 3\.0\) mm"):
        reached(frame, section(leaky, frame.frame))


# --- loops and coils --------------------------------------------------------------


def test_one_region_of_a_ring_leaves_it_in_one_solid_and_names_the_other():
    ring = torus(20, 5, 24, 12)
    for mine, other in ((1, 2), (2, 1)):
        with pytest.raises(BadInput, match=f"in one solid.* through region {other} ") as error:
            take_apart(ring, (seam(1, (0, 0, 0), (0, 1, 0), regions(mine)),))
        assert "(75 mm² at" in str(error.value) and "add it" in str(error.value)
    assert volumes(taken(ring, seam(1, (0, 0, 0), (0, 1, 0)))) == pytest.approx(
        [ring.volume / 2] * 2
    )


def test_only_the_regions_that_tie_are_named():
    # A ladder: two stiles, two rungs. Cutting one stile between the rungs, the other stile
    # ties; the peg that stands beside it in the same plane does not.
    ladder = united(
        box(4, 4, 60),
        box(4, 4, 60, low=(20, 0, 0)),
        box(20, 4, 4, low=(2, 0, 10)),
        box(20, 4, 4, low=(2, 0, 46)),
        box(3, 3, 30, low=(10, 0, 12)),
    )
    cut = seam(1, (0, 0, 30), UP, nearest((2, 2, 30)))
    frame = cut.frame
    whole = section(ladder, frame)
    other = 1 + whole.nearest((22, 2, 30))
    with pytest.raises(BadInput) as error:
        take_apart(ladder, (cut,))
    assert f"region {other} (16 mm² at (22.0, 2.0, 30.0) mm)" in str(error.value)
    assert str(error.value).count("region ") == 1
    three = taken(ladder, seam(1, (0, 0, 30), UP, regions(*sorted({other, 3 - other}))))
    assert len(three) == 2


def test_a_ring_parted_by_two_seams_of_one_region_each():
    ring = torus(20, 5, 24, 12)
    pieces = taken(
        ring,
        seam(1, (20, 0, 0), (0, 1, 0), nearest((20, 0, 0))),
        seam(2, (0, 20, 0), (1, 0, 0), nearest((0, 20, 0))),
    )
    assert volumes(pieces) == pytest.approx([ring.volume / 4, 3 * ring.volume / 4])


@pytest.mark.parametrize("side", [-10, 60])
@pytest.mark.parametrize("split", [10.0, 30.0, 50.0])
def test_a_tie_is_found_where_another_seam_stops_at_the_belt(side, split):
    # The belt's one upper face lies on two lower ones, of which a handle ties one back to
    # the top. Whichever of the two is the larger, the handle must be named.
    inward = -4 if side > 0 else 0
    figure = united(
        box(60, 20, 120),
        box(14, 6, 6, low=(side + inward, 7, 100)),
        box(14, 6, 6, low=(side + inward, 7, 20)),
        box(6, 6, 86, low=(side + 4 if side > 0 else side, 7, 20)),
    )
    belt = seam(1, (0, 0, 60), UP, nearest((30, 10, 60)))
    back = seam(2, (split, 0, 0), (1, 0, 0), nearest((split, 10, 20)), stops_at=("seam 1",))
    with pytest.raises(BadInput, match=r"'seam 1' leaves .+ through region 2 \(36 mm²"):
        take_apart(figure, (belt, back))


def test_a_tie_is_found_where_faces_of_both_sides_lie_on_each_other_in_part():
    # Divided at 20 below the belt and at 30 above it, the right half below and the left half
    # above share a strip of 10 in which neither has its middle. A handle ties those two.
    figure = united(
        box(60, 20, 120),
        box(6, 6, 86, low=(10, 24, 20)),
        box(6, 14, 6, low=(10, 16, 100)),
        box(36, 6, 6, low=(10, 24, 20)),
        box(6, 14, 6, low=(40, 16, 20)),
    )
    belt = seam(1, (0, 0, 60), UP, nearest((30, 10, 60)))
    low = seam(2, (20, 0, 0), (1, 0, 0), nearest((20, 10, 40)), stops_at=("seam 1",))
    high = seam(3, (30, 0, 0), (1, 0, 0), nearest((30, 10, 80)), stops_at=("seam 1",))
    with pytest.raises(BadInput, match=r"'seam 1' leaves .+ through region 2 \(36 mm²"):
        take_apart(figure, (belt, low, high))


def test_a_hand_on_the_hip_comes_off_at_shoulder_and_wrist():
    figure = united(
        box(20, 10, 60, low=(-10, -5, 0)),
        box(30, 6, 6, low=(5, -3, 50)),
        box(6, 6, 40, low=(29, -3, 16)),
        box(30, 6, 6, low=(5, -3, 16)),
    )
    shoulder = seam(1, (15, 0, 53), (1, 0, 0), nearest((15, 0, 53)))
    wrist = seam(2, (12, 0, 19), (1, 0, 0), nearest((12, 0, 19)))
    with pytest.raises(BadInput, match="'seam 1' leaves the figure in one solid"):
        take_apart(figure, (shoulder,))
    pieces = taken(figure, shoulder, wrist)
    assert volumes(pieces)[0] == pytest.approx(36 * (20 + 23) + 36 * 28) and len(pieces) == 2


def test_a_coil_may_pass_from_one_side_of_its_seam_to_the_other():
    # An S lying down: the plane meets it three times. With the first and the last region
    # taken it falls in three, of which the middle one is above the plane at one seam face
    # and below it at the other: nothing is tied together.
    coil = blocks(
        (0, 0, 0), (0, 0, 1), (0, 0, 2), (1, 0, 2), (2, 0, 2), (2, 0, 1), (2, 0, 0),
        (3, 0, 0), (4, 0, 0), (4, 0, 1), (4, 0, 2),
    )  # fmt: skip
    plane = (0, 0, 1.5)
    reach = nearest((0.5, 0.5, 1.5), (4.5, 0.5, 1.5))
    assert volumes(taken(coil, seam(1, plane, UP, reach))) == pytest.approx([1.5, 1.5, 8])
    assert len(taken(coil, seam(1, plane, UP))) == 4


# --- several seams ----------------------------------------------------------------


def test_two_crossing_seams_make_four_and_three_make_eight():
    figure = box(10, 20, 30)
    x, y, z = seam(1, (4, 0, 0), (1, 0, 0)), seam(2, (0, 5, 0), (0, 1, 0)), seam(3, (0, 0, 9), UP)
    assert volumes(taken(figure, x, y)) == pytest.approx([600, 900, 1800, 2700])
    expected = sorted(a * b * c for a in (4, 6) for b in (5, 15) for c in (9, 21))
    assert volumes(taken(figure, x, y, z)) == pytest.approx(expected)


def test_seams_that_cross_in_one_line():
    wedge = [
        seam(k, (0, 0, 0), (np.sin(t), np.cos(t), 0)) for k, t in ((1, 0.1), (2, 1.2), (3, 2.2))
    ]
    tube = revolved(np.array([0, 10, 10, 0.0]), np.array([0, 0, 5, 5.0]), 36)
    assert len(taken(tube, *wedge)) == 6


def test_order_of_seams_does_not_change_the_pieces():
    figure = joined([sphere(20.0, 24), moved(torus(15, 4, 20, 10), (60, 0, 0))])
    seams = (
        seam(1, (1, 2, 3), (1, 0.2, 0.3), nearest((0, 0, 0))),
        seam(2, (0, 1, -2), (-0.1, 1, 0.4)),
        seam(3, (0, 0, 2), (0.02, 0.1, 1), regions(1, 2)),
    )
    expected = None
    for order in permutations(seams):
        found = [(p.id, round(p.mesh.volume, 6)) for p in taken(figure, *order)]
        expected = expected or found
        assert found == expected and len(found) > 8


def test_a_later_seam_cuts_an_earlier_seams_faces_alike_on_both_sides():
    figure = sphere(25.0, 40)
    pieces = taken(figure, seam(1, (0, 0, 3), (0.2, 0.1, 1)), seam(2, (2, 0, 0), (1, 0.3, 0.1)))
    assert len(pieces) == 4
    for tag in (1, 2):
        points = [
            {v.tobytes() for v in p.mesh.vertices[np.unique(p.mesh.faces[p.mesh.tag == tag])]}
            for p in pieces
        ]
        assert all(any(a & b for b in points if b is not a) for a in points)


def test_a_seam_that_stops_at_another_divides_one_side_only():
    figure = box(10, 20, 30)
    belt = seam(1, (0, 0, 12), UP)
    back = seam(2, (4, 0, 0), (1, 0, 0), nearest((4, 10, 5)), stops_at=("seam 1",))
    for order in ((belt, back), (back, belt)):
        assert volumes(taken(figure, *order)) == pytest.approx([4 * 240, 6 * 240, 3600])


def test_seams_that_stop_at_nothing_or_at_each_other_are_refused():
    ends = seam(1, (4, 0, 0), (1, 0, 0), stops_at=("belt",))
    with pytest.raises(BadInput, match="'seam 1' stops at 'belt', which is not there"):
        take_apart(box(10, 20, 30), (ends,))
    ring = (
        seam(1, (4, 0, 0), (1, 0, 0), stops_at=("seam 2",)),
        seam(2, (0, 4, 0), (0, 1, 0), stops_at=("seam 1",)),
    )
    with pytest.raises(BadInput, match="'seam 1', 'seam 2' stop at each other"):
        take_apart(box(10, 20, 30), ring)


def test_parting_where_nothing_is_wanted_gives_the_mesh_back():
    figure = joined([box(2, 2, 2), box(2, 2, 2, low=(9, 0, 0))])
    s = seam(1, (0, 0, 1), UP)
    wanted = section(box(2, 2, 2, low=(30, 0, 0)), s.frame).regions
    assert part(figure, s, wanted) is figure


# --- hollow figures ---------------------------------------------------------------


def hollow() -> Mesh:
    return joined([box(20, 20, 40), box(10, 10, 10, low=(5, 5, 25)).flipped()])


def test_an_uncut_cavity_stays_with_the_piece_around_it():
    solid_piece, holder = taken(hollow(), seam(1, (0, 0, 15), UP))
    assert solid_piece.mesh.volume == pytest.approx(6000)
    assert holder.mesh.volume == pytest.approx(10_000 - 1000)


def test_a_cut_cavity_opens_in_both_pieces():
    below, above = taken(hollow(), seam(1, (0, 0, 28), UP))
    assert below.mesh.volume == pytest.approx(400 * 28 - 300)
    assert above.mesh.volume == pytest.approx(400 * 12 - 700)


def test_what_floats_in_a_cavity_is_a_piece_with_its_own_cavity():
    nest = joined(
        [
            box(20, 20, 20),
            box(12, 12, 12, low=(4, 4, 4)).flipped(),
            box(6, 6, 6, low=(7, 7, 7)),
            box(2, 2, 2, low=(9, 9, 9)).flipped(),
        ]
    )
    below, above, floating = taken(nest, seam(1, (0, 0, 5), UP))
    assert floating.mesh.volume == pytest.approx(216 - 8)
    assert (below.mesh.volume, above.mesh.volume) == pytest.approx((2000 - 144, 6000 - 144 * 11))
    assert len(taken(nest, seam(1, (0, 0, 10), UP))) == 4


def test_a_ring_shaped_cavity_around_the_seam():
    figure = joined([box(60, 60, 20, low=(-30, -30, -10)), torus(15, 4, 24, 12).flipped()])
    below, above = taken(figure, seam(1, (0, 0, 1), UP))
    assert below.mesh.volume + above.mesh.volume == pytest.approx(figure.volume)


def test_solids_and_winding_numbers():
    pair = joined([hollow(), box(3, 3, 3, low=(40, 0, 0))])
    assert np.unique(solids(pair)).tolist() == [0, 1]
    shell = box(2, 2, 2)
    assert encloses(shell.vertices, shell.faces, np.array([1.0, 0.5, 1.9]))
    assert not encloses(shell.vertices, shell.faces, np.array([1.0, 0.5, 2.1]))


# --- progress ---------------------------------------------------------------------


def test_progress_is_told_and_may_cancel():
    told: list[tuple[float, str]] = []
    seams = (seam(1, (0, 0, 1), UP), seam(2, (1, 0, 0), (1, 0, 0)))
    take_apart(box(3, 3, 3), seams, lambda done, what: told.append((done, what)))
    assert [d for d, _ in told] == [0, 0.5] and "seam 2" in told[1][1]

    def stop(done: float, what: str) -> None:
        raise Cancelled("stopped.")

    with pytest.raises(Cancelled):
        take_apart(box(3, 3, 3), seams, stop)


# --- named minimal meshes: what once went wrong, and what nearly does ----------------


NOTCH = Mesh.of(
    [
        [x, y, z]
        for y in (0.0, 5.0)
        for x, z in ((0, 10), (4, 0), (10, 0), (10, 20), (-10, 20), (-10, 0), (-4, 0))
    ],
    [f for k in range(7) for f in ([k, 7 + k, (k + 1) % 7], [(k + 1) % 7, 7 + k, 7 + (k + 1) % 7])]
    + [f for k in range(1, 6) for f in ([0, k, k + 1], [7, 8 + k, 7 + k])],
)
"""A slab with a notch cut right across from below."""


@pytest.mark.parametrize("normal", [(0, 0, 1), (0, 0, -1)])
def test_a_crease_right_across_the_plane(normal):
    # The crease is an edge of the skin between two vertices of the rim: a triangle of the
    # cap must not make it an edge of four faces.
    below, above = taken(NOTCH, seam(1, (0, 0, 10), normal))
    assert (below.mesh.volume, above.mesh.volume) == pytest.approx((800, 1000))


CUBE = Mesh.of(
    [[0, 0, 0], [0, 2, 0], [0, 2, 2], [0, 0, 2], [2, 0, 0], [2, 2, 0], [2, 2, 2], [2, 0, 2]],
    [
        [3, 2, 1], [3, 1, 0], [4, 5, 6], [4, 6, 7], [7, 3, 0], [7, 0, 4],
        [1, 2, 6], [1, 6, 5], [5, 4, 0], [5, 0, 1], [3, 7, 6], [3, 6, 2],
    ],
)  # fmt: skip


def test_a_needle_in_the_cap_of_a_cube():
    # Where the plane meets a face's diagonal the outline has three points in a row, and
    # the cap's needle there has a normal that rounding may turn.
    for point, normal in (
        ((0, 0, 0), (-1, 2, 2)),
        ((-1, 3, 1), (2, 2, -1)),
        ((1, 1, 1), (1, 1, 0)),
    ):
        pieces = taken(CUBE, seam(1, point, normal))
        assert len(pieces) == 2


def test_a_needle_in_the_cap_of_a_box_however_it_lies():
    rng = np.random.default_rng(6)
    for _ in range(60):
        normal = rng.integers(-3, 4, 3).astype(float)
        if not normal.any():
            continue
        figure = CUBE.scaled(float(rng.integers(1, 4)))
        assert len(taken(figure, seam(1, figure.size / 2 + rng.uniform(-0.3, 0.3, 3), normal))) == 2
        assert len(taken(figure, seam(1, figure.size / 2, normal))) == 2


def test_two_cones_tip_to_tip_in_the_plane():
    # A frame of blocks whose ends touch in one vertex, and in nothing else. The plane goes
    # through that vertex and parts the frame's far side.
    low = [(0, 0, 0), (1, 0, 0), (2, 0, 0), (2, 1, 0), (2, 2, 0)]
    high = [(0, 0, 1), (0, 1, 1), (0, 2, 1), (0, 3, 1), (0, 4, 1), (1, 4, 1), (2, 4, 1), (3, 4, 1),
            (3, 3, 1)]  # fmt: skip
    # The vertex they share is one that mending gives each its own of.
    figure = mend(blocks(*low, *high)).mesh
    assert volumes(taken(figure, seam(1, (0, 0, 1), UP))) == pytest.approx([5, 9])


def test_two_seams_that_meet_in_a_crease():
    # The first seam touches the notch's crease, the second runs along it.
    pieces = taken(NOTCH, seam(1, (0, 0, 10), UP), seam(2, (0, 0, 0), (1, 0, 0)))
    assert volumes(pieces) == pytest.approx([400, 400, 500, 500])
    pieces = taken(NOTCH, seam(2, (0, 0, 0), (1, 0, 0)), seam(1, (0, 0, 10), UP))
    assert volumes(pieces) == pytest.approx([400, 400, 500, 500])


def test_a_seam_along_a_crease_that_a_cap_only_touches():
    # A coarse ring of whole-number corners. The first seam's plane touches the edge at the
    # inside of the ring, so its lower cap runs past a crease of the skin; the second seam
    # runs along that crease and finds a loop without area there, which it must part.
    mesh = torus(10, 4, 5, 3)
    ring = Mesh.of(np.round(mesh.vertices), mesh.faces)
    seams = [seam(1, (8, 0, -3), (1, 0, 0)), seam(2, (8, 0, -3), (0, 1, 0))]
    for order in (seams, seams[::-1]):
        assert volumes(taken(ring, *order)) == pytest.approx([47.1, 47.1, 354.4, 354.4])
    first = section(ring, seams[0].frame)
    parted = part(ring, seams[0], first.regions)
    (piece,) = (p for p in take_apart(ring, (seams[0],)) if p.mesh.volume > 700)
    (slit,) = slits(section(parted, seams[1].frame))
    assert slit.area == pytest.approx(0, abs=1e-9) and slit.perimeter == pytest.approx(12)
    # The same where the crease is in the figure from the start.
    assert volumes(take_apart(piece.mesh, (seams[1],))) == pytest.approx([354.4, 354.4])


def test_a_slit_is_parted_with_the_region_it_touches_or_with_all():
    lower, _ = taken(NOTCH, seam(1, (0, 0, 10), UP))
    # Both lobes of the piece hang together by a line in the plane, and by nothing else.
    cut = seam(2, (0, 0, 0), (1, 0, 0))
    whole = section(lower.mesh, cut.frame)
    assert not whole.regions
    (slit,) = slits(whole)
    assert slit.area == pytest.approx(0, abs=1e-9) and slit.perimeter == pytest.approx(10)


def test_a_vertex_of_the_cavity_in_the_plane():
    octahedron = np.array(
        [[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=float
    )
    faces = [
        [0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4], [1, 0, 5], [2, 1, 5], [3, 2, 5], [0, 3, 5],
    ]  # fmt: skip
    figure = joined([box(8, 8, 8, low=(-4, -4, -4)), Mesh.of(octahedron, faces).flipped()])
    below, above = taken(figure, seam(1, (0, 0, 1), UP))
    assert (below.mesh.volume, above.mesh.volume) == pytest.approx((320 - 4 / 3, 192))


@pytest.mark.parametrize("normal", [(1, 0, 0), (0, 1, 0), (0, 0, 1)])
@pytest.mark.parametrize("at", [1, 2, 3])
def test_blocks_parted_along_their_faces(normal, at):
    # Steps, ledges and a cavity, all with faces in the planes.
    cells = [(x, y, z) for x in range(4) for y in range(4) for z in range(4)]
    gone = {(1, 1, 1), (2, 1, 1), (3, 3, 3), (3, 3, 2), (0, 3, 0), (1, 3, 0), (0, 3, 1)}
    figure = blocks(*(c for c in cells if c not in gone))
    below = sum(1 for c in cells if c not in gone and np.dot(c, normal) < at)
    cut = seam(1, at * np.array(normal, dtype=float), normal)
    pieces = taken(figure, cut)
    heights = [float(cut.frame.heights(p.mesh.vertices).mean()) for p in pieces]
    found = sum(p.mesh.volume for p, h in zip(pieces, heights, strict=True) if h < 0)
    assert found == pytest.approx(below)
