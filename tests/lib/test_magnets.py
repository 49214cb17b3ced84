"""Magnet pockets: sizes, places and poles, what is taken, what is bought, what is refused."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.checks import require_closed, require_volume
from seamwright.choice import MAGNETS, JointChoice
from seamwright.errors import BadInput, CheckFailed
from seamwright.files import as_written
from seamwright.gaps import require_gaps
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.job import FigureChoice, Job
from seamwright.joint import MAGNET_GLUE, POCKET_SIDES, Joint, pocket_outline
from seamwright.joint_list import to_buy
from seamwright.magnet import DISC_SHARE, DISCS_APART, poles
from seamwright.mesh import Mesh
from seamwright.pieces import Piece, take_apart
from seamwright.printer import PrinterProfile, printer
from seamwright.report import parts_list
from seamwright.room import inscribed
from seamwright.run import make, prepare
from seamwright.seam import Seam
from seamwright.shapes import box, revolved
from seamwright.sizing import joints

FILAMENT = PrinterProfile()
RESIN = printer("resin-218")
MAGNETIC = JointChoice("magnets")


def limb(across: float, length: float) -> Mesh:
    r, h = np.array([(0, 0), (across / 2, 0), (across / 2, length), (0, length)], dtype=float).T
    return revolved(r, h, 48)


def made(
    figure: Mesh, choice: JointChoice, height: float = 50.0, profile: PrinterProfile = FILAMENT,
    normal: tuple[float, float, float] = (0.0, 0.0, 1.0),
) -> tuple[tuple[Piece, ...], Joint]:  # fmt: skip
    seams = (Seam(1, "waist", (0.0, 0.0, height), normal, joint=choice),)
    pieces = take_apart(figure, seams)
    (joint,) = joints(pieces, interfaces(pieces, seams), profile)
    return pieces, joint


# --- size and place -----------------------------------------------------------------------------


@pytest.mark.parametrize("profile", [FILAMENT, RESIN])
@pytest.mark.parametrize("across", [30.0, 50.0, 90.0])
def test_size_goes_with_the_face_and_all_walls_hold(across: float, profile: PrinterProfile) -> None:
    pieces, joint = made(limb(across, 100), MAGNETIC, profile=profile)
    _, radius = inscribed(joint.interface.region)
    assert joint.kind == "magnets" and joint.pegs == () and len(joint.magnets) == 2
    for magnet in joint.magnets:
        assert (magnet.diameter, magnet.thickness) in MAGNETS.values()
        assert magnet.diameter <= DISC_SHARE * radius
        # Behind a face this deep only the skin at its side is near.
        out = across / 2 - np.linalg.norm(magnet.centre)
        assert magnet.wall >= profile.wall
        assert magnet.wall <= out - magnet.diameter / 2 - joint.clearance + 1e-9
    one, two = (m.centre for m in joint.magnets)
    assert np.linalg.norm(one - two) >= DISCS_APART * joint.magnets[0].diameter
    after = jointed(pieces, (joint,))
    require_closed(after, as_written)
    require_volume(limb(across, 100), after, (joint,))
    assert ", 4 magnet pockets" in require_gaps(after, (joint,)).found


@pytest.mark.parametrize("name", ["3x1", "6x3", "10x5"])
@pytest.mark.parametrize("count", [1, 2, 4])
def test_as_many_of_a_size_as_asked(name: str, count: int) -> None:
    pieces, joint = made(limb(90, 100), replace(MAGNETIC, magnet=name, count=count))
    assert [(m.diameter, m.thickness) for m in joint.magnets] == [MAGNETS[name]] * count
    # A pocket is a prism over the polygon that its disc and the clearance need.
    radius = MAGNETS[name][0] / 2 + joint.clearance
    area = POCKET_SIDES * radius**2 * np.tan(np.pi / POCKET_SIDES)
    taken = count * area * (MAGNETS[name][1] + MAGNET_GLUE)
    bare = replace(joint, marks=None)
    for old, new in zip(pieces, jointed(pieces, (bare,)), strict=True):
        assert old.mesh.volume - new.mesh.volume == pytest.approx(taken, rel=1e-9)
        assert bare.volumes(bare.side_of(old.id)) == pytest.approx((0.0, taken))


def test_a_pocket_s_polygon_lets_its_disc_in() -> None:
    outline = pocket_outline(6.0, 0.2)
    middles = (outline + np.roll(outline, -1, axis=0)) / 2
    assert np.linalg.norm(middles, axis=1) == pytest.approx(3.2)
    assert len(outline) == POCKET_SIDES


def test_places_may_be_given() -> None:
    at = ((10.0, 5.0, 50.0), (-10.0, -5.0, 50.0))
    _, joint = made(limb(90, 100), replace(MAGNETIC, at=at, magnet="8x3"))
    assert [joint.frame.to_world(m.centre) for m in joint.magnets] == [pytest.approx(p) for p in at]


def test_clearance_may_be_given_and_is_measured() -> None:
    pieces, joint = made(limb(90, 100), replace(MAGNETIC, clearance=0.35))
    assert joint.clearance == 0.35
    after = jointed(pieces, (joint,))
    require_gaps(after, (joint,))
    with pytest.raises(CheckFailed, match=r"pocket of joint A on piece ., its radius"):
        require_gaps(after, (replace(joint, clearance=0.3),))
    with pytest.raises(CheckFailed, match="magnet pocket of joint A on piece"):
        require_gaps(pieces, (joint,))


def test_a_thin_slice_gets_thin_magnets() -> None:
    # 7 mm are left under the face.
    _, joint = made(limb(90, 100), MAGNETIC, height=7.0)
    (thick,) = {m.thickness for m in joint.magnets}
    assert thick + MAGNET_GLUE + FILAMENT.wall <= 7.0
    assert all(m.wall >= FILAMENT.wall - 1e-9 for m in joint.magnets)


# --- poles --------------------------------------------------------------------------------------


def strays(at: np.ndarray, across: float, north: np.ndarray) -> float:
    """The most pull in any turn 60° or more from home, by summing over pairs one by one."""
    worst = -np.inf
    middle = at.mean(axis=0)
    for turn in np.radians(np.arange(60, 301, 3.0)):
        total = 0.0
        for p, s in zip(at - middle, north, strict=True):
            moved = np.array([p[0] * np.cos(turn) - p[1] * np.sin(turn),
                              p[0] * np.sin(turn) + p[1] * np.cos(turn)])  # fmt: skip
            for q, t in zip(at - middle, north, strict=True):
                total += s * t * max(0.0, 1 - float(np.linalg.norm(moved - q)) / across)
        worst = max(worst, total)
    return worst


RINGS = [np.stack([np.cos(t), np.sin(t)], axis=1) * 20
         for t in (np.arange(n) * 2 * np.pi / n for n in (2, 3, 4, 5, 6))]  # fmt: skip
ROWS = [np.stack([np.arange(n) * 20.0, np.zeros(n)], axis=1) for n in (2, 3, 4, 5, 6)]
GRIDS = [np.array([[0.0, 0], [30, 0], [30, 20], [0, 20]]),
         np.array([[0.0, 0], [20, 0], [40, 0], [0, 20], [20, 20], [40, 20]])]  # fmt: skip


@pytest.mark.parametrize("at", [*RINGS, *ROWS, *GRIDS], ids=len)
def test_poles_that_attract_together_at_home_do_so_nowhere_else(at: np.ndarray) -> None:
    sides = poles(at, 8.0)
    assert sides[0] == "A"
    north = np.array([1.0 if side == "A" else -1.0 for side in sides])
    # At home every pair attracts; elsewhere no more than half of them do.
    assert strays(at, 8.0, north) <= 0.5 * len(at)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.floats(-30, 30), st.floats(-30, 30)), min_size=2, max_size=5))
def test_two_or_more_never_have_all_poles_alike_where_a_turn_brings_them_home(places) -> None:
    # Each place and its opposite: half a turn covers every disc.
    at = np.array([p for x, y in places[:3] for p in ((x + 40, y), (-x - 40, -y))])
    sides = poles(at, 4.0)
    assert set(sides) == {"A", "B"}


def test_a_pair_says_it_turns_freely_and_several_that_they_do_not() -> None:
    for count, said in ((1, "one pair turns freely"), (2, "one way round only")):
        _, joint = made(limb(90, 100), replace(MAGNETIC, count=count))
        assert said in joint.reason


# --- marks, list, refusals ------------------------------------------------------------------------


def test_faces_with_magnets_are_marked_too() -> None:
    _, joint = made(limb(90, 100), MAGNETIC)
    assert joint.marks is not None and joint.marks[0].text == "A"
    _, joint = made(limb(90, 100), replace(MAGNETIC, marks=False))
    assert joint.marks is None


def test_magnets_are_bought_by_size() -> None:
    seams = tuple(
        Seam(n, f"seam {n}", (0.0, 0.0, 40.0 * n), (0.0, 0.0, 1.0), joint=choice)
        for n, choice in enumerate(
            (replace(MAGNETIC, magnet="8x3"), replace(MAGNETIC, magnet="6x2", count=1),
             replace(MAGNETIC, magnet="8x3", count=3)), start=1)
    )  # fmt: skip
    job = Job("Post", FigureChoice(), FILAMENT, seams)
    result = make(prepare(limb(90, 160), "mm", job), job)
    bought = to_buy(result.joints, (), ())
    assert [(b.what, b.size, b.count, b.joints) for b in bought] == [
        ("disc magnet", "6 x 2", 2, "B"), ("disc magnet", "8 x 3", 10, "A C"),
    ]  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(parts_list(result))))
    assert [r["name"] for r in rows if r["part"] == "to buy"] == [
        "2 x disc magnet, 6 x 2 mm", "10 x disc magnet, 8 x 3 mm",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("across", "choice", "says"),
    [
        (
            30,
            replace(MAGNETIC, magnet="20x5", count=2),
            r"2 magnets of 20x5 mm .*; 2 magnets of .* would",
        ),
        (14, replace(MAGNETIC, count=2), r"any size .*; one magnet of \dx\d mm would fit"),
        (8, MAGNETIC, r"2 magnets of any size .*; none fits: another kind of joint would do"),
        (30, replace(MAGNETIC, count=6, magnet="8x3"), r"6 magnets of 8x3 mm"),
        (60, replace(MAGNETIC, at=((29.0, 0.0, 50.0),)), r"1 magnet of any size"),
        (60, replace(MAGNETIC, at=((90.0, 0.0, 50.0),)), r"1 magnet of any size .*none fits"),
        (60, replace(MAGNETIC, magnet="6x3", at=((5.0, 0, 50), (0.0, 0, 50))), "2 magnets of 6x3"),
    ],
)
def test_discs_that_do_not_fit_are_refused_with_what_would(across, choice, says) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        made(limb(across, 100), choice)
    said = str(caught.value)
    assert said.startswith("Joint A (seam 'waist', (0.0, 0.0, 50.0) mm) has no room for")
    assert said.endswith(".") and "\n" not in said


def test_discs_that_are_named_as_what_would_fit_do() -> None:
    with pytest.raises(BadInput) as caught:
        made(limb(30, 100), replace(MAGNETIC, magnet="20x5", count=2))
    count, _, _, size, *_ = str(caught.value).split("; ")[1].split()
    _, joint = made(limb(30, 100), replace(MAGNETIC, magnet=size, count=int(count)))
    assert len(joint.magnets) == int(count)


def test_a_box_s_face_of_any_lean_holds_them() -> None:
    pieces, joint = made(box(60, 60, 100), MAGNETIC, normal=(0.3, -0.2, 1.0), height=55.0)
    after = jointed(pieces, (joint,))
    require_closed(after, as_written)
    require_volume(box(60, 60, 100), after, (joint,))
    require_gaps(after, (joint,))
