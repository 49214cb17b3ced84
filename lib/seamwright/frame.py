"""A plane's own coordinates: from 3-D to its 2-D and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seamwright.errors import BadInput
from seamwright.mesh import FloatArray


@dataclass(frozen=True, eq=False)
class Frame:
    """A right-handed frame whose third axis is a plane's normal.

    origin : (3,) mm. axes : (3, 3) rows u, v and normal, orthonormal.
    """

    origin: FloatArray
    axes: FloatArray

    @staticmethod
    def on_plane(point: npt.ArrayLike, normal: npt.ArrayLike) -> Frame:
        """The frame of the plane through `point` with `normal`, always the same for both.

        u is the horizontal direction where there is one, so that sections read
        the way the figure stands.

        Raises
        ------
        BadInput
            If the normal is zero or either is not three finite numbers.
        """
        p = np.asarray(point, dtype=np.float64)
        n = np.asarray(normal, dtype=np.float64)
        if p.shape != (3,) or n.shape != (3,) or not np.isfinite([p, n]).all():
            raise BadInput("A plane needs a point and a normal of three finite numbers each.")
        length = float(np.linalg.norm(n))
        if length < 1e-12:
            raise BadInput("A plane's normal has no length; give a direction such as [0, 0, 1].")
        n = n / length
        # Near-vertical normals take u along x; others take u level in space.
        u = np.array([1.0, 0.0, 0.0]) if abs(n[2]) > 0.999999 else np.cross([0.0, 0.0, 1.0], n)
        u = u - n * (u @ n)
        u = u / np.linalg.norm(u)
        return Frame(p, np.stack([u, np.cross(n, u), n]))

    @property
    def normal(self) -> FloatArray:
        """(3,) unit normal of the plane."""
        return np.asarray(self.axes[2])

    def to_local(self, points: npt.ArrayLike) -> FloatArray:
        """(N, 3) world points, mm, as (N, 3) frame coordinates: u, v and height."""
        return np.asarray((np.asarray(points, dtype=np.float64) - self.origin) @ self.axes.T)

    def to_plane(self, points: npt.ArrayLike) -> FloatArray:
        """(N, 3) world points, mm, as (N, 2) plane coordinates, dropping the height."""
        return np.asarray((np.asarray(points, dtype=np.float64) - self.origin) @ self.axes[:2].T)

    def to_world(self, local: npt.ArrayLike) -> FloatArray:
        """(N, 2) or (N, 3) frame coordinates as (N, 3) world points, mm."""
        q = np.asarray(local, dtype=np.float64)
        return np.asarray(self.origin + q @ self.axes[: q.shape[-1]])

    def heights(self, points: npt.ArrayLike) -> FloatArray:
        """(N,) signed distance of world points from the plane, mm.

        Term by term and not as a matrix product, whose rounding depends on a row's
        place in the array: equal points must get equal heights to the last bit.
        """
        p = np.asarray(points, dtype=np.float64)
        x, y, z = self.normal
        return np.asarray(
            (p[:, 0] - self.origin[0]) * x
            + (p[:, 1] - self.origin[1]) * y
            + (p[:, 2] - self.origin[2]) * z
        )

    def flipped(self) -> Frame:
        """The same plane seen from the other side; still right-handed."""
        u, v, n = self.axes
        return Frame(self.origin, np.stack([u, -v, -n]))
