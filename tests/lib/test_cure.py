"""cure.py: every cure proposed is one, when the figure is taken apart anew with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from seamwright.checks import require_fit
from seamwright.cure import CURED, MovedSeam, NewSeams, cure, cures, offered
from seamwright.errors import Cancelled, CheckFailed
from seamwright.fit import Fit, fit
from seamwright.interface import Interface, interfaces
from seamwright.mesh import Mesh
from seamwright.pieces import Piece, take_apart
from seamwright.platform import Platform
from seamwright.printer import PrinterProfile
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, revolved

USABLE = Platform((100.0, 100.0, 120.0))


def post(height: float, width: float = 60.0) -> Mesh:
    r, z = np.array([(0, 0), (width / 2, 0), (width / 2, height), (0, height)], dtype=float).T
    return revolved(r, z, 32)


class Work:
    """A figure taken apart, and how each piece fits."""

    def __init__(self, figure: Mesh, *seams: Seam, usable: Platform = USABLE) -> None:
        self.figure, self.seams, self.usable = figure, seams, usable
        self.blanks: tuple[Piece, ...] = take_apart(figure, seams)
        self.faces: tuple[Interface, ...] = interfaces(self.blanks, seams)
        self.fits: dict[int, Fit] = {p.id: fit(p.mesh.vertices, usable) for p in self.blanks}

    def cure(self, number: int) -> tuple[MovedSeam | None, NewSeams | None]:
        piece = next(p for p in self.blanks if p.id == number)
        return cure(piece, self.fits[number], self.blanks, self.faces, self.usable)

    def moved(self, cured: MovedSeam) -> Work:
        """The same with the seam moved as told."""
        seams = tuple(
            replace(s, point=tuple(np.add(s.point, cured.distance * np.array(cured.way)).tolist()))
            if s.name == cured.seam
            else s
            for s in self.seams
        )
        return Work(self.figure, *seams, usable=self.usable)

    def added(self, cured: NewSeams) -> Work:
        """The same with the new seams."""
        last = len(self.seams)
        new = [
            Seam(last + k, f"new {k}", point, cured.normal)
            for k, point in enumerate(cured.points, start=1)
        ]
        return Work(self.figure, *self.seams, *new, usable=self.usable)

    @property
    def all_fit(self) -> bool:
        return all(f.way != "none" for f in self.fits.values())


def level(number: int, name: str, height: float, up: float = 1.0) -> Seam:
    return Seam(number, name, (0.0, 0.0, height), (0.0, 0.0, up))


@pytest.mark.parametrize("up", [1.0, -1.0])
def test_a_seam_is_moved_as_far_as_it_takes(up: float) -> None:
    work = Work(post(200.0), level(1, "waist", 60.0, up))
    assert not work.all_fit
    moved_seam, added = work.cure(2)
    assert moved_seam == MovedSeam("waist", 20.0, (0.0, 0.0, 1.0))
    assert moved_seam.sentence == "move seam 'waist' 20 mm up"
    assert work.moved(moved_seam).all_fit
    less = replace(moved_seam, distance=moved_seam.distance - 1)
    assert not work.moved(less).all_fit
    assert added is not None and work.added(added).all_fit


def test_down_and_slanted_seams_are_told_by_their_way() -> None:
    work = Work(post(200.0), level(1, "waist", 140.0))
    down, _ = work.cure(1)
    assert down is not None and down.sentence == "move seam 'waist' 20 mm down"
    tilted = Work(post(200.0), Seam(1, "waist", (0.0, 0.0, 140.0), (0.6, 0.0, 0.8)))
    assert not tilted.all_fit
    slanted, _ = tilted.cure(1)
    assert slanted is not None
    assert slanted.sentence.endswith("mm along (-0.60, 0.00, -0.80)")
    assert tilted.moved(slanted).all_fit


def test_a_seam_is_not_moved_where_the_piece_across_it_would_not_fit() -> None:
    work = Work(post(290.0), level(1, "waist", 118.0))
    moved_seam, added = work.cure(2)
    assert moved_seam is None
    assert added is not None and len(added.points) == 1
    assert work.added(added).all_fit
    assert added.sentence == "add a seam near (0.0, 0.0, 204.0) mm square to (0, 0, 1)"


def test_a_long_piece_takes_several_seams() -> None:
    work = Work(post(500.0), level(1, "waist", 50.0))
    _, added = work.cure(2)
    assert added is not None and len(added.points) == 3
    assert added.sentence.startswith("add 3 seams near ")
    assert work.added(added).all_fit


def test_a_seam_across_a_lying_piece_stands_upright() -> None:
    work = Work(box(300.0, 60.0, 60.0), Seam(1, "end", (60.0, 0.0, 0.0), (1.0, 0.0, 0.0)))
    (bad,) = [n for n, f in work.fits.items() if f.way == "none"]
    _, added = work.cure(bad)
    assert added is not None and added.normal == (1.0, 0.0, 0.0)
    assert work.added(added).all_fit


def test_only_what_hangs_together_with_the_seam_is_taken_off() -> None:
    # Two posts on a slab: moving the seam of the one leaves the other, as tall, alone.
    figure = _united(
        box(80.0, 30.0, 20.0), box(24.0, 24.0, 150.0), box(24.0, 24.0, 150.0, low=(56, 0, 0))
    )
    foot = Seam(1, "foot", (12.0, 12.0, 60.0), (0.0, 0.0, 1.0), Reach("nearest", ((12, 12, 60),)))
    work = Work(figure, foot, usable=Platform((90.0, 60.0, 100.0)))
    rest = next(p for p in work.blanks if p.mesh.bounds[1][0] > 60)
    assert work.fits[rest.id].way == "none"
    moved_seam, _ = work.cure(rest.id)
    assert moved_seam is None


def _united(*meshes: Mesh) -> Mesh:
    import manifold3d  # noqa: PLC0415

    whole = manifold3d.Manifold()
    for mesh in meshes:
        whole += manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices, mesh.faces.astype(np.uint64)))
    made = whole.to_mesh64()
    return Mesh.of(made.vert_properties[:, :3], made.tri_verts.astype(np.int32))


def test_what_no_four_seams_cure_is_left_without() -> None:
    work = Work(post(2000.0), level(1, "waist", 50.0))
    assert work.cure(2) == (None, None)
    assert cures(work.fits, work.blanks, work.faces, USABLE) == {}


def test_a_seam_is_not_moved_through_more_than_half_a_piece() -> None:
    work = Work(post(200.0, 150.0), level(1, "waist", 40.0), usable=Platform((200.0, 200.0, 70.0)))
    moved_seam, added = work.cure(2)
    assert moved_seam is None and added is not None
    assert work.added(added).all_fit


def test_the_sentence_tells_how_the_nearest_misses_are_cured() -> None:
    heights = np.cumsum([0, 122, 125, 130, 140, 150, 160, 170, 2000]).tolist()
    work = Work(post(heights[-1]), *(level(k, f"s{k}", heights[k]) for k in range(1, 8)))
    found = cures(work.fits, work.blanks, work.faces, USABLE)
    assert CURED == 6 and set(found) <= {1, 2, 3, 4, 5, 6, 7}
    profile = PrinterProfile(name="small", build_volume=(106.0, 106.0, 123.0))
    with pytest.raises(CheckFailed) as error:
        require_fit(work.fits, profile, lambda: found)
    text = str(error.value)
    bad = [n for n, f in work.fits.items() if f.way == "none"]
    assert f"{len(bad)} of 8 pieces do not fit small, which has 100 × 100 × 120 mm" in text
    nearest = min(bad, key=lambda n: work.fits[n].miss)
    miss = work.fits[nearest].miss
    middle = (heights[nearest - 1] + heights[nearest]) / 2
    assert (
        f"piece {nearest} misses by {miss:.1f} mm at best, to cure it add a seam near "
        f"(0.0, 0.0, {middle:.1f}) mm square to (0, 0, 1)"
    ) in text
    assert text.endswith("; add or move a seam at the others.")
    assert text.count(". ") == 0


# --- offered as seams ---------------------------------------------------------------------


def taken(work: Work, numbers: list[int], *platforms: Platform) -> tuple[dict, Work]:
    """What is offered, and the figure taken apart with it."""
    found = offered(numbers, work.blanks, work.blanks, work.faces, platforms or (work.usable,))
    more = [seam for number in sorted(found) for seam in found[number]]
    named = [
        replace(seam, id=len(work.seams) + k, name=f"new {k}") for k, seam in enumerate(more, 1)
    ]
    return found, Work(work.figure, *work.seams, *named, usable=work.usable)


def test_offered_seams_are_the_cures_and_take_the_piece_alone() -> None:
    # Two posts on a slab, both across the height at which the long one is parted.
    figure = _united(
        box(120.0, 30.0, 20.0), box(24.0, 24.0, 210.0), box(24.0, 24.0, 130.0, low=(80, 0, 0))
    )
    work = Work(
        figure,
        Seam(1, "long", (12.0, 12.0, 30.0), (0.0, 0.0, 1.0), Reach("nearest", ((12, 12, 30),))),
        Seam(2, "short", (92.0, 12.0, 30.0), (0.0, 0.0, 1.0), Reach("nearest", ((92, 12, 30),))),
        usable=Platform((125.0, 60.0, 105.0)),
    )
    (bad,) = [n for n, f in work.fits.items() if f.way == "none"]
    _moved, added = work.cure(bad)
    found, now = taken(work, [bad])
    assert added is not None and set(found) == {bad} and len(found[bad]) == len(added.points) == 1
    (seam,) = found[bad]
    assert seam.normal == added.normal and seam.stops_at == ("long",)
    assert seam.point[2] == pytest.approx(added.points[0][2]) and seam.point[2] < 130
    assert now.all_fit and len(now.blanks) == len(work.blanks) + 1


def test_an_offered_seam_takes_every_region_of_the_piece() -> None:
    # A piece with two legs: parted below where they meet, both are.
    figure = _united(
        box(90.0, 30.0, 20.0, low=(0, 0, 180)), box(24.0, 24.0, 200.0),
        box(24.0, 24.0, 200.0, low=(66, 0, 0)), box(24.0, 24.0, 60.0, low=(30, 0, 190)),
    )  # fmt: skip
    work = Work(figure, level(1, "neck", 210.0), usable=Platform((100.0, 60.0, 120.0)))
    bad = [n for n, f in work.fits.items() if f.way == "none"]
    found, now = taken(work, bad)
    assert bad and now.all_fit
    assert max(len(seam.reach.points) for seam in found[bad[0]]) == 2


def test_seams_are_offered_for_the_printer_that_a_piece_misses_by_least() -> None:
    work = Work(post(380.0), level(1, "waist", 40.0))
    large = Platform((150.0, 150.0, 200.0))
    found, _ = taken(work, [2], USABLE, large)
    assert len(found[2]) < len(taken(work, [2])[0][2])


def test_what_no_seam_cures_is_offered_none() -> None:
    assert taken(Work(post(2000.0), level(1, "waist", 50.0)), [2])[0] == {}


def test_an_offer_can_be_cancelled() -> None:
    work = Work(post(300.0), level(1, "waist", 50.0))

    def stop(_done: float, what: str) -> None:
        if what.startswith("finding"):
            raise Cancelled("stop")

    with pytest.raises(Cancelled):
        offered([2], work.blanks, work.blanks, work.faces, [USABLE], stop)
