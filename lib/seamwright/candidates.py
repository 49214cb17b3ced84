"""Candidate poses of a piece: the directions in it that may point down on the platform."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from seamwright.mesh import SKIN, FloatArray, Mesh

SPHERE = 400
"""Directions spread over the whole sphere: about 10° from one to the next."""

HULL_FACES = 80
"""Most hull faces that are tried, the largest first."""

SEAM_FACES = 40
"""Most flat seam faces that are tried, the largest first."""

COPLANAR = np.cos(np.radians(1.0))
"""Faces whose normals are within a degree are one flat face."""

SAME = np.cos(np.radians(0.2))
"""A direction within a fifth of a degree of an earlier one is left out."""

LEAST = 0.002
"""Share of all surface below which a flat seam face is none to stand on."""


def candidates(
    mesh: Mesh,
    planes: FloatArray,
    areas: FloatArray,
    *,
    sphere: int = SPHERE,
    also: npt.ArrayLike = (),
) -> FloatArray:
    """Directions to try as down, those to be kept to the last digit first.

    Parameters
    ----------
    mesh : the piece, its seam faces tagged.
    planes, areas : (P, 3) normals and (P,) areas of its hull's triangles.
    sphere : how many directions are spread over the sphere, the same for all pieces.
    also : (A, 3) further directions.

    Returns
    -------
    (K, 3) unit directions in the piece's own coordinates: those of `also`, then as the piece
    stands, then the normals of flat seam faces, of hull faces (coplanar ones taken as one),
    and the sphere's.
    """
    more = np.asarray(also, dtype=np.float64).reshape(-1, 3)
    more = more / np.linalg.norm(more, axis=1, keepdims=True)
    seam = np.flatnonzero(mesh.tag != SKIN)
    area = mesh.areas[seam]
    seam, area = seam[area > 0], area[area > 0]
    normals = mesh.face_vectors[seam] / (2 * area[:, None])
    least = LEAST * float(mesh.areas.sum())
    found = [
        more,
        np.array([[0.0, 0.0, -1.0]]),
        flats(normals, area, SEAM_FACES, least),
        flats(planes, areas, HULL_FACES, 0.0),
        spread(sphere),
    ]
    return _apart(np.concatenate(found))


def flats(normals: FloatArray, areas: FloatArray, most: int, least: float) -> FloatArray:
    """(N, 3) normals of the flats that faces make, the largest first.

    A flat is what has its normal within a degree of its largest face's, which it takes: so
    a piece laid on a hull's flat rests on three points of it.
    """
    left = np.argsort(-np.round(areas, 9), kind="stable")
    found: list[FloatArray] = []
    sizes: list[float] = []
    # Each turn takes the largest face left; flats of many small faces come later than they
    # should, so twice as many are looked at.
    while len(left) and len(found) < 2 * most:
        mine = normals[left] @ normals[left[0]] > COPLANAR
        found.append(normals[left[0]])
        sizes.append(float(areas[left[mine]].sum()))
        left = left[~mine]
    order = np.argsort(-np.array(sizes), kind="stable")[:most]
    return np.array([found[k] for k in order if sizes[k] >= least]).reshape(-1, 3)


def spread(count: int) -> FloatArray:
    """(count, 3) directions spread evenly over the sphere, on a golden-angle spiral.

    R. Swinbank & R. J. Purser, "Fibonacci grids: a novel approach to global modelling",
    Q. J. R. Meteorol. Soc. 132 (2006) 1769.
    """
    z = 1.0 - 2.0 * (np.arange(count) + 0.5) / max(count, 1)
    angle = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=1)


def _apart(directions: FloatArray) -> FloatArray:
    """The directions without those that come again."""
    alike = directions @ directions.T > SAME
    kept = np.zeros(len(directions), dtype=bool)
    for k in range(len(directions)):
        kept[k] = not (alike[k, :k] & kept[:k]).any()
    return np.asarray(directions[kept])
