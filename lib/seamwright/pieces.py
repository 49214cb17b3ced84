"""Pieces: a figure taken apart along all its seams."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from seamwright.crossing import SNAP
from seamwright.errors import BadInput, Progress
from seamwright.known import Known, key_of
from seamwright.line_parting import part_along_line
from seamwright.mating import matched
from seamwright.mesh import SKIN, IntArray, Mesh, relabelled
from seamwright.outline import IdArray, Region
from seamwright.parting import part, part_regions, solids
from seamwright.reach import require_free
from seamwright.seam import Seam, in_order, place, to_part
from seamwright.section import Section, section
from seamwright.span import Span, Spans, spans

BLOCKS_PAY = 4
"""Seams from which on sorting the faces into blocks takes less time than it saves."""


@dataclass(frozen=True, eq=False)
class Piece:
    """One solid that is printed on its own; `id` counts from the ground up, from 1."""

    id: int
    mesh: Mesh

    @property
    def name(self) -> str:
        return f"piece-{self.id:02d}"


def take_apart(
    figure: Mesh,
    seams: tuple[Seam, ...],
    progress: Progress | None = None,
    spanned: Spans | None = None,
) -> tuple[Piece, ...]:
    """Part a figure along all its seams.

    Parameters
    ----------
    figure : oriented mesh, mm, sound wherever a seam takes it. It is not changed.
    seams : each with an id of its own, above 0. Their order does not change the pieces.
    spanned : of the line seams, see `span.spans`; found if None.

    Returns
    -------
    Pieces, numbered from the ground up.

    Raises
    ------
    BadInput
        If a seam misses the figure, or its reach leaves the figure in one solid; the
        sentence then names the other regions that tie it together.
    """
    ordered = in_order(seams)
    lines = spans(figure, ordered) if spanned is None else spanned
    wholes = sections(figure, ordered, lines)
    flat = tuple(seam for seam in ordered if not seam.line)
    regions = {seam.name: to_part(seam, wholes[seam.name]) for seam in flat}
    _require_apart(flat, regions, SNAP * figure.diagonal)
    mesh = lines.figure
    for done, seam in enumerate(ordered):
        if progress:
            progress(done / len(seams), f"parting along {seam.name}")
        if seam.line:
            mesh = part_along_line(mesh, lines[seam.name].line, lines[seam.name].surface, seam.id)
            continue
        whole, wanted = wholes[seam.name], regions[seam.name]
        if mesh is whole.crossing.mesh:
            mesh = part_regions(mesh, whole, list(wanted), seam.id)
        else:
            mesh = part(mesh, seam, wanted, whole.crossing.snap)
    _require_all_left_faces(mesh, ordered)
    solid = _with_sheets(mesh, solids(mesh))
    for seam in ordered:
        if seam.line:
            _require_line_free(mesh, solid, seam, lines[seam.name])
    require_free(mesh, solid, tuple((seam, wholes[seam.name]) for seam in flat))
    return _numbered(mesh, solid, len(lines.figure.vertices))


def _with_sheets(mesh: Mesh, solid: IntArray) -> IntArray:
    """(F,) the solids, with sheets that no seam parts given to the solid nearest them.

    A loose sheet, such as a lash, bounds nothing: it stays with what it is on.
    """
    parted = np.zeros(int(solid.max(initial=-1)) + 1, dtype=bool)
    parted[solid[mesh.tag != SKIN]] = True
    sheets = [k for k in np.flatnonzero(~parted) if _is_sheet(mesh.subset(solid == k))]
    if not sheets or len(sheets) == len(parted):
        return solid
    loose = np.isin(solid, sheets)
    held = np.flatnonzero(~loose)
    corners = mesh.faces[held].ravel()
    near = cKDTree(mesh.vertices[corners])
    merged = solid.copy()
    for k in sheets:
        rows = np.flatnonzero(solid == k)
        away, at = near.query(mesh.vertices[mesh.faces[rows].ravel()])
        merged[rows] = solid[held[at[int(np.argmin(away))] // 3]]
    return relabelled(merged)


def _is_sheet(shell: Mesh) -> bool:
    """Whether a shell is as open as a bowl, or more so, and not a body with a hole.

    The rim L of a flat sheet of area A is 4 pi A <= L^2 (the isoperimetric inequality); of
    half a sphere it is half of that.
    """
    rim = shell.vertices[shell.edge_counts.open]
    length = float(np.linalg.norm(rim[:, 0] - rim[:, 1], axis=1).sum())
    return length > 0 and length**2 >= 2 * np.pi * float(shell.areas.sum())


def _require_all_left_faces(mesh: Mesh, seams: tuple[Seam, ...]) -> None:
    """Raise if a seam lies wholly in another's face, as a flat one in a level line seam's."""
    left = set(np.unique(mesh.tag[mesh.tag != SKIN]).tolist())
    for seam in seams:
        if seam.id not in left:
            raise BadInput(
                f"Seam '{seam.name}' finds nothing left to part at {place(seam.point)}: another "
                "seam lies in the same place; take one of them away."
            )


def _require_line_free(mesh: Mesh, solid: IntArray, seam: Seam, span: Span) -> None:
    """Raise if a line seam has the same solid on both sides of one place."""
    rows = np.flatnonzero(mesh.tag == seam.id)
    corners = mesh.vertices[mesh.faces[rows]]
    _, met = matched(corners, span.line.plane.normal)
    tied = solid[rows[met.a]] == solid[rows[met.b]]
    if tied.any():
        at = corners[met.a[int(np.argmax(tied))]].mean(axis=0)
        raise BadInput(
            f"Seam '{seam.name}' leaves the figure in one solid at {place(at)}: its line runs "
            "round a handle, such as an arm whose hand is on the hip; part the figure there "
            "with another seam too."
        )


def sections(
    figure: Mesh, seams: tuple[Seam, ...], spanned: Spans | None = None
) -> dict[str, Section]:
    """By name, each flat seam's section of the figure parted along the seams it stops at.

    seams : in order, see `seam.in_order`.
    spanned : of the line seams, see `span.spans`; found if None.
    """
    lines = spans(figure, seams) if spanned is None else spanned
    if sum(not seam.line for seam in seams) >= BLOCKS_PAY:
        _ = lines.figure.blocks
    parted: dict[frozenset[str], Mesh] = {frozenset(): lines.figure}
    found: dict[str, Section] = {}
    snap = SNAP * figure.diagonal
    stops: dict[str, frozenset[str]] = {}
    for seam in seams:
        stops[seam.name] = frozenset(seam.stops_at).union(*(stops[n] for n in seam.stops_at))
        if seam.line:
            continue
        # Not by a function that calls itself from in here: such a one holds all these meshes
        # until the collector of cycles comes by.
        done: frozenset[str] = frozenset()
        for last in (s for s in seams if s.name in stops[seam.name]):
            before, done = parted[done], done | {last.name}
            if done in parted:
                continue
            if last.line:
                span = lines[last.name]
                parted[done] = part_along_line(before, span.line, span.surface, last.id)
            else:
                parted[done] = part(before, last, to_part(last, found[last.name]), snap)
        found[seam.name] = section(parted[done], seam.frame, snap)
    return found


def _require_apart(
    seams: tuple[Seam, ...], regions: dict[str, tuple[Region, ...]], snap: float
) -> None:
    """Raise if two seams part the same place in the same plane."""
    for k, seam in enumerate(seams):
        for other in seams[:k]:
            frame = seam.frame
            lift = abs(float(frame.heights(other.frame.origin[None])[0]))
            parallel = np.linalg.norm(np.cross(frame.normal, other.frame.normal)) < 1e-9
            if not parallel or lift > snap:
                continue
            for region in regions[other.name]:
                at = other.frame.to_world(region.inner_point)
                here = frame.to_plane(at[None])
                if any(r.contains(here)[0] for r in regions[seam.name]):
                    raise BadInput(
                        f"Seams '{other.name}' and '{seam.name}' part the same place "
                        f"{place(at)} in the same plane; take one of them away."
                    )


def slivers(
    pieces: tuple[Piece, ...],
    wall: float,
    seams: tuple[Seam, ...],
    known: Known | None = None,
) -> tuple[str, ...]:
    """A sentence on each piece too slight to print or handle, and the seams that make it.

    Its mean thickness, twice its volume over its area (what a sheet has), is less than
    `wall` mm, or its volume is less than a cube of twice that.

    known : what was measured for an earlier result.
    """
    known = known or Known()
    names = {seam.id: seam.name for seam in seams}
    found = []
    for piece in pieces:
        mesh = piece.mesh
        key = key_of("thickness", known.shape(mesh))
        volume, thickness = known.of(key, partial(_volume_and_thickness, mesh))
        if thickness >= wall and volume >= (2 * wall) ** 3:
            continue
        made_by = [f"'{names[int(k)]}'" for k in np.unique(mesh.tag) if int(k) in names]
        found.append(
            f"Piece {piece.id} is a sliver of {volume / 1000:.2f} cm³, about "
            f"{thickness:.1f} mm thick, at {place(mesh.bounds.mean(axis=0))}, "
            + (
                f"made by {'seam' if len(made_by) == 1 else 'seams'} {', '.join(made_by)}."
                if made_by
                else "as it is in the figure."
            )
        )
    return tuple(found)


def _volume_and_thickness(mesh: Mesh) -> tuple[float, float]:
    """mm³, and mm as a sheet of that volume and area would have."""
    # A shell inside out is no sliver for it.
    volume = abs(mesh.volume)
    # A piece keeps what it is asked for by name: its areas are wanted here only.
    passing = Mesh(mesh.vertices, mesh.faces, mesh.tag)
    return volume, 2 * volume / float(passing.areas.sum())


def _numbered(mesh: Mesh, solid: IntArray, own: int) -> tuple[Piece, ...]:
    """Pieces in order of their lowest point, then of their middle, front to back.

    own : how many vertices the figure had; those that seams made come after.
    """
    count = int(solid.max()) + 1
    made = _made_in(mesh, solid, own, count)
    divided = zip(mesh.divided(solid, count), made, strict=True)
    meshes = [_settled(m, len(m.vertices) - new) for m, new in divided]

    def height(m: Mesh) -> tuple[float, float, float, float]:
        low, high = m.bounds
        middle = (low + high) / 2
        return (round(low[2], 3), round(middle[2], 3), round(middle[0], 3), round(middle[1], 3))

    meshes.sort(key=height)
    return tuple(Piece(number, m) for number, m in enumerate(meshes, start=1))


def _made_in(mesh: Mesh, solid: IntArray, own: int, count: int) -> list[int]:
    """How many vertices of each solid seams made: those from `own` on."""
    rows = _touching(mesh, own)
    corners = mesh.faces[rows]
    label = np.full(len(mesh.vertices) - own, count)
    new = corners >= own
    label[corners[new] - own] = np.repeat(solid[rows], 3).reshape(-1, 3)[new]
    return [int(n) for n in np.bincount(label, minlength=count)[:count]]


def _touching(mesh: Mesh, first: int) -> IdArray:
    """The faces with a vertex from `first` on."""
    a, b, c = mesh.faces.T
    return np.flatnonzero((a >= first) | (b >= first) | (c >= first))


def _settled(mesh: Mesh, own: int) -> Mesh:
    """A piece with what seams made of it in an order that nothing but their places decides.

    So a piece is the same to the last bit whatever other seams did elsewhere: its faces of the
    figure come first, in the figure's order, then the others.

    own : vertices that are the figure's, which come first.
    """
    made = mesh.vertices[own:]
    if not len(made):
        return mesh
    order = np.lexsort(made.T[::-1])
    place_of = np.arange(len(mesh.vertices), dtype=np.int32)
    place_of[own + order] = np.arange(own, len(mesh.vertices), dtype=np.int32)
    rows = _touching(mesh, own)
    faces = place_of[mesh.faces[rows]]
    # Each from its least vertex on.
    turn = (np.argmin(faces, axis=1)[:, None] + np.arange(3)) % 3
    faces = np.take_along_axis(faces, turn, axis=1)
    tags = mesh.tag[rows]
    ranked = np.lexsort((tags, *faces.T[::-1]))
    stay = np.ones(len(mesh.faces), dtype=bool)
    stay[rows] = False
    return Mesh(
        np.concatenate([mesh.vertices[:own], made[order]]),
        np.concatenate([mesh.faces[stay], faces[ranked]]),
        np.concatenate([mesh.tag[stay], tags[ranked]]),
    )
