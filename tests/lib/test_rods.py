"""Rods: channels of exact volume, in order, with their walls, and every rod that cannot be."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.body import Body
from seamwright.checks import require_closed, require_volume
from seamwright.choice import JointChoice
from seamwright.errors import BadInput, CheckFailed
from seamwright.files import as_written
from seamwright.gaps import require_gaps
from seamwright.imprint import jointed
from seamwright.interface import Interface, interfaces
from seamwright.joint_list import to_buy
from seamwright.mesh import Mesh
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile
from seamwright.rod import END_GAP, SIDES, Bore, Rod, bores
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, moved
from seamwright.sizing import joints

FILAMENT = PrinterProfile()
UP = (0.0, 0.0, 1.0)


def union(*parts: Mesh) -> Mesh:
    whole = manifold3d.Manifold.batch_boolean([solid(m) for m in parts], manifold3d.OpType.Add)
    out = whole.to_mesh64()
    return Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))


POST = box(60, 60, 240)


def across(*heights: float, normal: tuple[float, float, float] = UP) -> tuple[Seam, ...]:
    """Seams of the post, at these heights of its middle."""
    return tuple(
        Seam(n, f"seam {n}", (30.0, 30.0, float(z)), normal) for n, z in enumerate(heights, start=1)
    )


def parted(
    figure: Mesh, seams: tuple[Seam, ...]
) -> tuple[tuple[Piece, ...], tuple[Interface, ...]]:
    pieces = take_apart(figure, seams)
    return pieces, interfaces(pieces, seams)


def bored(
    figure: Mesh, seams: tuple[Seam, ...], *rods: Rod, profile: PrinterProfile = FILAMENT
) -> tuple[Bore, ...]:
    pieces, faces = parted(figure, seams)
    return bores(rods, pieces, faces, profile)


def section(radius: float) -> float:
    """Area of the polygon of SIDES sides round a circle, mm²."""
    return float(SIDES * radius**2 * np.tan(np.pi / SIDES))


def spine(low: float = 40.0, high: float = 200.0, across: float = 8.0, **more: float) -> Rod:
    return Rod("spine", (30.0, 30.0, low), (30.0, 30.0, high), across, **more)


# --- volumes in closed form -------------------------------------------------------------------


@pytest.mark.parametrize("clearance", [None, 0.0, 0.5])
def test_each_share_is_a_prism_as_long_as_its_middle_line(clearance):
    rod = spine(clearance=clearance)
    found = bored(POST, across(80, 150), rod)
    radius = 4.0 + (FILAMENT.clearance if clearance is None else clearance)
    lengths = [80 - 40 + END_GAP, 150 - 80, 200 - 150 + END_GAP]
    assert [b.volume for b in found] == pytest.approx([section(radius) * n for n in lengths])
    assert [b.body.volume for b in found] == pytest.approx([b.volume for b in found], rel=1e-12)
    assert [b.body.through for b in found] == [False, True, False]
    assert [len(b.mouths) for b in found] == [1, 2, 1]


LEANS = st.tuples(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6))


@settings(max_examples=25, deadline=None)
@given(
    seam_leans=st.tuples(LEANS, LEANS), start=st.tuples(*[st.floats(22, 38)] * 2),
    end=st.tuples(*[st.floats(22, 38)] * 2), wide=st.floats(1, 12), up=st.booleans(),
)  # fmt: skip
def test_channels_of_any_lean_take_what_they_say_and_leave_closed_pieces(
    seam_leans, start, end, wide, up
):
    seams = tuple(
        replace(seam, normal=(*lean, 1.0 if k else -1.0))
        for k, (seam, lean) in enumerate(zip(across(90, 160), seam_leans, strict=True))
    )
    ends = ((*start, 30.0), (*end, 210.0))
    rod = Rod("spine", *(ends if up else ends[::-1]), wide)
    pieces, faces = parted(POST, seams)
    found = bores((rod,), pieces, faces, FILAMENT)
    assert len(found) == 3
    # However the seams lie, the shares are the whole channel.
    radius = wide / 2 + FILAMENT.clearance
    assert sum(b.volume for b in found) == pytest.approx(
        section(radius) * (rod.length + 2 * END_GAP), rel=1e-9
    )
    after = jointed(pieces, (), found)
    for old, new, bore in zip(pieces, after, sorted(found, key=lambda b: b.piece), strict=True):
        assert bore.piece == old.id
        assert old.mesh.volume - new.mesh.volume == pytest.approx(bore.volume, rel=1e-6)
        assert solid(new.mesh).status() == manifold3d.Error.NoError
        assert bore.wall >= FILAMENT.wall
    require_closed(after, as_written)
    require_volume(POST, after, (), found)
    require_gaps(after, (), (), found, (rod,), FILAMENT.clearance)


def test_a_piece_may_have_several_rods():
    rods = tuple(Rod(f"rod {x}", (x, y, 40.0), (x, y, 200.0), 6.0)
                 for x, y in ((15.0, 15.0), (45.0, 15.0), (30.0, 45.0)))  # fmt: skip
    pieces, faces = parted(POST, across(100))
    found = bores(rods, pieces, faces, FILAMENT)
    assert [b.rod for b in found] == [r.name for r in rods for _ in (0, 1)]
    after = jointed(pieces, (), found)
    require_closed(after, as_written)
    require_volume(POST, after, (), found)


# --- order and what is crossed ------------------------------------------------------------------


@pytest.mark.parametrize("up", [True, False])
def test_shares_come_in_order_along_the_rod_whatever_the_seams_order(up):
    seams = across(150, 60, 100)
    rod = spine() if up else Rod("spine", (30, 30, 200.0), (30, 30, 40.0), 8.0)
    pieces, faces = parted(POST, seams)
    found = bores((rod,), pieces, faces, FILAMENT)
    middle = {p.id: p.mesh.bounds.mean(axis=0)[2] for p in pieces}
    heights = [middle[b.piece] for b in found]
    assert heights == sorted(heights, reverse=not up) and len(found) == 4
    # Each leaves by the interface that the next one enters by.
    order = [k for b in found for k in b.joints]
    names = [faces[k].seam.name for k in dict.fromkeys(order)]
    assert names == (["seam 2", "seam 3", "seam 1"] if up else ["seam 1", "seam 3", "seam 2"])
    assert order[0::2] == order[1::2]


def test_one_limb_s_rod_leaves_the_other_alone():
    legs = union(POST, moved(POST, (120, 0, 0)), box(180, 60, 40, (0, 0, 240)))
    seam = Seam(1, "knees", (0.0, 0.0, 100.0), UP)
    pieces, faces = parted(legs, (seam,))
    found = bores((spine(),), pieces, faces, FILAMENT)
    assert len(faces) == 2 and len(found) == 2
    assert {b.joints for b in found} == {(k,) for k, f in enumerate(faces) if f.centre[0] < 90}


def test_what_to_buy_names_the_rod_its_length_and_its_joints():
    pieces, faces = parted(POST, across(80, 150))
    rod = spine()
    found = bores((rod,), pieces, faces, FILAMENT)
    made = joints(pieces, faces, FILAMENT, bores=found)
    (item,) = to_buy(made, (rod,), found)
    assert (item.what, item.size, item.count, item.joints) == ("rod 'spine'", "8 x 160.0", 1, "A B")


# --- walls --------------------------------------------------------------------------------------


@pytest.mark.parametrize("off", [0.0, 10.0, 18.0])
def test_the_wall_is_measured_to_the_skin(off):
    rod = Rod("spine", (30.0 + off, 30.0, 40.0), (30.0 + off, 30.0, 200.0), 8.0)
    found = bored(POST, across(100), rod)
    radius = 4.0 + FILAMENT.clearance
    for bore in found:
        # The channel's corners lie outside its circle by no more than this.
        assert 30 - off - radius / np.cos(np.pi / SIDES) - 1e-9 <= bore.wall <= 30 - off - radius


def test_the_wall_under_a_blind_end_counts():
    found = bored(POST, across(100), spine(low=8.0))
    assert found[0].wall == pytest.approx(8.0 - END_GAP)
    with pytest.raises(BadInput, match=r"2\.5 mm of wall in piece 1 near"):
        bored(POST, across(100), spine(low=2.5 + END_GAP))


def test_the_wall_is_measured_between_two_rods():
    one, two = spine(), Rod("rib", (41.0, 30.0, 40.0), (41.0, 30.0, 200.0), 8.0)
    found = bored(POST, across(100), one, replace(two, start=(43.0, 30, 40), end=(43.0, 30, 200)))
    assert found[2].wall == pytest.approx(13 - 8.4, abs=0.05)
    with pytest.raises(BadInput, match=r"Rod 'rib' leaves 2\.6 mm of wall in piece 1"):
        bored(POST, across(100), one, two)


def surface_of(body: Body) -> trimesh.Trimesh:
    corners = body.triangles.reshape(-1, 3)
    return trimesh.Trimesh(corners, np.arange(len(corners)).reshape(-1, 3))


@pytest.mark.parametrize("choice", [JointChoice("pegs"), JointChoice("loose pegs"),
                                    JointChoice("magnets", magnet="6x2"),
                                    JointChoice(count=2, width=8.0)])  # fmt: skip
def test_everything_keeps_a_wall_from_the_channel(choice):
    seams = tuple(replace(s, joint=choice) for s in across(120))
    rod = Rod("spine", (30.0, 26.0, 40.0), (30.0, 34.0, 200.0), 8.0)
    pieces, faces = parted(POST, seams)
    found = bores((rod,), pieces, faces, FILAMENT)
    (joint,) = joints(pieces, faces, FILAMENT, bores=found)
    assert joint.pegs or joint.magnets
    for bore in found:
        side = joint.side_of(bore.piece)
        near = surface_of(bore.body)
        for body in joint.bodies(side):
            wanted = 0.0 if body.stands else FILAMENT.wall
            if np.ptp((body.points - joint.frame.origin) @ joint.frame.normal) < 1.0:
                wanted = 1.0  # a mark, which only keeps a margin
            points = trimesh.sample.sample_surface_even(surface_of(body), 500, seed=1)[0]
            gap = trimesh.proximity.closest_point(near, points)[1].min()
            assert gap >= wanted - 1e-6
    after = jointed(pieces, (joint,), found)
    require_closed(after, as_written)
    require_volume(POST, after, (joint,), found)


def test_a_bore_of_another_size_is_found_out():
    pieces, faces = parted(POST, across(120))
    rod = spine()
    found = bores((rod,), pieces, faces, FILAMENT)
    after = jointed(pieces, (), found)
    assert "2 bores" in require_gaps(after, (), (), found, (rod,), FILAMENT.clearance).found
    with pytest.raises(CheckFailed, match=r"'spine' in piece 1, its radius, is 4\.2000"):
        require_gaps(after, (), (), found, (replace(rod, diameter=8.01),), FILAMENT.clearance)
    with pytest.raises(CheckFailed, match="bore of rod 'spine' in piece 1 is missing"):
        require_gaps(pieces, (), (), found, (rod,), FILAMENT.clearance)


# --- rods that cannot be ------------------------------------------------------------------------

YOKE = union(box(40, 40, 200), box(40, 40, 200, (120, 0, 0)), box(160, 40, 40))


@pytest.mark.parametrize(
    ("figure", "start", "end", "wide", "says"),
    [
        (POST, (30, 30, 40), (30, 30, 40), 8, "has no length; give it two ends"),
        (POST, (30, 30, 40), (30, 30, 90), 8, "crosses no seam between"),
        (POST, (30, 30, -90), (30, 30, -40), 8, "crosses no seam between"),
        (POST, (90, 30, 40), (90, 30, 200), 8, "crosses no seam between"),
        (POST, (30, 30, 40), (30, 30, 260), 8, "leaves 0.0 mm of wall in piece 2 near"),
        (POST, (4, 30, 40), (4, 30, 200), 4, "where 3.0 mm are wanted; move it inwards or take"),
        (POST, (3.3, 30, 40), (3.3, 30, 200), 4, "move it inwards."),
        (POST, (30, 30, 40), (30, 30, 200), 59, "of wall in piece 1"),
        (POST, (10, 30, 96), (50, 30, 104), 3, "11° flat in seam 'seam 1'; let it cross"),
        (POST, (30, 30, 60), (75, 30, 200), 6, "leaves 0.0 mm of wall in piece 2 near"),
    ],
)
def test_each_rod_that_cannot_be_is_refused_in_one_sentence(figure, start, end, wide, says):
    with pytest.raises(BadInput, match=says) as caught:
        bored(figure, across(100), Rod("spine", start, end, float(wide)))
    said = str(caught.value)
    assert said.startswith("Rod 'spine'") and said.endswith(".")
    assert ". " not in said and "\n" not in said


def test_a_rod_that_jumps_from_limb_to_limb_is_refused():
    # Up into one leg by its seam, out through the air, and down out of the other by its own.
    reach = Reach("nearest", ((20.0, 20.0, 100.0),)), Reach("nearest", ((140.0, 20.0, 100.0),))
    seams = (
        Seam(1, "left", (20.0, 20.0, 100.0), (0.5, 0.0, 1.0), reach[0]),
        Seam(2, "right", (140.0, 20.0, 100.0), (-0.5, 0.0, 1.0), reach[1]),
    )
    with pytest.raises(BadInput, match=r"leaves piece \d between .* other than through"):
        bored(YOKE, seams, Rod("tie", (5.0, 20.0, 100.0), (155.0, 20.0, 100.0), 4.0))


def test_the_smaller_rod_that_is_named_does_fit():
    rod = Rod("spine", (8.0, 30.0, 40.0), (8.0, 30.0, 200.0), 12.0)
    with pytest.raises(BadInput, match=r"take a rod of [\d.]+ mm or less") as caught:
        bored(POST, across(100), rod)
    smaller = float(str(caught.value).split("a rod of ")[1].split(" mm")[0])
    # It is told to a tenth of a mm.
    found = bored(POST, across(100), replace(rod, diameter=smaller - 0.1))
    assert min(b.wall for b in found) == pytest.approx(FILAMENT.wall, abs=0.15)
