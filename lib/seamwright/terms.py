"""What speaks for and against a pose, each in its own unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from seamwright.errors import BadInput
from seamwright.loads import weight
from seamwright.mesh import SKIN, BoolArray, FloatArray, IndexArray, IntArray, Mesh
from seamwright.overhang import cell_of, columns, hanging, largest_layer, scarred, supports
from seamwright.printer import PrinterProfile

Row = tuple[Sequence[float] | FloatArray, float]
"""A direction in the piece and how much it matters there, 0 to 1, that layers lie along it."""

LEVEL = float(np.cos(np.radians(1.0)))
"""Skin nearer to level than a degree shows no stair-steps: it is one layer's top."""

SLENDER = 3.0
"""How many times as long as it is wide a piece must be to count as a thin limb itself (common
practice, no source)."""

PROPS = 0.02
"""Share of the surface that must hang over for supports to prop a piece, roughly judged."""

DOWNISH = 0.9995
"""Cosine within which a face can lie on the platform, roughly judged."""

AT_ONCE = 8192
"""Faces set against all candidates at a time."""


@dataclass(frozen=True)
class Terms:
    """What is so in one pose.

    Attributes
    ----------
    overhang : mm² of surface whose slope is more than the overhang angle from the vertical,
        without what lies on the platform.
    support : cm³ of columns from there down to the platform or the piece's own surface.
    support_error : cm³ by which that may be off at most, for the height field's coarseness;
        on sculpted pieces a field six times as fine differed by less than 1 %.
    height : mm.
    contact : mm² lying on the platform: what faces lie whole within the first layer cover.
    tip : degrees by which the piece as printed can be tilted about the rim of its contact
        before it falls over; 0 if it does not stand by itself.
    propped : the same, with the supports that stand on the platform.
    scars : mm² of skin that supports touch; keep-clear skin counts more.
    stairs : mm² of skin, each times the cosine of its slope to the level, as stair-steps are
        that high in layers; level skin has none, keep-clear skin counts more.
    suction : mm² of the largest layer, which must be peeled off the vat's floor.
    layers : how far the layers lie across the worst peg or thin limb: 0 along it, 1 square
        to it, when it stands and bends where it is weakest.
    """

    overhang: float
    support: float
    support_error: float
    height: float
    contact: float
    tip: float
    propped: float
    scars: float
    stairs: float
    suction: float
    layers: float


@dataclass(frozen=True, eq=False)
class Prepared:
    """A piece made ready to be judged in many poses.

    Attributes
    ----------
    mesh : in its own coordinates, mm.
    normals : (F, 3) unit; 0 for a face without area.
    worth : (F,) how much a face's looks matter.
    hull : (H, 3) vertices of the convex hull.
    planes, plane_areas : (P, 3) normals and (P,) areas of the hull's triangles.
    centre : (3,) mass centre as printed, mm.
    printed : mm³ that are printed, supports aside.
    lines : (L, 3) unit directions of pegs and thin limbs; matters : (L,) how much each does.
    layer : height, mm.
    angle : overhang angle, degrees from the vertical.
    cell : side of the height field's columns, mm.
    """

    mesh: Mesh
    normals: FloatArray
    worth: FloatArray
    hull: FloatArray
    planes: FloatArray
    plane_areas: FloatArray
    centre: FloatArray
    printed: float
    lines: FloatArray
    matters: FloatArray
    layer: float
    angle: float
    cell: float


def prepared(
    mesh: Mesh,
    profile: PrinterProfile,
    *,
    angle: float,
    keep: BoolArray | None = None,
    keep_worth: float = 1.0,
    pegs: Sequence[Row] = (),
) -> Prepared:
    """Make a piece ready.

    Parameters
    ----------
    angle : overhang angle, degrees from the vertical.
    keep : (F,) its keep-clear faces, which count `keep_worth` times.
    pegs : directions of pegs and thin limbs in the piece, of any length, and how much each
        matters, 0 to 1. A slender piece is a thin limb in itself.

    Raises
    ------
    BadInput
        If the piece encloses nothing, or `keep` or `pegs` is not as it should be.
    """
    if keep is not None and np.shape(keep) != (len(mesh.faces),):
        raise BadInput(
            f"Keep-clear marks have shape {np.shape(keep)}; give one per face, "
            f"({len(mesh.faces)},)."
        )
    mesh = mesh.compacted()
    try:
        hull = ConvexHull(mesh.vertices)
    except (QhullError, ValueError) as error:
        raise BadInput("The piece is flat or empty; give it thickness to find its pose.") from error
    length = 2 * mesh.areas
    corners = hull.points[hull.simplices]
    sides = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    printed = weight(mesh, profile)
    lines, matters = _lines((*pegs, *slender(mesh)))
    return Prepared(
        mesh,
        mesh.face_vectors / np.where(length > 0, length, 1.0)[:, None],
        np.ones(len(mesh.faces)) if keep is None else np.where(keep, keep_worth, 1.0),
        hull.points[hull.vertices],
        hull.equations[:, :3],
        np.linalg.norm(sides, axis=1) / 2,
        printed.centre,
        1000 * printed.mass / profile.density,
        lines,
        matters,
        profile.layer_height,
        angle,
        cell_of(mesh),
    )


def slender(mesh: Mesh) -> tuple[Row, ...]:
    """The long axis of a slender piece; none if it is not.

    The axes are those of inertia of its surface; twice over `SLENDER` it matters in full.
    """
    corners = mesh.vertices[mesh.faces]
    # Exact for what is quadratic: a third of each face at the middle of each side.
    middles = (corners + np.roll(corners, 1, axis=1)).reshape(-1, 3) / 2
    share = np.repeat(mesh.areas, 3) / max(3 * float(mesh.areas.sum()), 1e-300)
    off = middles - share @ middles
    axes = np.linalg.eigh((off * share[:, None]).T @ off)[1]
    long, wide = np.ptp(mesh.vertices @ axes[:, 2]), np.ptp(mesh.vertices @ axes[:, 1])
    ratio = float(long / max(wide, 1e-300))
    if ratio < SLENDER:
        return ()
    return ((axes[:, 2], min(1.0, ratio / (2 * SLENDER))),)


def terms(piece: Prepared, down: FloatArray) -> Terms:
    """The terms of one pose. down : (3,) unit direction in the piece that points down."""
    mesh, facing = piece.mesh, piece.normals @ down
    turn = shortest_turn(down)
    points = mesh.vertices @ turn.T
    lowest = float((piece.hull @ turn[2]).min())
    points[:, 2] -= lowest
    height = float((piece.hull @ turn[2]).max()) - lowest
    lying = _lying(points[:, 2], mesh.faces, piece.layer) & (facing > 0)
    overhang = hanging(facing, piece.angle) & ~lying
    found = columns(points, mesh.faces, piece.cell)
    held = supports(found, overhang)
    rim = points[np.unique(mesh.faces[lying]), :2]
    feet = found.middles(held.column[held.landing < 0])
    centre = turn @ piece.centre - [0.0, 0.0, lowest]
    skin = (mesh.tag == SKIN) & (np.abs(facing) < LEVEL)
    return Terms(
        overhang=float(mesh.areas[overhang].sum()),
        support=held.volume / 1000,
        support_error=held.error / 1000,
        height=height,
        contact=float((mesh.areas * facing)[lying].sum()),
        tip=tip_angle(rim, centre),
        propped=tip_angle(np.concatenate([rim, feet]), centre),
        scars=scarred(mesh, overhang, held, found.cell, piece.worth),
        stairs=float((piece.worth * mesh.areas * np.abs(facing))[skin].sum()),
        suction=largest_layer(found, height),
        layers=float(_across(piece, down[None])[0]),
    )


def tip_angle(rim: FloatArray, centre: FloatArray) -> float:
    """Degrees that a body must be tilted about its rim before it falls over by itself.

    The mass centre then stands over the nearest edge of the contact's hull.

    Parameters
    ----------
    rim : (N, 2) points of the contact, mm.
    centre : (3,) mass centre above it, mm.

    Returns
    -------
    0 if the centre is not over the contact, or the contact is no more than a line.
    """
    if len(rim) < 3:
        return 0.0
    try:
        edges = ConvexHull(rim).equations
    except QhullError:
        return 0.0
    inside = float(-(edges[:, :2] @ centre[:2] + edges[:, 2]).max())
    return max(0.0, float(np.degrees(np.arctan2(inside, max(float(centre[2]), 1e-12)))))


def shortest_turn(down: FloatArray) -> FloatArray:
    """(3, 3) the smallest rotation that brings a unit direction to straight down."""
    x, y, z = -down
    level = x * x + y * y
    if z < 0 and level < 1e-24:
        # Straight up has no smallest one: it goes over the x axis.
        return np.diag([1.0, -1.0, -1.0])
    # Rodrigues' formula about (y, -x, 0), which is -down x z; near straight up 1 + z has lost
    # its digits.
    k = (1.0 - z) / level if z < 0 else 1.0 / (1.0 + z)
    return np.array(
        [[1.0 - k * x * x, -k * x * y, -x], [-k * x * y, 1.0 - k * y * y, -y], [x, y, z]]
    )


def rough_terms(piece: Prepared, downs: FloatArray) -> dict[str, FloatArray]:
    """The terms of many poses at once, roughly, by name (K,).

    Faces are gathered by where they look, so that overhang, scars and stair-steps of all
    poses are one product. Supports are taken to reach the platform and to prop the piece
    wherever they are enough, and the largest layer to be a mean one. Contact is counted rightly.
    """
    heights = piece.hull @ -downs.T
    low, high = heights.min(axis=0), heights.max(axis=0)
    height = high - low
    contact, tip = _rough_stand(piece, downs, low)
    area, skin, normals, middles = _bins(piece)
    facing = downs @ normals.T
    over = facing > np.sin(np.radians(piece.angle)) + 1e-6
    # What lies on the platform needs no support: it is the same as the contact.
    overhang = np.maximum(over @ area - contact, 0.0)
    above = -downs @ middles.T - low[:, None]
    support = ((over * facing) * above) @ area
    return {
        "overhang": overhang,
        "support": support / 1000,
        "height": height,
        "contact": contact,
        "tip": tip,
        "propped": np.where(overhang > PROPS * area.sum(), 90.0, tip),
        "scars": np.minimum(over @ skin, over @ skin * overhang / np.maximum(over @ area, 1e-12)),
        "stairs": (np.abs(facing) * (np.abs(facing) < LEVEL)) @ skin,
        "suction": abs(piece.mesh.volume) / height,
        "layers": _across(piece, downs),
    }


def _bins(piece: Prepared) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Faces gathered by normal, seam faces apart from skin: (B,) areas, (B,) areas of skin by
    worth, (B, 3) mean normals and (B, 3) mean middles."""
    mesh, n = piece.mesh, piece.normals
    # Cells on the sides of a cube round the sphere.
    side = np.abs(n).argmax(axis=1)
    rows = np.arange(len(n))
    most = np.where(n[rows, side] == 0.0, 1.0, n[rows, side])
    across = np.stack([n[rows, (side + 1) % 3], n[rows, (side + 2) % 3]], axis=1)
    cell = np.clip(((across / np.abs(most)[:, None] + 1) * 6).astype(np.intp), 0, 11)
    key = ((2 * side + (most > 0)) * 12 + cell[:, 0]) * 12 + cell[:, 1]
    label = np.unique(2 * key + (mesh.tag == SKIN), return_inverse=True)[1].ravel()
    area = _summed(label, mesh.areas)
    skin = _summed(label, mesh.areas * piece.worth * (mesh.tag == SKIN))
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    safe = np.maximum(area, 1e-300)[:, None]
    looks, means = (
        np.stack([_summed(label, mesh.areas * v[:, k]) for k in range(3)], axis=1)
        for v in (n, middle)
    )
    length = np.maximum(np.linalg.norm(looks, axis=1, keepdims=True), 1e-300)
    return area, skin, looks / length, means / safe


def _rough_stand(
    piece: Prepared, downs: FloatArray, low: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Contact, mm², of many poses (K,), and the angle at which a round one of it tips."""
    mesh, count = piece.mesh, len(downs)
    normals, ways = piece.normals.astype(np.float32), downs.T.astype(np.float32)
    pairs = [
        np.stack([face + start, way])
        for start in range(0, len(normals), AT_ONCE)
        for face, way in [np.nonzero(normals[start : start + AT_ONCE] @ ways > DOWNISH)]
    ]
    face, way = np.concatenate(pairs, axis=1)
    corners = mesh.vertices[mesh.faces[face]]
    lift = -np.einsum("nij,nj->ni", corners, downs[way]) - low[way, None]
    lies = lift.max(axis=1) <= piece.layer
    face, way, corners = face[lies], way[lies], corners[lies]
    area = mesh.areas[face]
    contact = _summed(way, area, count)
    middle = np.stack(
        [_summed(way, area * corners[:, :, k].mean(axis=1), count) for k in range(3)], axis=1
    ) / np.maximum(contact, 1e-300)[:, None]  # fmt: skip
    off = piece.centre - middle
    up = -np.einsum("ij,ij->i", off, downs)
    aside = np.linalg.norm(off + up[:, None] * downs, axis=1)
    inside = np.maximum(np.sqrt(contact / np.pi) - aside, 0.0)
    tip = np.degrees(np.arctan2(inside, np.maximum(up, 1e-9)))
    return contact, np.where(contact > 0, tip, 0.0)


def _summed(label: IndexArray, values: FloatArray, count: int = 0) -> FloatArray:
    """The sum of the values of each label."""
    return np.bincount(label, weights=values, minlength=count).astype(np.float64)


def _lying(height: FloatArray, faces: IntArray, layer: float) -> BoolArray:
    """Which faces lie whole within the first layer. height : (V,) above the platform, mm."""
    return np.asarray((height <= layer)[faces].all(axis=1))


def _across(piece: Prepared, downs: FloatArray) -> FloatArray:
    """(K,) how far the layers lie across the worst peg or thin limb."""
    if not len(piece.lines):
        return np.zeros(len(downs))
    return np.asarray((np.abs(downs @ piece.lines.T) * piece.matters).max(axis=1))


def _lines(rows: Sequence[Row]) -> tuple[FloatArray, FloatArray]:
    """Unit directions and how much each matters."""
    lines = np.array([row[0] for row in rows], dtype=np.float64).reshape(-1, 3)
    matters = np.array([row[1] for row in rows], dtype=np.float64)
    length = np.linalg.norm(lines, axis=1)
    if not (np.isfinite(length) & (length > 0)).all():
        raise BadInput("A peg's direction has no length; give one such as [0, 0, 1].")
    if not ((matters >= 0) & (matters <= 1)).all():
        raise BadInput(f"A peg matters {matters.tolist()}; give shares from 0 to 1.")
    return lines / length[:, None], matters
