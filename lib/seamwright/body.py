"""Bodies: what stands on a seam face, or is sunk into it, as rings of points and their faces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from seamwright.mesh import FloatArray, IntArray
from seamwright.outline import IdArray


@dataclass(frozen=True, eq=False)
class Body:
    """A closed body between rings of as many points each.

    Attributes
    ----------
    points : (R * N, 3) all rings' points, mm; the first ring lies on the seam face.
    size : N, points in a ring.
    walls, mouth, end : (T, 3) rows of `points`: faces between the rings, over the first and
        over the last; all look out of the body.
    stands : whether it is material that stands on the face, or a hole sunk into it.
    through : whether its last ring lies on another seam face of the same piece.
    """

    points: FloatArray
    size: int
    walls: IntArray
    mouth: IntArray
    end: IntArray
    stands: bool = False
    through: bool = False

    @staticmethod
    def of(
        rings: Sequence[FloatArray],
        first: IdArray,
        last: IdArray,
        *,
        stands: bool = False,
        through: bool = False,
    ) -> Body:
        """The body between rings (N, 3) that all run the same way round.

        first, last : (T, 3) triangles over the first and the last ring, by place in the
            ring, that run as the ring does.
        """
        size = len(rings[0])
        ids = np.arange(size, dtype=np.int32)
        strips = [
            (upper * size + ids, np.roll(upper * size + ids, -1), lower * size + ids)
            for upper, lower in pairwise(range(len(rings)))
        ]
        walls = []
        for here, after, below in strips:
            walls += [np.stack([here, below, np.roll(below, -1)], axis=1)]
            walls += [np.stack([here, np.roll(below, -1), after], axis=1)]
        parts = [
            np.concatenate(walls),
            np.asarray(first, dtype=np.int32),
            np.asarray(last, dtype=np.int32)[:, ::-1] + (len(rings) - 1) * size,
        ]
        points = np.concatenate(rings)
        if _volume(points, np.concatenate(parts)) < 0:
            parts = [faces[:, ::-1] for faces in parts]
        return Body(points, size, parts[0], parts[1], parts[2], stands, through)

    @property
    def triangles(self) -> FloatArray:
        """(T, 3, 3) the closed body, looking out, mm."""
        return np.asarray(self.points[np.concatenate([self.walls, self.mouth, self.end])])

    @property
    def volume(self) -> float:
        """mm³, by the divergence theorem."""
        return _volume(self.points, np.concatenate([self.walls, self.mouth, self.end]))

    @property
    def last_ring(self) -> FloatArray:
        """(N, 3) its end, mm."""
        return self.points[-self.size :]


def _volume(points: FloatArray, faces: IntArray) -> float:
    a, b, c = (points[faces[:, k]] - points[0] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)
