"""Interfaces: where two pieces meet at a seam, found after all seams are parted."""

from __future__ import annotations

from dataclasses import dataclass

from seamwright.errors import SeamwrightError
from seamwright.outline import Region
from seamwright.patch import SAME_AREA, Patch, meeting, patches
from seamwright.pieces import Piece
from seamwright.seam import Seam


@dataclass(frozen=True, eq=False)
class Interface:
    """One connected area where side A of one piece meets side B of another.

    Attributes
    ----------
    seam : that made it; its normal points from side B into side A.
    piece_a, piece_b : ids of the pieces above and below.
    a, b : their seam faces that meet here. Where another seam stops at this one, a face
        on one side meets several on the other.
    region : where they meet, in the seam's frame.
    """

    seam: Seam
    piece_a: int
    piece_b: int
    a: Patch
    b: Patch
    region: Region

    @property
    def name(self) -> str:
        return f"seam '{self.seam.name}' between pieces {self.piece_b} and {self.piece_a}"


def interfaces(pieces: tuple[Piece, ...], seams: tuple[Seam, ...]) -> tuple[Interface, ...]:
    """Every interface, by seam, then by pieces, then largest first.

    Raises
    ------
    SeamwrightError
        If the two sides of a seam do not cover the same area.
    """
    found: list[Interface] = []
    for seam in seams:
        found.extend(_along(seam, pieces))
    return tuple(found)


def _along(seam: Seam, pieces: tuple[Piece, ...]) -> list[Interface]:
    """The interfaces of one seam."""
    faces = [(p.id, patch) for p in pieces for patch in patches(p.mesh, seam.id, seam.frame)]
    above = [(piece, patch) for piece, patch in faces if not patch.on_b]
    below = [(piece, patch) for piece, patch in faces if patch.on_b]
    found = [
        Interface(seam, piece_a, piece_b, a, b, region)
        for piece_a, a in above
        for piece_b, b in below
        if piece_a != piece_b
        for region in meeting(a.region, b.region)
    ]
    total = sum(i.region.area for i in found)
    for side in (above, below):
        covered = sum(patch.region.area for _, patch in side)
        if abs(total - covered) > 1e3 * SAME_AREA * covered:
            raise SeamwrightError(
                f"The two sides of seam '{seam.name}' do not match ({total:.3f} mm² of "
                f"{covered:.3f} mm²); this is a fault of Seamwright: please report the job."
            )
    return sorted(found, key=lambda i: (i.piece_b, i.piece_a, -i.region.area))
