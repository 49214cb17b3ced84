"""Locking: which joints cannot carry pegs because a ring of pieces could not be closed."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from seamwright.interface import Interface
from seamwright.mesh import FloatArray


def locking(
    faces: tuple[Interface, ...],
    pegged: Sequence[int],
    along: Sequence[FloatArray],
    firm: Collection[int] = (),
) -> dict[int, int]:
    """Interfaces that cannot carry pegs because a ring of pieces could not be closed.

    Pieces are put together seam by seam. Which seam comes first matters: halves that a
    seam divides must be joined before what it stops at. A few orders are tried, and the
    one that leaves the least area without pegs is kept.

    Parameters
    ----------
    pegged : places of the interfaces that would carry pegs.
    along : (3,) unit direction that each interface's pegs would run along.
    firm : places of those that others yield to, whatever their area.

    Returns
    -------
    Each such interface with the one it fights.
    """
    total: dict[int, float] = {}
    for k in pegged:
        total[faces[k].seam.id] = total.get(faces[k].seam.id, 0.0) + faces[k].area
    seams = {faces[k].seam.id: faces[k].seam for k in pegged}
    orders = [
        sorted(total, key=lambda n: (total[n], n)),
        sorted(total, key=lambda n: (-total[n], n)),
        sorted(total, key=lambda n: (-len(seams[n].stops_at), total[n], n)),
    ]
    found = [_fights(faces, pegged, along, order, firm) for order in orders]
    return min(found, key=lambda fights: sum(faces[k].area for k in fights))


def _fights(
    faces: tuple[Interface, ...],
    pegged: Sequence[int],
    along: Sequence[FloatArray],
    seam_order: list[int],
    firm: Collection[int],
) -> dict[int, int]:
    """What fights what when the seams are closed in this order.

    When an interface joins two assemblies, every interface between the same two must
    slide home along one direction: a firm one's, else the one with the most area; the others
    fight it.
    """
    order = sorted(pegged, key=lambda k: (seam_order.index(faces[k].seam.id), -faces[k].area, k))
    group = {p: p for f in faces for p in (f.piece_a, f.piece_b)}
    fights: dict[int, int] = {}

    def area_along(among: list[int], k: int) -> float:
        return float(sum(faces[j].area for j in among if _parallel(along[j], along[k])))

    for k in order:
        a, b = group[faces[k].piece_a], group[faces[k].piece_b]
        if a == b:
            continue
        meeting = [j for j in order if {group[faces[j].piece_a], group[faces[j].piece_b]} == {a, b}]
        winner = max(meeting, key=lambda j: (j in firm, area_along(meeting, j), -j))
        fights.update((j, winner) for j in meeting if not _parallel(along[j], along[winner]))
        group = {p: a if g == b else g for p, g in group.items()}
    return fights


def _parallel(a: FloatArray, b: FloatArray) -> bool:
    """Whether pegs of both slide home along the same line, to half a degree."""
    return abs(float(a @ b)) >= float(np.cos(np.radians(0.5)))
