"""Section of a figure and a plane: regions, each an outline with holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seamwright.crossing import Crossing, cross
from seamwright.frame import Frame
from seamwright.mesh import FloatArray, Mesh
from seamwright.outline import Region, regions_of


@dataclass(frozen=True, eq=False)
class Section:
    """Figure ∩ plane.

    Attributes
    ----------
    regions : largest area first, so region 1 is `regions[0]`.
    gaps : (K, 3) places, mm, where an outline is open because the mesh is.
    crossing : the topology the regions were read from.
    """

    frame: Frame
    regions: tuple[Region, ...]
    gaps: FloatArray
    crossing: Crossing

    @property
    def area(self) -> float:
        """mm², all regions."""
        return float(sum(r.area for r in self.regions))

    def nearest(self, point: npt.ArrayLike) -> int:
        """Index of the region nearest a point in space (3,), mm, seen along the normal."""
        local = self.frame.to_plane(np.asarray(point, dtype=np.float64)[None])
        distances = [float(r.distance(local)[0]) for r in self.regions]
        return int(np.argmin(distances))


def section(mesh: Mesh, frame: Frame, snap: float | None = None) -> Section:
    """Cut through a mesh: the regions of material in the frame's plane.

    Examples
    --------
    >>> import numpy as np
    >>> from seamwright.shapes import box
    >>> s = section(box(10, 20, 30), Frame.on_plane((0, 0, 15), (0, 0, 1)))
    >>> [round(r.area, 6) for r in s.regions]
    [200.0]
    """
    crossing = cross(mesh, frame, snap)
    regions, loose = regions_of(
        crossing.segments, lambda nodes: frame.to_plane(crossing.positions(nodes))
    )
    return Section(frame, regions, crossing.positions(loose), crossing)
