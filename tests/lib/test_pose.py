"""The best pose of a piece: what is chosen, why, and that it does not hang on chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from seamwright.candidates import candidates, flats, spread
from seamwright.errors import BadInput
from seamwright.frame import Frame
from seamwright.interface import interfaces
from seamwright.mesh import Mesh
from seamwright.pieces import take_apart
from seamwright.pose import Part, Pose, laid, matched, peg_rows, poses
from seamwright.printer import PrinterProfile, printer
from seamwright.seam import Seam
from seamwright.shapes import box, revolved, sphere, torus
from seamwright.sizing import joints
from seamwright.terms import Terms, prepared, shortest_turn, terms
from seamwright.weighting import FILAMENT, RESIN, Rate, weighting_for

PROFILE = PrinterProfile()
WAYS = np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.6, 0.0, 0.8], [-0.48, 0.64, 0.6]])


def united(*parts: Mesh) -> Mesh:
    import manifold3d  # noqa: PLC0415

    solid = manifold3d.Manifold()
    for part in parts:
        solid += manifold3d.Manifold(manifold3d.Mesh64(part.vertices, part.faces.astype(np.uint64)))
    out = solid.to_mesh64()
    return Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))


def tee() -> Mesh:
    return united(box(20, 20, 60, (30, 0, 0)), box(80, 20, 20, (0, 0, 60)))


def turned(mesh: Mesh, turn: np.ndarray) -> Mesh:
    return Mesh(mesh.vertices @ turn.T, mesh.faces, mesh.tag)


def shuffled(mesh: Mesh, seed: int) -> Mesh:
    """The same mesh with vertices, faces and each face's first corner in another order."""
    rng = np.random.default_rng(seed)
    place = rng.permutation(len(mesh.vertices))
    vertices = np.empty_like(mesh.vertices)
    vertices[place] = mesh.vertices
    rows = rng.permutation(len(mesh.faces))
    faces = place[np.roll(mesh.faces[rows], seed % 3, axis=1)]
    return Mesh.of(vertices, faces, mesh.tag[rows])


def fake(down: tuple[float, float, float], cost: float) -> Pose:
    way = np.asarray(down) / np.linalg.norm(down)
    part = Part("height", cost, "mm", cost)
    none = Terms(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    return Pose(shortest_turn(way), way, None, True, none, (part,), "")


# --- what is chosen -----------------------------------------------------------------------


def test_a_tee_prints_upside_down():
    found = poses(tee(), PROFILE)
    best = found[0]
    assert best.terms.overhang == 0.0
    assert best.down == pytest.approx([0, 0, 1]) or abs(best.down[1]) == pytest.approx(1)
    stem_down = next(p for p in found if p.down[2] < -0.999)
    assert best.score < stem_down.score


def test_the_pose_lays_the_piece_on_the_platform():
    mesh = tee()
    for pose in poses(mesh, PROFILE, count=6):
        done = laid(mesh, pose)
        low, high = done.bounds
        assert low[2] == pytest.approx(0, abs=1e-9)
        assert (low + high)[:2] == pytest.approx([0, 0], abs=1e-9)
        assert pose.terms.height == pytest.approx(high[2])
        assert np.allclose(pose.rotation @ pose.rotation.T, np.eye(3))
        assert np.linalg.det(pose.rotation) == pytest.approx(1)
        assert pose.rotation @ pose.down == pytest.approx([0, 0, -1])


def test_poses_come_best_first_and_their_parts_add_up():
    found = poses(tee(), PROFILE)
    scores = [p.score for p in found]
    assert scores == sorted(scores) and len(found) > 5
    for pose in found:
        assert [p.name for p in pose.parts] == list(FILAMENT.rates)
        assert pose.score == pytest.approx(sum(p.minutes for p in pose.parts))
        assert all(p.minutes >= 0 for p in pose.parts)
        assert pose.said.endswith(".") and "cm³ of support" in pose.said


def test_a_seam_face_without_pegs_lies_on_the_platform():
    ball = sphere(30.0, 64)
    pieces = take_apart(ball, (Seam(7, "waist", (0.0, 0.0, 4.0), (0.2, 0.1, 1.0)),))
    normal = Frame.on_plane((0, 0, 4), (0.2, 0.1, 1.0)).normal
    for piece, way in zip(pieces, (normal, -normal), strict=True):
        best = poses(piece.mesh, PROFILE, count=8)[0]
        # The lower half is the larger: its seam face still serves best.
        assert best.down == pytest.approx(way, abs=1e-6)
        assert best.rests_on == 7
        assert "face of seam 7" in best.said


def test_a_face_to_be_kept_clear_is_not_laid_on_supports():
    mesh = sphere(30.0, 48)
    middles = mesh.vertices[mesh.faces].mean(axis=1) / 30.0
    nose = np.array([0.0, -1.0, 0.0])
    best = poses(mesh, PROFILE, keep=middles @ nose > np.cos(np.radians(40.0)))[0]
    # 40° of face and 45° of overhang do not meet.
    assert best.down @ nose < np.cos(np.radians(80.0))
    without = terms(prepared(mesh, PROFILE, angle=45.0), nose).scars
    with_face = prepared(
        mesh, PROFILE, angle=45.0, keep=middles @ nose > np.cos(np.radians(40.0)), keep_worth=5.0
    )
    assert terms(with_face, nose).scars > 3 * without


def test_layers_lie_along_a_peg():
    cube = box(30, 30, 30)
    lying = poses(cube, PROFILE, pegs=[((0, 0, 2.0), 1.0)])[0]
    assert lying.terms.layers == pytest.approx(0, abs=1e-9)
    assert abs(lying.down[2]) < 1e-9
    assert "layers along" in lying.said
    standing = terms(prepared(cube, PROFILE, angle=45.0, pegs=[((0, 0, 2.0), 0.5)]), WAYS[0])
    assert standing.layers == pytest.approx(0.5)
    # Without pegs it is left as it stands.
    assert poses(cube, PROFILE)[0].down == pytest.approx([0, 0, -1])


def test_a_slender_piece_is_a_limb_in_itself():
    pole = box(8, 8, 60)
    row = terms(prepared(pole, PROFILE, angle=45.0), WAYS[0])
    assert row.layers == pytest.approx(1)
    best = poses(pole, PROFILE)[0]
    assert best.terms.height == pytest.approx(8)
    assert best.terms.layers == pytest.approx(0, abs=1e-9)


def test_a_pole_is_not_balanced_on_its_end():
    # At 45° nothing of it hangs over, and nothing holds it up.
    rod = revolved(np.array([0, 8, 8, 0]), np.array([0, 0, 150.0, 150.0]), 48)
    askew = terms(prepared(rod, PROFILE, angle=45.0), np.array([-1.0, 0, -1.02]) / 1.428)
    assert askew.propped == 0.0
    best = poses(rod, PROFILE)[0]
    assert best.terms.propped > 20 or best.terms.tip > 3


def test_resin_stands_a_plate_up():
    plate = box(60, 60, 6)
    profile = printer("resin-218")
    assert weighting_for(profile) is RESIN
    found = poses(plate, profile)
    flat = next(p for p in found if p.down[2] < -0.999)
    assert found[0].terms.suction < flat.terms.suction / 4
    assert poses(plate, PROFILE)[0].terms.height == pytest.approx(6)


def test_a_rate_can_be_changed():
    # Who does not mind supports but hates height lays the tee on its side or the bar.
    tall = box(20, 20, 50)
    cheap = replace(FILAMENT, height=Rate(50.0, "mm", "a trial"))
    assert poses(tall, PROFILE, weighting=cheap)[0].terms.height == pytest.approx(20)


def test_pegs_of_a_piece_are_told():
    seam = Seam(1, "waist", (0.0, 0.0, 50.0), (0.0, 0.0, 1.0))
    pieces = take_apart(box(60, 60, 100), (seam,))
    made = joints(pieces, interfaces(pieces, (seam,)), PROFILE, lambda number, ends: True)
    peg, socket = made[0].peg_piece, made[0].socket_piece
    assert len(peg_rows(peg, made)) == 1 and not peg_rows(socket, made)
    assert abs(peg_rows(peg, made)[0][0] @ np.array([0, 0, 1.0])) == pytest.approx(1)


# --- what fits ----------------------------------------------------------------------------


def test_only_poses_that_fit():
    bar = box(10, 10, 100)
    for pose in poses(bar, PROFILE, fits=(80.0, 80.0, 40.0)):
        assert pose.fits
        assert (laid(bar, pose).size <= np.array([80.0, 80.0, 40.0]) + 1e-5).all()
        assert abs(pose.down[2]) < 0.5


def test_a_function_judges_what_fits():
    bar = box(10, 10, 100)
    seen = []

    def low(points: np.ndarray) -> bool:
        seen.append(len(points))
        return bool(np.ptp(points[:, 2]) < 50)

    found = poses(bar, PROFILE, fits=low)
    assert seen and all(p.terms.height < 50 and p.fits for p in found)
    never = poses(bar, PROFILE, fits=lambda points: False)
    assert never and not any(p.fits for p in never)
    assert "does not fit" in never[0].said


def test_where_no_candidate_fits_the_search_finds_one():
    # Only the build volume's space diagonal will do, to within a degree or so.
    usable, pole = (43.0, 61.0, 77.0), box(2, 2, 103.7)
    (only,) = poses(pole, PROFILE, fits=usable)
    assert only.fits
    assert (laid(pole, only).size <= np.array(usable) + 1e-5).all()
    (none,) = poses(box(2, 2, 120), PROFILE, fits=usable)
    assert not none.fits


# --- chance -------------------------------------------------------------------------------


@given(st.integers(0, 2**31))
@settings(max_examples=5, deadline=None)
def test_terms_do_not_hang_on_how_the_piece_lies(seed):
    turn = Rotation.random(random_state=seed).as_matrix()
    mesh = tee()
    there = prepared(turned(mesh, turn), PROFILE, angle=45.0)
    here = prepared(mesh, PROFILE, angle=45.0)
    for way in WAYS:
        a, b = terms(here, way), terms(there, turn @ way)
        for name in ("overhang", "height", "contact", "tip", "stairs", "layers"):
            assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-6, abs=1e-6)
        assert abs(a.support - b.support) <= a.support_error + b.support_error + 1e-9
        assert a.scars == pytest.approx(b.scars, rel=0.03, abs=1.0)


@given(st.integers(0, 2**31))
@settings(max_examples=3, deadline=None)
def test_the_best_pose_turns_with_the_piece(seed):
    turn = Rotation.random(random_state=seed).as_matrix()
    here, there = (poses(m, PROFILE, count=8)[0] for m in (tee(), turned(tee(), turn)))
    assert here.score == pytest.approx(there.score, rel=0.01)
    # The tee has symmetries: the way down is the same in its height and its contact.
    assert here.terms.height == pytest.approx(there.terms.height)
    assert here.terms.contact == pytest.approx(there.terms.contact)


@pytest.mark.parametrize("seed", range(2))
def test_order_of_faces_and_vertices_does_not_matter(seed):
    mesh = torus(30.0, 9.0, 40, 20)
    first, second = (poses(m, PROFILE, count=12) for m in (mesh, shuffled(mesh, seed)))
    assert [p.score for p in first[:5]] == pytest.approx([p.score for p in second[:5]], rel=1e-6)
    assert np.allclose(first[0].down, second[0].down, atol=1e-6)
    assert first[0].said == second[0].said


def test_the_same_piece_gives_the_same_poses():
    first, second = (poses(tee(), PROFILE, count=6) for _ in range(2))
    assert [p.score for p in first] == [p.score for p in second]
    assert all(np.array_equal(a.rotation, b.rotation) for a, b in zip(first, second, strict=True))


def test_vertices_of_no_face_do_not_matter():
    mesh = tee()
    more = Mesh(np.concatenate([[[0, 0, -500.0]], mesh.vertices]), mesh.faces + 1, mesh.tag)
    first, second = (poses(m, PROFILE, count=4)[0] for m in (more, mesh))
    assert first.terms == second.terms
    assert laid(more, first).vertices[1:, 2].min() == pytest.approx(0)


@given(st.lists(st.floats(-1, 1), min_size=3, max_size=3))
def test_the_shortest_turn(values):
    down = np.array(values)
    if np.linalg.norm(down) < 1e-3:
        down = np.array([1e-9, 0.0, 1.0])
    down /= np.linalg.norm(down)
    turn = shortest_turn(down)
    assert np.allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert turn @ down == pytest.approx([0, 0, -1], abs=1e-12)
    # Trace is 1 + 2 cos of the angle, which is that between the two directions.
    assert np.trace(turn) == pytest.approx(1 + 2 * -down[2], abs=1e-9)


@pytest.mark.parametrize("slight", [1e-4, 1e-8, 1e-11, 1e-13, 0.0])
def test_the_shortest_turn_of_what_points_nearly_up(slight):
    turn = shortest_turn(np.array([slight, 0.0, 1.0]))
    assert np.allclose(turn @ turn.T, np.eye(3), atol=1e-7)


# --- candidates ---------------------------------------------------------------------------


def test_candidates_hold_hull_faces_seam_faces_and_the_sphere():
    pieces = take_apart(sphere(30.0, 32), (Seam(1, "s", (0.0, 0.0, 9.0), (0.3, 0.1, 1.0)),))
    mesh = pieces[1].mesh
    piece = prepared(mesh, PROFILE, angle=45.0)
    found = candidates(mesh, piece.planes, piece.plane_areas, also=[(0, 3.0, 4.0)])
    assert found[0] == pytest.approx([0, 0.6, 0.8])
    assert np.allclose(np.linalg.norm(found, axis=1), 1)
    seam = -Frame.on_plane((0, 0, 9), (0.3, 0.1, 1.0)).normal
    assert (found @ seam).max() == pytest.approx(1, abs=1e-12)
    # Every direction has a candidate within the sphere's spacing, and none comes twice.
    ways = spread(5000)
    assert np.degrees(np.arccos((ways @ found.T).max(axis=1).clip(-1, 1))).max() < 8
    alike = found @ found.T - 2 * np.eye(len(found))
    assert alike.max() < np.cos(np.radians(0.19))


def test_coplanar_faces_are_one_flat():
    mesh = box(10, 20, 30)
    normals = mesh.face_vectors / (2 * mesh.areas[:, None])
    found = flats(normals, mesh.areas, 10, 0.0)
    assert len(found) == 6
    assert abs(found[0][0]) == 1 and abs(found[-1][2]) == 1
    assert len(flats(normals, mesh.areas, 10, 300.0)) == 4


# --- pieces that share a visible seam ----------------------------------------------------


def test_matched_pieces_get_parallel_layers_at_least_cost():
    found = {
        1: [fake((0, 0, -1), 10), fake((1, 0, 0), 30)],
        2: [fake((1, 0, 0), 5), fake((0, 0, 1), 50), fake((0, 1, 0), 1)],
        3: [fake((0, 1, 0), 7)],
    }
    chosen = matched(found, [(1, 2)])
    # 30 + 5 against 10 + 50; layers of up and down are the same.
    assert [chosen[k].score for k in (1, 2, 3)] == [30, 5, 7]
    assert [matched(found, [])[k].score for k in (1, 2, 3)] == [10, 1, 7]


def test_matching_goes_on_through_a_chain():
    found = {k: [fake((0, 0, -1), 10 + k), fake((1, 0, 0), 10)] for k in (1, 2, 3)}
    found[3] = [fake((0, 0, 1), 10), fake((0, 1, 0), 1)]
    chosen = matched(found, [(1, 2), (2, 3)])
    assert all(abs(p.down[2]) == 1 for p in chosen.values())


def test_where_a_chain_has_no_common_direction_pairs_are_matched():
    found = {
        1: [fake((0, 0, -1), 10), fake((0, 1, 0), 1)],
        2: [fake((0, 0, -1), 10), fake((1, 0, 0), 1)],
        3: [fake((1, 0, 0), 10)],
    }
    chosen = matched(found, [(1, 2), (2, 3)])
    assert abs(chosen[1].down[2]) == abs(chosen[2].down[2]) == 1
    assert chosen[3].score == 10


def test_matching_real_pieces():
    low, high = box(60, 50, 12), box(12, 60, 50)
    first = {1: poses(low, PROFILE, count=8), 2: poses(high, PROFILE, count=8)}
    assert abs(first[1][0].down @ first[2][0].down) < 0.1
    both = {
        1: poses(low, PROFILE, alike=[p.down for p in first[2][:4]], count=4),
        2: poses(high, PROFILE, alike=[p.down for p in first[1][:4]], count=4),
    }
    chosen = matched(both, [(1, 2)])
    assert abs(chosen[1].down @ chosen[2].down) == pytest.approx(1, abs=4e-3)
    assert sum(p.score for p in chosen.values()) >= first[1][0].score + first[2][0].score


# --- what cannot be used ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"keep": np.zeros(3, dtype=bool)}, "one per face"),
        ({"pegs": [((0, 0, 0), 1.0)]}, "direction"),
        ({"pegs": [((0, 0, 1), 3.0)]}, "0 to 1"),
        ({"alike": [(0, 0, 0)]}, "alike"),
        ({"alike": [(1, 2)]}, "alike"),
        ({"fits": (10.0, 10.0)}, "usable volume"),
    ],
)
def test_bad_arguments(more, says):
    with pytest.raises(BadInput, match=says):
        poses(box(10, 10, 10), PROFILE, **more)


def test_bad_pieces_and_weightings():
    with pytest.raises(BadInput, match="flat or empty"):
        poses(Mesh.of(np.eye(3), [[0, 1, 2]]), PROFILE)
    with pytest.raises(BadInput, match="flat or empty"):
        poses(Mesh.of(np.zeros((0, 3)), []), PROFILE)
    with pytest.raises(BadInput, match="overhang angle"):
        replace(FILAMENT, overhang_angle=90.0)
    with pytest.raises(BadInput, match="rate of scars"):
        replace(FILAMENT, scars=Rate(-1.0, "cm²", ""))
    with pytest.raises(BadInput, match="Piece 2"):
        matched({1: [fake((0, 0, 1), 1)], 2: []}, [(1, 2)])
