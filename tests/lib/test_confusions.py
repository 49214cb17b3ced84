"""Pegs and sockets that could be confused: keys differ between joints, and no joint lacks one."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import manifold3d
import numpy as np
import pytest

from seamwright.choice import AUTO, JointChoice
from seamwright.errors import CheckFailed
from seamwright.footprint import outline_of, variants
from seamwright.interface import interfaces
from seamwright.joint import Joint, Peg
from seamwright.mesh import Mesh, joined
from seamwright.offsets import mirrored
from seamwright.pieces import take_apart
from seamwright.printer import PrinterProfile
from seamwright.proof import groove, mistaken, require_one_way
from seamwright.seam import Seam
from seamwright.shapes import box, moved, revolved
from seamwright.sizing import joints

FILAMENT = PrinterProfile()
UP = (0.0, 0.0, 1.0)


def limb(across: float, length: float) -> Mesh:
    r, h = np.array([(0, 0), (across / 2, 0), (across / 2, length), (0, length)], dtype=float).T
    return revolved(r, h, 48)


def limbs(count: int, across: float, choice: JointChoice = AUTO) -> tuple[Joint, ...]:
    """The joints of one seam across limbs that are all alike."""
    figure = joined([moved(limb(across, 120), (2 * across * k, 0, 0)) for k in range(count)])
    seams = (Seam(1, "cut", (0.0, 0.0, 60.0), UP, joint=choice),)
    pieces = take_apart(figure, seams)
    return joints(pieces, interfaces(pieces, seams), FILAMENT)


def hand_made(base: Joint, letter: str, outline: np.ndarray, **more) -> Joint:
    """A joint like another with one peg of this outline."""
    peg = replace(base.pegs[0], outline=outline, groove=0.0)
    return replace(base, letter=letter, pegs=(peg,), **more)


# --- between joints -------------------------------------------------------------------------------


@pytest.mark.parametrize("across", [14.0, 30.0, 60.0])
@pytest.mark.parametrize("kind", ["auto", "loose pegs"])
def test_pegs_of_equal_limbs_are_not_confused(across: float, kind: str) -> None:
    found = limbs(2, across, JointChoice(kind))
    assert all(j.pegs for j in found)
    assert not any(mistaken(a, b) for a, b in combinations(found, 2))
    assert require_one_way(found) == ()
    one, two = (j.pegs[0] for j in found)
    same = one.shape == two.shape and one.outline.shape == two.outline.shape
    assert not same or one.width != two.width or not np.allclose(
        one.outline - one.outline.mean(axis=0), two.outline - two.outline.mean(axis=0)
    )  # fmt: skip


def test_four_equal_limbs_get_four_keys_or_sizes() -> None:
    found = limbs(4, 40.0)
    assert all(len(j.pegs) == 1 for j in found)
    for a, b in combinations(found, 2):
        assert not mistaken(a, b)
        assert not enters(a, b) and not enters(b, a)


def enters(one: Joint, other: Joint) -> bool:
    """Whether a joint's peg goes into another's socket in some turn, by Manifold's areas."""
    peg, mouth = one.pegs[0].solid, other.entry(other.pegs[0])
    if one.socket_side != other.socket_side:
        mouth = mirrored(mouth)
    hole = manifold3d.CrossSection([mouth - mouth.mean(axis=0)])
    drawn = manifold3d.CrossSection([peg - peg.mean(axis=0)])
    steps = np.linspace(-0.4, 0.4, 5)
    return any(
        (drawn.rotate(float(turn)).translate((x, y)) - hole).area() < 1e-3
        for turn in np.arange(0, 360, 2.0)
        for x in steps
        for y in steps
    )


def test_what_is_told_of_two_that_the_user_made_alike() -> None:
    alike = JointChoice(footprint="D", width=9.0, depth=9.0, pegs_on="B", clearance=0.2)
    found = limbs(5, 40.0, alike)
    told = require_one_way(found)
    pairs = [(a.letter, b.letter) for a, b in combinations(found, 2) if mistaken(a, b)]
    assert len(told) == len(pairs) > 0
    for sentence, (a, b) in zip(sorted(told), sorted(pairs), strict=True):
        assert sentence.startswith(f"The pegs of joints {a} and {b} go into each other's sockets")
        assert sentence.endswith(".") and "\n" not in sentence


@pytest.mark.parametrize("shape", ["square", "rectangle", "D", "hexagon", "cross"])
def test_no_key_of_a_shape_enters_another_s_socket(shape) -> None:
    (base,) = limbs(1, 60.0)
    made = [hand_made(base, "ABCD"[k], outline_of(shape, 14.0, k)) for k in range(variants(shape))]
    for a, b in combinations(made, 2):
        assert not mistaken(a, b)
    for joint in made:
        assert mistaken(joint, replace(joint, letter="Z"))


def test_sizes_tell_pegs_apart_only_if_they_rattle() -> None:
    (base,) = limbs(1, 60.0)
    one = hand_made(base, "A", outline_of("square", 14.0))
    for width, confused in ((14.0, True), (13.9, True), (14.2, True), (10.0, False), (18.0, False)):
        assert mistaken(one, hand_made(base, "B", outline_of("square", width))) is confused


def test_a_peg_too_deep_for_a_socket_is_not_confused_with_its_own() -> None:
    (base,) = limbs(1, 60.0)
    peg = base.pegs[0]
    deep = replace(base, letter="B", pegs=(replace(peg, depth=peg.depth + 5),))
    # The shallow one still goes into the deep one's socket.
    assert mistaken(base, deep)
    assert mistaken(base, replace(base, letter="B"))


def test_sides_are_seen_the_way_the_pegs_go_in() -> None:
    (base,) = limbs(1, 60.0)
    outline = outline_of("rectangle", 14.0)
    one = hand_made(base, "A", outline, socket_side="B")
    same, twin = (hand_made(base, "B", o, socket_side="A") for o in (outline, mirrored(outline)))
    assert not mistaken(one, same) and mistaken(one, twin)
    # A loose peg has two ends: either goes into either.
    assert mistaken(replace(one, loose=True), same)


def test_joints_without_pegs_are_confused_with_nothing() -> None:
    (base,) = limbs(1, 60.0)
    assert not mistaken(base, replace(base, pegs=())) and not mistaken(replace(base, pegs=()), base)


# --- within a joint -------------------------------------------------------------------------------


def regular(sides: int, across: float = 14.0) -> np.ndarray:
    turn = 2 * np.pi * np.arange(sides) / sides
    return across / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)


@pytest.mark.parametrize("sides", [3, 4, 6, 32])
def test_a_peg_without_a_key_is_refused_until_it_has_one(sides: int) -> None:
    (base,) = limbs(1, 60.0)
    outline = regular(sides)
    with pytest.raises(CheckFailed, match=r"Joint A also seats turned by \d+°; change its key"):
        require_one_way((hand_made(base, "A", outline),))
    # A groove is for air: it is in the peg only and keys nothing.
    grooved = replace(base, pegs=(replace(base.pegs[0], outline=outline, groove=groove(14.0)),))
    with pytest.raises(CheckFailed, match="change its key or size"):
        require_one_way((grooved,))
    cut = manifold3d.CrossSection([outline]) ^ manifold3d.CrossSection.square((20, 20)).translate(
        (-10 - 4.5, -10 + 1.0)
    )
    keyed = np.asarray(cut.to_polygons()[0], dtype=float)
    assert require_one_way((hand_made(base, "A", keyed),)) == ()


def test_two_pegs_alike_are_refused_until_one_is_smaller() -> None:
    (base,) = limbs(1, 90.0)

    def pair(*widths: float) -> Joint:
        pegs = tuple(
            Peg("square", regular(4, w) + np.array([x, 0.0]), w, 12.0, 5.0)
            for w, x in zip(widths, (-20.0, 20.0), strict=True)
        )
        return replace(base, pegs=pegs)

    with pytest.raises(CheckFailed, match="also seats turned by 180°"):
        require_one_way((pair(14.0, 14.0),))
    assert require_one_way((pair(14.0, 10.5),)) == ()


def test_as_sized_every_joint_goes_home_one_way_only() -> None:
    seams = tuple(Seam(k + 1, f"s{k}", (40.0,) * 3, tuple(np.eye(3)[k])) for k in range(2))
    pieces = take_apart(box(80, 80, 80), seams)
    found = joints(pieces, interfaces(pieces, seams), FILAMENT)
    assert sum(len(j.pegs) for j in found) >= 2
    assert require_one_way(found) == ()
