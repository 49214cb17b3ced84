"""Interfaces: where two pieces meet at a seam, found after all seams are parted."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np

from seamwright.errors import SeamwrightError
from seamwright.outline import Region, regions_of
from seamwright.patch import Patch, patches
from seamwright.pieces import Piece
from seamwright.seam import Seam

SAME_AREA = 1e-6
"""Share of a patch's area within which two areas are taken for the same."""


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
        for region in _meeting(a.region, b.region)
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


def _meeting(a: Region, b: Region) -> list[Region]:
    """The regions two patches of one plane share; none where they only touch."""
    apart = (a.outline.min(axis=0) > b.outline.max(axis=0)) | (
        b.outline.min(axis=0) > a.outline.max(axis=0)
    )
    if apart.any():
        return []
    shared = _polygons(a) ^ _polygons(b)
    area = shared.area()
    # Mostly one patch lies wholly on the other: keep its own outline to the last bit.
    for whole in sorted((a, b), key=lambda r: r.area):
        if abs(area - whole.area) <= SAME_AREA * whole.area:
            return [whole]
    if area <= SAME_AREA * min(a.area, b.area):
        return []
    loops = [np.asarray(p, dtype=np.float64) for p in shared.to_polygons()]
    points = np.concatenate(loops)
    ends = np.cumsum([len(p) for p in loops])
    after = np.arange(1, len(points) + 1)
    after[ends - 1] = ends - [len(p) for p in loops]
    regions, _ = regions_of(
        np.stack([np.arange(len(points)), after], axis=1), lambda nodes: points[nodes]
    )
    return [r for r in regions if r.area > SAME_AREA * min(a.area, b.area)]


def _polygons(region: Region) -> manifold3d.CrossSection:
    loops = [np.ascontiguousarray(p) for p in region.loops]
    return manifold3d.CrossSection(loops, manifold3d.FillRule.EvenOdd)
