"""Proofs that a piece fits in no rotation: measures in which it exceeds what is there."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from seamwright.hull import edges_of, longest_span
from seamwright.mesh import FloatArray
from seamwright.platform import Platform


def proof(core: FloatArray, platform: Platform, allowance: float = 0.0) -> str:
    """Why no rotation of a piece can fit, if one of five measures proves it; else empty.

    None of them is less for a convex body than for one inside it. Volume, surface and
    mean width are mixed volumes: R. Schneider, "Convex Bodies: the Brunn-Minkowski
    Theory" (2nd ed. 2014), sections 5.1 and 5.3. Of a platform with excluded corners, all
    but the volume are those of the whole.

    Parameters
    ----------
    core : (C, 3) hull vertices, mm.
    allowance : mm that every side of the build volume is taken as longer, for rounding.
    """
    a, b, c = (s + allowance for s in platform.size)
    if platform.round:
        diagonal, surface = float(np.hypot(a, c)), np.pi * a * (c + a / 2)
        # Half the first intrinsic volume, which of a disc is half its rim; Schneider, 4.2.
        wide = (c + np.pi * a / 2) / 2
    else:
        diagonal, surface = float(np.linalg.norm([a, b, c])), 2 * (a * b + b * c + c * a)
        wide = (a + b + c) / 2
    # What the allowance adds to the platform's area, and more.
    volume = (platform.area + 2 * (a + b) * allowance) * c
    span = float(np.linalg.norm(longest_span(core)))
    found = [(span, diagonal, "longest span", "diagonal, ", "mm", 1.0)]
    try:
        hull = ConvexHull(core)
    except QhullError:
        hull = None
    if hull is not None:
        found += [
            (hull.volume, volume, "hull's volume", "", "cm³", 1e-3),
            (hull.area, surface, "hull's surface", "", "cm²", 1e-2),
            (_mean_width(hull), wide, "mean width", "", "mm", 1.0),
        ]
    for measure in found:
        if measure[0] > measure[1]:
            return _sentence(*measure)
    # The least thickness takes the longest to find.
    if hull is not None and (width := least_width(hull)) > min(a, b, c):
        return _sentence(width, min(a, b, c), "least thickness", "shortest side, ", "mm", 1.0)
    return ""


def _sentence(piece: float, limit: float, what: str, which: str, unit: str, factor: float) -> str:
    x, y = _told_apart(piece * factor, limit * factor)
    return f"its {what}, {x} {unit}, is more than the build volume's {which}{y} {unit}"


def _told_apart(larger: float, smaller: float) -> tuple[str, str]:
    """Both numbers with three digits, or as many more as show which is the larger."""
    for digits in range(max(0, 2 - int(np.log10(max(smaller, 1e-9)))), 12):
        a, b = f"{larger:.{digits}f}", f"{smaller:.{digits}f}"
        if a != b:
            break
    return a, b


def _mean_width(hull: ConvexHull) -> float:
    """Mean width of a polytope, mm: edge length times outer angle, summed, over 4 pi."""
    facets, _, along = edges_of(hull)
    m, n = hull.equations[facets[:, 0], :3], hull.equations[facets[:, 1], :3]
    bend = np.arctan2(np.linalg.norm(np.cross(m, n), axis=1), (m * n).sum(axis=1))
    return float(np.linalg.norm(along, axis=1) @ bend) / (4 * np.pi)


def least_width(hull: ConvexHull) -> float:
    """The least distance between two parallel planes that hold the hull between them, mm.

    They touch a face and a vertex, or two edges: M. E. Houle & G. T. Toussaint,
    "Computing the width of a set", IEEE Trans. PAMI 10 (1988) 761. Two edges can be
    touched where the arcs of their normals cross on the sphere, one of them mirrored;
    unmirrored crossings are let in too, since every width tried is one that exists.
    """
    facets, _, along = edges_of(hull)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    side = along @ hull.equations[:, :3].T
    cross = side[:, facets[:, 0]] * side[:, facets[:, 1]] <= 1e-12
    i, j = np.nonzero(np.triu(cross & cross.T, 1))
    normals = np.cross(along[i], along[j])
    length = np.linalg.norm(normals, axis=1)
    normals = normals[length > 1e-9] / length[length > 1e-9, None]
    least = np.inf
    for tried in np.array_split(np.concatenate([hull.equations[:, :3], normals]), 32):
        if len(tried):
            least = min(least, float(np.ptp(hull.points @ tried.T, axis=0).min()))
    return least
