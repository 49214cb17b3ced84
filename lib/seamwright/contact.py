"""Contact: where two triangulated surfaces cross or touch."""

from __future__ import annotations

import numpy as np

from seamwright.blocks import FACES_A_BLOCK, FaceBlocks
from seamwright.mesh import BoolArray, FloatArray, IntArray
from seamwright.outline import IdArray
from seamwright.wall import pierced, segment_distance

TOUCHING = 1e-7
"""Share of a surface's extent within which surfaces touch (as `crossing.SNAP`)."""


def first_crossing(
    vertices: FloatArray,
    faces: IntArray,
    other_vertices: FloatArray,
    others: IntArray,
    ids: IntArray | None = None,
) -> FloatArray | None:
    """A place (3,) where two surfaces cross or touch other than in a shared vertex, or None.

    Pairs of faces that share an edge are not looked at: what folds about an edge must be
    found otherwise. The same surface may be given twice, to be tried against itself.

    ids : (T, 3) the corners of `faces` in the other surface's numbers, which tell what
        vertices they share; None where both are numbered alike.
    """
    ids = faces if ids is None else ids
    if not len(faces) or not len(others):
        return None
    within = TOUCHING * float(np.linalg.norm(np.ptp(vertices[faces.ravel()], axis=0)))
    own, corners = vertices[faces], other_vertices[others]
    i, j = boxes_meeting(own, corners, within)
    keep = i < j if faces is others else np.ones(len(i), dtype=bool)
    keep &= (ids[i][:, :, None] == others[j][:, None, :]).sum(axis=(1, 2)) != 2
    i, j = i[keep], j[keep]
    # Some ten thousand pairs at a time keep the arrays small.
    for k in range(0, len(i), 50_000):
        some, other = i[k : k + 50_000], j[k : k + 50_000]
        hit = _meet(own[some], corners[other], ids[some], others[other], within)
        if hit.any():
            return np.asarray(own[some[int(np.argmax(hit))]].mean(axis=0))
    return None


def boxes_meeting(own: FloatArray, corners: FloatArray, within: float) -> tuple[IdArray, IdArray]:
    """Pairs of triangles, of `own` (T, 3, 3) and `corners` (U, 3, 3), whose boxes come within
    `within` mm of each other."""
    blocks = FaceBlocks.of(
        own.reshape(-1, 3), np.arange(3 * len(own), dtype=np.int32).reshape(-1, 3)
    )
    low, high = (corners.min(axis=1) - within).T.copy(), (corners.max(axis=1) + within).T.copy()
    own_low, own_high = own.min(axis=1).T.copy(), own.max(axis=1).T.copy()
    pairs = []
    for k, (centre, half) in enumerate(zip(blocks.centre, blocks.half, strict=True)):
        near = np.flatnonzero(
            np.logical_and.reduce(
                [
                    (low[x] <= centre[x] + half[x]) & (high[x] >= centre[x] - half[x])
                    for x in range(3)
                ]
            )
        )
        rows = blocks.order[k * FACES_A_BLOCK : (k + 1) * FACES_A_BLOCK]
        meets = np.ones((len(rows), len(near)), dtype=bool)
        for x in range(3):
            meets &= low[x][near] <= own_high[x][rows][:, None]
            meets &= high[x][near] >= own_low[x][rows][:, None]
        i, j = np.nonzero(meets)
        pairs.append(np.stack([rows[i], near[j]]))
    i, j = np.concatenate(pairs, axis=1)
    return i, j


def _meet(
    s: FloatArray, t: FloatArray, s_ids: IntArray, t_ids: IntArray, within: float
) -> BoolArray:
    """(P,) which pairs of triangles (P, 3, 3) meet other than in what they share."""
    hit = np.zeros(len(s), dtype=bool)
    same = s_ids[:, :, None] == t_ids[:, None, :]
    shared = same.sum(axis=(1, 2))
    apart = _one_side(s, t, within) | _one_side(t, s, within)
    free = np.flatnonzero((shared == 0) & ~apart)
    if len(free):
        hit[free] = _any_meet(s[free], t[free], within)
    tip = np.flatnonzero(shared == 1)
    if len(tip):
        # Triangles that share a corner meet elsewhere only if the side opposite it of one
        # goes through the other.
        at_s, at_t = same[tip].any(axis=2).argmax(axis=1), same[tip].any(axis=1).argmax(axis=1)
        row = np.arange(len(tip))
        for x, y, at in ((s[tip], t[tip], at_s), (t[tip], s[tip], at_t)):
            hit[tip] |= pierced(x[row, (at + 1) % 3], x[row, (at + 2) % 3], y)
    hit[shared == 3] = True
    return hit


def _one_side(s: FloatArray, t: FloatArray, within: float) -> BoolArray:
    """(P,) pairs in which all of t lies on one side of s's plane, and off it."""
    normal = np.cross(s[:, 1] - s[:, 0], s[:, 2] - s[:, 0])
    height = np.einsum("pij,pj->pi", t - s[:, :1], normal)
    off = within * np.linalg.norm(normal, axis=1)[:, None]
    return np.asarray((height > off).all(axis=1) | (height < -off).all(axis=1))


def _any_meet(s: FloatArray, t: FloatArray, within: float) -> BoolArray:
    """(P,) pairs in which an edge goes through the other, or edges touch."""
    hit = np.zeros(len(s), dtype=bool)
    for i in range(3):
        p, p2 = s[:, i], s[:, (i + 1) % 3]
        hit |= pierced(p, p2, t) | pierced(t[:, i], t[:, (i + 1) % 3], s)
        for j in range(3):
            hit |= segment_distance(p, p2, t[:, j], t[:, (j + 1) % 3]) <= within
    return hit
