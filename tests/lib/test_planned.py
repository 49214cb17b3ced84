"""Pegs as they are planned: grooves, lead-ins and reliefs that have room, places that hold."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import manifold3d
import numpy as np
import pytest
import shapely

from seamwright.choice import JointChoice
from seamwright.footprint import outline_of, variants
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.joint import Joint, Peg
from seamwright.mesh import Mesh
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile
from seamwright.proof import GROOVES_TRIED, LEAST_END, groove
from seamwright.seam import Seam
from seamwright.shapes import box, revolved
from seamwright.sizing import joints

FILAMENT = PrinterProfile()
UP = (0.0, 0.0, 1.0)
SHAPES = ("square", "rectangle", "D", "hexagon", "cross", "section")


def limb(across: float, length: float = 100.0) -> Mesh:
    r, h = np.array([(0, 0), (across / 2, 0), (across / 2, length), (0, length)], dtype=float).T
    return revolved(r, h, 48)


def star(across: float, dent: float, arms: int = 5) -> Mesh:
    """A prism whose section is dented: arms with hollows between them."""
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    out = across / 2 * (1 + dent * np.cos(arms * turn))
    drawn = manifold3d.CrossSection([out[:, None] * np.stack([np.cos(turn), np.sin(turn)], 1)])
    mesh = manifold3d.Manifold.extrude(drawn, 100.0).to_mesh64()
    return Mesh.of(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts))


def made(
    figure: Mesh, choice: JointChoice, profile: PrinterProfile = FILAMENT
) -> tuple[tuple[Piece, ...], Joint]:
    middle = figure.bounds.mean(axis=0)
    seams = (Seam(1, "waist", (float(middle[0]), float(middle[1]), 50.0), UP, joint=choice),)
    pieces = take_apart(figure, seams)
    (joint,) = joints(pieces, interfaces(pieces, seams), profile)
    return pieces, joint


def assert_sound(joint: Joint) -> None:
    """Every ring is an outline of a sensible size, and each lies in the one above it."""
    for peg in joint.pegs:
        for rings in (joint.peg_rings(peg), joint.socket_rings(peg)):
            drawn = [shapely.Polygon(outline) for outline, _ in rings]
            depths = [depth for _, depth in rings]
            assert all(p.is_valid and p.exterior.is_ccw for p in drawn)
            assert depths == sorted(depths) and depths[0] == 0.0
            for upper, lower in pairwise(drawn):
                assert upper.buffer(1e-9).contains(lower)
                # Neither draft nor lead-in brings a peg to a point.
                assert lower.area > LEAST_END * upper.area


# --- all shapes, sizes and profiles -------------------------------------------------------------


@pytest.mark.parametrize("profile", [FILAMENT, replace(FILAMENT, relief=1.0, draft=4.0),
                                     replace(FILAMENT, lead_in=2.0, clearance=0.4)])  # fmt: skip
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("figure", [limb(44.0), box(90, 34, 100), star(60.0, 0.25)],
                         ids=["limb", "box", "star"])  # fmt: skip
def test_no_ring_of_any_peg_folds(figure: Mesh, shape, profile: PrinterProfile) -> None:
    _, joint = made(figure, JointChoice("pegs", footprint=shape), profile)
    assert joint.pegs
    assert_sound(joint)


@pytest.mark.parametrize("width", [3.0, 6.0, 6.5, 9.0])
def test_the_end_of_a_cross_is_no_spike(width: float) -> None:
    # A whole lead-in is as wide as half an arm of so small a cross.
    pieces, joint = made(limb(60.0), JointChoice(footprint="cross", width=width))
    (peg,) = joint.pegs
    assert_sound(joint)
    rings = joint.peg_rings(peg)
    assert shapely.Polygon(rings[-1][0]).area > 0.2 * shapely.Polygon(rings[0][0]).area
    assert all(p.mesh.is_closed for p in jointed(pieces, (joint,)))


@pytest.mark.parametrize("depth", [0.5, 1.0, 2.0])
def test_a_shallow_peg_has_a_lead_in_of_a_third_of_it_at_most(depth: float) -> None:
    pieces, joint = made(limb(60.0), JointChoice(width=10.0, depth=depth))
    assert joint.pegs[0].depth == depth and joint.lead_in <= depth / 3 + 1e-12
    assert joint.relief <= depth / 4 + 1e-12
    assert_sound(joint)
    assert all(p.mesh.is_closed for p in jointed(pieces, (joint,)))


# --- reliefs ------------------------------------------------------------------------------------


@pytest.mark.parametrize("relief", [0.0, 0.4, 0.8])
@pytest.mark.parametrize("kind", ["pegs", "loose pegs"])
def test_the_mouth_of_each_socket_is_chamfered_at_45_degrees(kind, relief: float) -> None:
    profile = replace(FILAMENT, relief=relief, draft=0.0)
    pieces, joint = made(limb(60.0), JointChoice(kind, marks=False), profile)
    sides = ("A", "B") if joint.loose else (joint.socket_side,)
    after = {p.id: p.mesh for p in jointed(pieces, (joint,))}
    for side in sides:
        mesh = after[joint.piece(side)]
        mine = mesh.face_vectors[mesh.tag == 1]
        lean = np.abs((mine @ joint.frame.normal) / np.linalg.norm(mine, axis=1))
        chamfer = lean[(lean > 0.05) & (lean < 0.99)]
        assert len(chamfer) == (2 * len(joint.pegs[0].outline) if relief else 0)
        np.testing.assert_allclose(chamfer, np.sqrt(0.5), atol=1e-9)
    mouth, entry = joint.mouths()[0], joint.entry(joint.pegs[0])
    gap = shapely.Polygon(mouth).exterior.distance(shapely.Polygon(entry).exterior)
    assert gap == pytest.approx(relief, abs=1e-9)


# --- grooves ------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", SHAPES[:5])
def test_a_groove_leaves_a_channel_from_the_end_to_the_face(shape) -> None:
    _, joint = made(limb(60.0), JointChoice(footprint=shape, width=14.0))
    (peg,) = joint.pegs
    assert peg.groove == pytest.approx(groove(14.0)) == 1.4
    left = shapely.Polygon(peg.outline).difference(shapely.Polygon(peg.solid))
    assert left.area > 0.2 * peg.groove**2
    # Wide enough for glue: at its middle it is deeper than the clearance all round.
    entry = shapely.Polygon(joint.entry(peg))
    channel = entry.difference(shapely.Polygon(peg.solid))
    assert not channel.buffer(-0.6 * joint.clearance).is_empty


def test_a_groove_that_would_undo_the_key_is_less_or_none() -> None:
    # The key of a D of 2.7 mm is just enough for 0.2 mm of clearance.
    _, joint = made(limb(12.0, 100.0), JointChoice())
    (peg,) = joint.pegs
    assert peg.shape == "D" and peg.groove < groove(peg.width)
    tried = [share * groove(peg.width) for share in GROOVES_TRIED]
    assert any(peg.groove == pytest.approx(size) for size in tried)


def test_a_peg_without_a_groove_fills_its_footprint() -> None:
    outline = outline_of("square", 10.0)
    assert Peg("square", outline, 10.0, 9.0, 3.0).solid is outline
    assert len(Peg("square", outline, 10.0, 9.0, 3.0, 1.0).solid) == len(outline) + 1


@pytest.mark.parametrize("width", [2.0, 2.4, 5.0, 8.0, 12.0, 30.0])
def test_every_key_of_every_shape_has_room_for_its_groove(width: float) -> None:
    for shape in SHAPES[:5]:
        for variant in range(variants(shape)):
            outline = outline_of(shape, width, variant)
            solid = Peg(shape, outline, width, width, 3.0, groove(width)).solid
            inner, whole = shapely.Polygon(solid), shapely.Polygon(outline)
            assert inner.is_valid and whole.buffer(1e-9).contains(inner)
            assert 0.8 * whole.area < inner.area < whole.area


# --- places -------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [6.0, 8.0, 10.0, 11.4])
@pytest.mark.parametrize("footprint", ["square", "D", "hexagon"])
def test_smaller_pegs_fit_wherever_larger_ones_do(width: float, footprint) -> None:
    # Their places are the outermost: corners of their sockets reach nearest to the skin there.
    _, joint = made(box(60, 60, 100), JointChoice(count=2, width=width, footprint=footprint))
    assert len(joint.pegs) == 2 and joint.pegs[0].width == width
    assert min(p.wall for p in joint.pegs) >= FILAMENT.wall - 1e-6


@pytest.mark.parametrize("across", [20.0, 33.0, 47.0, 90.0])
def test_the_width_that_is_chosen_can_be_asked_for(across: float) -> None:
    _, joint = made(limb(across), JointChoice())
    (peg,) = joint.pegs
    _, again = made(limb(across), JointChoice(width=peg.width, depth=peg.depth))
    assert (again.pegs[0].width, again.pegs[0].depth) == (peg.width, peg.depth)
    assert again.pegs[0].outline == pytest.approx(peg.outline)
