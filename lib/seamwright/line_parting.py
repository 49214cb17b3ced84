"""Parting a figure along a line: skin kept as it is, one membrane on both sides.

figure, line = line_of(figure, seam)
surface = spanned(figure, line)
parted = part_along_line(figure, line, surface, tag)
is_apart(parted, tag)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix, vstack
from scipy.spatial import cKDTree

from seamwright.adjacency import EdgeTable, fan_of_corner, next_corner
from seamwright.contact import first_crossing
from seamwright.depth import Depths
from seamwright.errors import BadInput, SeamwrightError
from seamwright.frame import Frame
from seamwright.line import Line
from seamwright.membrane import (
    NEARLY_FLAT,
    Membrane,
    membrane,
    relaxed,
    require_simple,
)
from seamwright.mesh import SKIN, BoolArray, FloatArray, IntArray, Mesh, vertex_shells
from seamwright.outline import IdArray, dot
from seamwright.seam import place

PUSH = 0.3
"""Share of its distance from the line by which a point is pushed in at a time, and"""
PUSHES = 12
"""how often at most: several times its distance in all (common practice, no source)."""
CLEAR = 0.1
"""Depth under the skin to which a film is pressed in, as a share of the distance to the line,"""
SHALLOW = 0.5
"""and as a share of the line's median edge, which is enough (common practice, no source)."""
SLACK = (0.5, 0.1)
"""Shares of that depth that may be lacking when a film counts as pressed in: the first is
quickly had and mostly does."""
OVER = 1.2
"""How much farther a point is moved than it lacks on the mean, as its neighbours hold it back."""
ASTRAY = 0.25
"""A film with more than this share of it outside the material is not pressed in: it runs where
none is, or through another film (common practice, no source)."""
HELD = 0.5
"""Points not deeper than wanted by more than this share of it stay while the film settles."""
PRESSES = 8
"""How often a film is pressed in at most for each of those (common practice, no source)."""
CELLS = 64
"""Cells along a membrane's longest side, by which skin far from it is passed over."""
LEAST_ANGLE = 1e-4
"""Radians: a membrane that leaves the line closer to the skin than this lies on it."""


def spanned(
    figure: Mesh, line: Line, *, nearly_flat: float = NEARLY_FLAT, spacing: float | None = None
) -> Membrane:
    """The membrane of a line on a figure, found to be simple and inside the figure.

    Raises
    ------
    BadInput
        As `membrane`, `require_simple` and `require_inside`.
    """
    barred = chords(figure, line)
    surface = membrane(line.points, nearly_flat=nearly_flat, spacing=spacing, barred=barred)
    extent = float(np.linalg.norm(np.ptp(line.points, axis=0)))
    if line.flatness <= nearly_flat * extent:
        try:
            return _found_sound(surface, figure, line)
        except BadInput:
            # Without inner points a face may lie in the skin where the line bends a little.
            surface = membrane(line.points, nearly_flat=0.0, spacing=spacing, barred=barred)
    surface = _tucked(surface, figure, line)
    try:
        return _found_sound(surface, figure, line)
    except BadInput as error:
        # What is wrong with the film itself tells more than what is wrong with it pressed in.
        wrong = error
    for slack in SLACK:
        pressed = _pressed(surface, figure, line, slack)
        if pressed is None:
            break
        surface = _tucked(pressed, figure, line)
        try:
            return _found_sound(surface, figure, line)
        except BadInput:
            continue
    raise wrong


def _found_sound(surface: Membrane, figure: Mesh, line: Line) -> Membrane:
    require_simple(surface)
    require_inside(surface, figure, line)
    return surface


@dataclass(frozen=True, eq=False)
class _Strip:
    """The faces that touch a line, in numbers of their own.

    rows : (K,) of the mesh's faces. used : (U,) the mesh's vertices in them.
    table : of their edges. turn : (U,) place of each vertex in the line, -1 off it.
    along, against : (N,) half-edges that run as the line does, and against it, by place.
    """

    rows: IdArray
    used: IdArray
    table: EdgeTable
    turn: IdArray
    along: IdArray
    against: IdArray


def _strip(mesh: Mesh, line: Line) -> _Strip:
    """The faces about a line; BadInput if it is not two-sided skin all the way."""
    count = len(line.vertices)
    if line.vertices.max() >= len(mesh.vertices) or not np.array_equal(
        mesh.vertices[line.vertices], line.points
    ):
        raise BadInput(
            f"The line at {place(line.points[0])} does not lie on this figure; draw it again."
        )
    on_line = np.zeros(len(mesh.vertices), dtype=bool)
    on_line[line.vertices] = True
    a, b, c = mesh.faces.T
    rows = np.flatnonzero(on_line[a] | on_line[b] | on_line[c])
    used, local = np.unique(mesh.faces[rows].ravel(), return_inverse=True)
    table = EdgeTable.of(local.reshape(-1, 3).astype(np.int32), len(used))
    turn_of = np.full(len(mesh.vertices), -1, dtype=np.int64)
    turn_of[line.vertices] = np.arange(count)
    turn = turn_of[used]
    start, end = turn[table.start], turn[table.end]
    on = (start >= 0) & (end >= 0) & (table.mate >= 0)
    along = np.flatnonzero(on & (end == (start + 1) % count))
    along = along[np.argsort(start[along], kind="stable")]
    if not np.array_equal(start[along], np.arange(count)):
        missing = np.setdiff1d(np.arange(count), start[along])
        k = int(missing[0]) if len(missing) else 0
        raise BadInput(
            f"The line leaves the surface at {place(line.points[k])}; mend the figure or "
            "draw the line again."
        )
    ids = used.astype(np.int64)
    return _Strip(rows, ids, table, turn, along, table.mate[along].astype(np.int64))


def chords(mesh: Mesh, line: Line) -> IdArray:
    """(K, 2) places in the line of points that a mesh edge joins which is not the line's.

    A membrane that joined them too would make one edge of four faces.
    """
    strip = _strip(mesh, line)
    count = len(line.vertices)
    start, end = strip.turn[strip.table.start], strip.turn[strip.table.end]
    step = (end - start) % count
    found = (start >= 0) & (end > start) & (step != 1) & (step != count - 1)
    return np.asarray(np.unique(np.stack([start[found], end[found]], axis=1), axis=0))


def part_along_line(mesh: Mesh, line: Line, surface: Membrane, tag: int) -> Mesh:
    """Part a figure along a line, touching no face of it.

    Parameters
    ----------
    mesh : closed, oriented figure, mm; parted elsewhere already or not, as long as no other
        seam has touched the line.
    line : on it.
    surface : the line's membrane, see `spanned`.
    tag : of the faces it leaves, above 0.

    Returns
    -------
    One mesh: the faces given, in their order, then side A's cap (looking against the
    membrane's normals), then side B's (along them), which hold the same points to the last
    bit. Side A is on the left of the line, seen from outside: where the membrane's normals
    point. Side A keeps the line's vertices and side B gets copies, so no vertex is shared
    across the seam. A line round a handle leaves the figure in one solid: see `is_apart`.

    Raises
    ------
    BadInput
        If the line is not on the mesh or not sound skin all along.
    SeamwrightError
        If the membrane is not the line's, or joins two of its points that a skin edge joins.
    """
    if surface.rim != len(line.vertices) or not np.array_equal(
        surface.vertices[: surface.rim], line.points
    ):
        raise SeamwrightError("The membrane is another line's.")
    strip = _strip(mesh, line)
    _require_no_chord(mesh, line, surface)
    rim, inner = surface.rim, len(surface.vertices) - surface.rim
    count = len(mesh.vertices)
    faces, more = _side_b_copied(mesh, line, strip)
    extra = count + rim + len(more)
    side_a = np.r_[line.vertices, extra + np.arange(inner)].astype(np.int32)
    side_b = np.r_[count + np.arange(rim), extra + inner + np.arange(inner)].astype(np.int32)
    new = surface.vertices[rim:]
    return Mesh(
        np.concatenate([mesh.vertices, line.points, mesh.vertices[more], new, new]),
        np.concatenate([faces, side_a[surface.faces[:, ::-1]], side_b[surface.faces]]),
        np.concatenate([mesh.tag, np.full(2 * len(surface.faces), tag, dtype=np.int32)]),
    )


def _side_b_copied(mesh: Mesh, line: Line, strip: _Strip) -> tuple[IntArray, IdArray]:
    """The mesh's faces with side B's corners on the line renumbered.

    Side B's copy of the line's k-th vertex gets the number of vertices plus k. Where
    another sheet of skin meets the line in a mere point, it gets a vertex of its own.

    Returns
    -------
    Faces (F, 3), and the vertices that such sheets' copies are of.
    """
    mate = strip.table.mate.copy()
    mate[strip.along] = -1
    mate[strip.against] = -1
    # What hangs together about a vertex without crossing the line is on one side of it.
    fan = fan_of_corner(strip.table.start, mate)
    side = np.zeros(int(fan.max()) + 1, dtype=np.int8)
    on_a, on_b = (
        fan[np.r_[h, next_corner(h.astype(np.int32))]] for h in (strip.along, strip.against)
    )
    side[on_a] = 1
    if side[on_b].any():
        corner = int(np.flatnonzero(np.isin(fan, on_b[side[on_b] > 0]))[0])
        at = mesh.vertices[strip.used[strip.table.start[corner]]]
        raise BadInput(
            f"The skin about the line is open or pinched at {place(at)}; mend the figure."
        )
    side[on_b] = 2
    turn = strip.turn[strip.table.start]
    corners = strip.used[strip.table.start]
    here = (turn >= 0) & (side[fan] == 2)
    corners[here] = len(mesh.vertices) + turn[here]
    loose = np.flatnonzero((turn >= 0) & (side[fan] == 0))
    _, first, which = np.unique(fan[loose], return_index=True, return_inverse=True)
    more = strip.used[strip.table.start[loose[first]]]
    corners[loose] = len(mesh.vertices) + len(line.vertices) + which
    faces = mesh.faces.copy()
    faces[strip.rows] = corners.reshape(-1, 3).astype(np.int32)
    return faces, np.asarray(more, dtype=np.int64)


def _require_no_chord(mesh: Mesh, line: Line, surface: Membrane) -> None:
    """Raise if a membrane edge joins two points of the line that a skin edge joins."""
    count = len(line.vertices)
    barred = chords(mesh, line)
    low = np.minimum(surface.faces, surface.faces[:, [1, 2, 0]]).astype(np.int64)
    high = np.maximum(surface.faces, surface.faces[:, [1, 2, 0]]).astype(np.int64)
    hit = np.isin(low * count + high, barred[:, 0] * count + barred[:, 1]) & (high < count)
    if hit.any():
        raise SeamwrightError(
            f"The membrane has an edge at {place(line.points[int(low[hit][0])])} that the skin "
            "has too; span the line with its chords barred."
        )


def is_apart(parted: Mesh, tag: int) -> bool:
    """Whether the line seam `tag` lies between two shells: its two sides are not one.

    parted : as `part_along_line` left it, or parted along further lines, which keep the
        faces' order; a flat seam that cuts the caps does not.
    False where the line runs round a handle, so that the figure hangs together elsewhere.
    """
    shell = vertex_shells(parted.faces, len(parted.vertices))
    mine = parted.faces[parted.tag == tag]
    half = len(mine) // 2
    a, b = shell[mine[:half, 0]], shell[mine[half:, 0]]
    return not len(np.intersect1d(a, b))


# --- inside ----------------------------------------------------------------------------


def require_inside(surface: Membrane, figure: Mesh, line: Line) -> None:
    """Raise BadInput, with the place, if a line's membrane is not inside the figure.

    At every edge of the line the membrane must leave between the two skin faces, through
    the material; and beyond it must meet no face of the figure, skin or an earlier seam's.
    """
    strip = _strip(figure, line)
    outside = _wedges(surface, figure, strip).wrong
    if outside.any():
        k = int(np.argmax(outside))
        middle = (line.points[k] + line.points[(k + 1) % len(line.points)]) / 2
        raise BadInput(
            f"The surface that spans the line leaves the figure at {place(middle)}: the line "
            "goes round a hole there, lies in a flat face, or turns too sharply; draw it round "
            "the limb, with a smoother course."
        )
    inner = len(surface.vertices) - surface.rim
    near = _near(figure, surface, line.plane)
    used, skin = np.unique(figure.faces[near].ravel(), return_inverse=True)
    # Vertices shared with the skin go by its numbers; in the line's own plane boxes are thin.
    ids = np.r_[np.searchsorted(used, line.vertices), len(used) + np.arange(inner)]
    found = first_crossing(
        line.plane.to_local(surface.vertices),
        surface.faces,
        line.plane.to_local(figure.vertices[used]),
        skin.reshape(-1, 3).astype(np.int32),
        ids[surface.faces].astype(np.int32),
    )
    if found is not None:
        raise BadInput(
            f"The surface that spans the line meets the figure's surface at "
            f"{place(line.plane.to_world(found))}; "
            "move the line so that only material lies within it."
        )


def _near(figure: Mesh, surface: Membrane, frame: Frame) -> IdArray:
    """(K,) faces that come near a membrane: first by its box, then by cells that it is in.

    frame : of the membrane's plane, in which it is thin.
    """
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    beyond = np.concatenate([figure.vertices < low, figure.vertices > high], axis=1)
    bits = np.packbits(beyond, axis=1)[:, 0]
    a, b, c = figure.faces.T
    rows = np.flatnonzero((bits[a] & bits[b] & bits[c]) == 0)
    span = frame.to_local(surface.vertices)
    cell = float(np.ptp(span, axis=0).max()) / CELLS
    origin = span.min(axis=0) - cell
    spanned_cells = ((span - origin) / cell).astype(np.int64)[surface.faces]
    # A cell more all round: skin faces no larger than a cell then have a corner in it.
    first, last = spanned_cells.min(axis=1) - 1, spanned_cells.max(axis=1) + 2
    held = np.zeros(last.max(axis=0), dtype=bool)
    for (x, y, z), (x2, y2, z2) in zip(first.tolist(), last.tolist(), strict=True):
        held[x:x2, y:y2, z:z2] = True
    corners = frame.to_local(figure.vertices[figure.faces[rows]].reshape(-1, 3))
    at = np.floor((corners - origin) / cell).astype(np.int64)
    within = ((at >= 0) & (at < held.shape)).all(axis=1)
    at[~within] = 0
    touched = (held[tuple(at.T)] & within).reshape(-1, 3).any(axis=1)
    large = np.ptp(corners.reshape(-1, 3, 3), axis=1).max(axis=1) > cell
    return np.asarray(rows[touched | large])


@dataclass(frozen=True, eq=False)
class _Wedges:
    """At each edge of a line: the material between the skin faces, and the membrane in it.

    third : (N,) the membrane's vertex opposite each edge. reach : (N,) its distance, mm.
    inward : (N, 3) the middle of the material. wrong : (N,) edges whose membrane is not in it.
    """

    third: IntArray
    reach: FloatArray
    inward: FloatArray
    wrong: BoolArray


def _wedges(surface: Membrane, figure: Mesh, strip: _Strip) -> _Wedges:
    """Angles about each edge of the line, turned from side A's face into the material."""
    count, faces = surface.rim, surface.faces
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    rim = np.flatnonzero((start < count) & (end == (start + 1) % count))
    rim = rim[np.argsort(start[rim], kind="stable")]
    if not np.array_equal(start[rim], np.arange(count)):
        raise SeamwrightError("The membrane's rim is not the line.")
    third = np.roll(faces, 1, axis=1).ravel()[rim]
    a, b = surface.vertices[:count], np.roll(surface.vertices[:count], -1, axis=0)
    side = np.linalg.norm(b - a, axis=1)
    along = (b - a) / side[:, None]
    corner = figure.faces[strip.rows].ravel()

    def arm(tips: FloatArray) -> FloatArray:
        """From the edge towards the tips, square to it."""
        off = tips - a
        return np.asarray(off - dot(off, along)[:, None] * along)

    left = arm(figure.vertices[corner[_third(strip.along)]])
    left /= np.maximum(np.linalg.norm(left, axis=1), 1e-300)[:, None]
    right = arm(figure.vertices[corner[_third(strip.against)]])
    middle = arm(surface.vertices[third])
    down = -np.cross(along, left)
    skin, own = (np.arctan2(dot(x, down), dot(x, left)) % (2 * np.pi) for x in (right, middle))
    reach = np.linalg.norm(middle, axis=1)
    wrong = (own < LEAST_ANGLE) | (own > skin - LEAST_ANGLE)
    half = skin[:, None] / 2
    # A needle on the edge has no direction; its neighbour beyond has.
    return _Wedges(
        third, reach, np.cos(half) * left + np.sin(half) * down, wrong & (reach > 1e-9 * side)
    )


def _tucked(surface: Membrane, figure: Mesh, line: Line) -> Membrane:
    """The membrane with inner points next to the line moved in where it leaves the material.

    A film of least area may graze rough skin at its rim; a little push is enough.
    """
    strip = _strip(figure, line)
    vertices = surface.vertices
    for _ in range(PUSHES):
        found = _wedges(surface, figure, strip)
        some = np.flatnonzero(found.wrong & (found.third >= surface.rim))
        if not len(some):
            break
        push = PUSH * found.reach[some, None] * found.inward[some]
        count = np.bincount(found.third[some], minlength=len(vertices))
        vertices = surface.vertices.copy()
        for axis in range(3):
            total = np.bincount(found.third[some], push[:, axis], minlength=len(vertices))
            vertices[:, axis] += total / np.maximum(count, 1)
        surface = Membrane(vertices, surface.faces, surface.rim)
    return surface


def _pressed(surface: Membrane, figure: Mesh, line: Line, slack: float) -> Membrane | None:
    """The membrane with inner points moved in where it leaves the material or grazes the skin.

    A film of least area cuts corners: where the skin bulges inwards it may run outside. Its
    points and the middles of its edges and faces are pressed in by what they lack, by turns
    with the film settling anew; whether it then is sound is found otherwise. None if it is or
    stays far outside, as over a hollow.

    slack : share of the depth wanted that may be lacking in the end.
    """
    rim, faces, vertices = surface.rim, surface.faces, surface.vertices
    fixed = np.arange(len(vertices)) < rim
    if fixed.all():
        return None
    skin = Depths.of(figure, _own_near(figure, surface, line))
    probes = _probes(surface)
    ahead = np.roll(line.points, -1, axis=0) - line.points
    quarters = np.arange(4)[:, None, None] / 4
    rail = cKDTree((line.points + quarters * ahead).reshape(-1, 3))
    most = SHALLOW * float(np.median(np.sqrt(dot(ahead, ahead))))
    for done in range(PRESSES):
        points = probes @ vertices
        depth, deeper = skin.at(points)
        wanted = np.minimum(CLEAR * rail.query(points)[0], most)
        lack = wanted - depth
        if (lack <= slack * wanted).all():
            break
        astray = not done and (depth < 0).mean() > ASTRAY
        if astray or (done >= PRESSES // 2 and depth.min() < -most):
            return None
        short = lack > 0
        part = _parts(probes[short])
        count, push = part.sum(axis=1).A1, part @ (lack[short, None] * deeper[short])
        moved = (count > 0) & ~fixed
        vertices = vertices.copy()
        vertices[moved] += OVER * push[moved] / count[moved, None]
        # What only just is deep enough would settle back to where it was.
        held = _parts(probes[lack > -HELD * wanted]).sum(axis=1).A1 > 0
        vertices = relaxed(vertices, faces, fixed | held, most=1)
        # What is far deeper than the film is moved need not be looked at again.
        probes = probes[lack > -max(8 * most, 2 * float(lack.max()))]
    return Membrane(vertices, faces, rim)


def _parts(probes: csr_matrix) -> csr_matrix:
    """(M, P) 1 where a vertex has a part in a probe."""
    return (probes > 0).astype(np.float64).T.tocsr()


def _probes(surface: Membrane) -> csr_matrix:
    """(P, M) weights of a membrane's points in its inner points and the middles of its inner
    edges and its faces."""
    count, faces = len(surface.vertices), surface.faces
    table = EdgeTable.of(faces, count)
    h = np.flatnonzero(table.mate > np.arange(len(table.mate)))
    inner = np.arange(surface.rim, count)
    parts = (inner[:, None], np.stack([table.start[h], table.end[h]], axis=1), faces)
    return vstack(
        [
            csr_matrix(
                (
                    np.full(part.size, 1 / part.shape[1]),
                    part.ravel(),
                    np.arange(0, part.size + 1, part.shape[1]),
                ),
                shape=(len(part), count),
            )
            for part in parts
        ],
        format="csr",
    )


def _own_near(figure: Mesh, surface: Membrane, line: Line) -> IdArray:
    """(K,) faces near a membrane, without those that other line seams left on other pieces."""
    rows = _near(figure, surface, line.plane)
    foreign = figure.tag[rows] != SKIN
    if foreign.any():
        shell = vertex_shells(figure.faces, len(figure.vertices))
        foreign &= shell[figure.faces[rows, 0]] != shell[line.vertices[0]]
    return np.asarray(rows[~foreign])


def _third(half_edge: IdArray) -> IdArray:
    """The corner of each half-edge's face that is not on it."""
    return np.asarray(3 * (half_edge // 3) + (half_edge + 2) % 3)
