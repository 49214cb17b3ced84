"""Checks of the result, each made by another way than the result was."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from seamwright.choice import SIDES
from seamwright.errors import CheckFailed, Misfit, Told
from seamwright.figure import welded
from seamwright.fit import Fit
from seamwright.flaws import Flaws
from seamwright.joint import Joint
from seamwright.mesh import SKIN, BoolArray, FloatArray, IndexArray, Mesh
from seamwright.pieces import Piece
from seamwright.platform import platform_of
from seamwright.printer import PrinterProfile
from seamwright.rod import Bore
from seamwright.seam import place
from seamwright.wall import point_triangle_distance

VOLUME_TOLERANCE = 1e-6
"""Share of the figure's volume by which the pieces' sum may differ."""

SIZE_TOLERANCE = 1e-3
"""mm by which the pieces' common extent may differ from the figure's: single precision at 1 m
is good to 0.0001 mm."""


SLICE = 1e-6
"""Share of the figure's diagonal within which skin of a piece lies on the figure's."""


@dataclass(frozen=True)
class Check:
    """One thing that was verified, and what was found."""

    name: str
    found: str


def require_closed(
    pieces: tuple[Piece, ...],
    written: Callable[[Mesh], Mesh],
    figure: Mesh | None = None,
    told: Told | None = None,
) -> Check:
    """Every piece, as it will be written, is closed, manifold and of positive volume.

    Parameters
    ----------
    figure : where it is not closed itself, a piece may have the same wrong edges; and a shell
        of it that no seam touched may be inside out.
    told : called with the share done, before every piece; it may raise `Cancelled`.

    Raises
    ------
    CheckFailed
        Naming the piece and a place.
    """
    whole = figure is None or figure.is_closed
    old = Flaws.none() if figure is None or whole else Flaws.of(written(figure))
    leaky = []
    tell = told or (lambda _done: None)
    for n, piece in enumerate(pieces):
        tell(n / len(pieces))
        mesh = written(piece.mesh)
        flaws = Flaws.of(mesh)
        fresh = flaws.beyond(old)
        leaky += [piece.id] if any(flaws.counts) else []
        for edges, what in (
            (fresh.open, "an open edge"),
            (fresh.crowded, "an edge of more than two faces"),
            (fresh.flipped, "two faces that disagree which side is out"),
        ):
            if len(edges):
                raise CheckFailed(
                    f"Piece {piece.id} has {what} at {place(edges[0].mean(axis=0))} "
                    f"({len(edges)} in all); move the nearest seam a little."
                )
        untouched = figure is not None and bool((piece.mesh.tag == SKIN).all())
        if not mesh.volume > 0 and not untouched:
            raise CheckFailed(
                f"Piece {piece.id} has no volume ({mesh.volume:.3g} mm³); "
                "move the seams that make it apart."
            )
    if leaky:
        which = f"piece{'s' if len(leaky) > 1 else ''} {', '.join(map(str, leaky))}"
        return Check(
            "closed",
            f"{len(pieces)} pieces are closed, but for {which} where the figure itself is not",
        )
    return Check("closed", f"{len(pieces)} pieces are closed, manifold and of positive volume")


def require_volume(
    figure: Mesh,
    pieces: tuple[Piece, ...],
    joints: tuple[Joint, ...],
    bores: Sequence[Bore] = (),
) -> Check:
    """The pieces' volumes sum to the figure's, pegs, sockets and bores allowed for in closed
    form."""
    both = [j.volumes(side) for j in joints for side in SIDES]
    pegs = sum(added for added, _ in both)
    sockets = sum(taken for _, taken in both) + sum(b.volume for b in bores)
    total = sum(p.mesh.volume for p in pieces)
    parted, whole = total, figure.volume
    if not figure.is_closed:
        # What an open surface bounds depends on the point it is seen from: take one for all.
        centre = figure.bounds.mean(axis=0)
        parted = sum(_volume_about(p.mesh, centre) for p in pieces)
        whole = _volume_about(figure, centre)
    off = (parted - pegs + sockets - whole) / max(abs(whole), abs(total))
    if not abs(off) <= VOLUME_TOLERANCE:
        raise CheckFailed(
            f"The pieces' volumes differ from the figure's by {off:.2g} of it "
            f"(more than {VOLUME_TOLERANCE:g}); something was lost or doubled at a seam."
        )
    return Check(
        "volume",
        f"pieces {total / 1000:.3f} cm³ - pegs {pegs / 1000:.3f} cm³ + sockets and other hollows "
        f"{sockets / 1000:.3f} cm³ = figure {figure.volume / 1000:.3f} cm³, "
        f"to {abs(off):.1g} of it",
    )


def _volume_about(mesh: Mesh, centre: FloatArray) -> float:
    """Volume between a surface and a point (3,), mm³; of a closed one, what it encloses."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] - centre for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


@dataclass(frozen=True)
class ShellLine:
    """One line of the ledger: a shell of the figure and the pieces that hold it."""

    shell: int
    volume: float
    pieces: tuple[int, ...]


def require_all_shells(
    figure: Mesh, pieces: tuple[Piece, ...], told: Told | None = None
) -> tuple[Check, tuple[ShellLine, ...]]:
    """Every vertex of every shell of the figure is in some piece.

    Parting keeps the figure's own vertices to the last bit, so each must turn up again. A piece
    that is a slice of a shell, and has no vertex of it, is found by its skin.
    told : as for `require_closed`.
    """
    tell = told or (lambda _done: None)
    tell(0.0)
    shell = figure.shell_of_face
    names = np.unique(shell)
    of_vertex = np.full(len(figure.vertices), -1, dtype=np.int64)
    of_vertex[figure.faces.ravel()] = np.repeat(shell, 3)
    place_of = welded(np.concatenate([figure.vertices, *(p.mesh.vertices for p in pieces)]))[1]
    ends = np.cumsum([len(figure.vertices), *(len(p.mesh.vertices) for p in pieces)])
    tell(0.5)
    own = place_of[: ends[0]]
    figures = np.zeros(int(place_of.max(initial=-1)) + 1, dtype=bool)
    figures[own] = True
    boxes = _boxes(figure, of_vertex)
    found = np.zeros(len(own), dtype=bool)
    homes: dict[int, set[int]] = {int(n): set() for n in names}
    for n, (piece, start, end) in enumerate(zip(pieces, ends, ends[1:], strict=False)):
        tell(0.5 + 0.5 * n / len(pieces))
        taken = np.zeros(int(place_of.max()) + 1, dtype=bool)
        taken[place_of[start:end]] = True
        here = taken[own]
        found |= here
        held = {int(n) for n in np.unique(of_vertex[here]) if n >= 0}
        sliced = _sliced(figure, boxes, piece.mesh, figures[place_of[start:end]], held)
        for name in held | sliced:
            homes[name].add(piece.id)
    lost = (of_vertex >= 0) & ~found
    if lost.any():
        k = int(np.argmax(lost))
        raise CheckFailed(
            f"The figure's shell at {place(figure.vertices[k])} is missing from the pieces "
            f"({int(lost.sum())} vertices)."
        )
    volumes = np.bincount(np.searchsorted(names, shell), weights=figure.signed_volumes())
    lines = tuple(
        ShellLine(number, float(volumes[number - 1]), tuple(sorted(homes[int(n)])))
        for number, n in enumerate(names, start=1)
    )
    return Check("shells", f"all {len(names)} shells of the figure are in the pieces"), lines


def _boxes(figure: Mesh, of_vertex: IndexArray) -> dict[int, FloatArray]:
    """(2, 3) least and greatest coordinate of each shell, mm."""
    order = np.argsort(of_vertex, kind="stable")
    order = order[of_vertex[order] >= 0]
    label = of_vertex[order]
    first = np.flatnonzero(np.diff(label, prepend=-1))
    points = figure.vertices[order]
    low = np.minimum.reduceat(points, first, axis=0)
    high = np.maximum.reduceat(points, first, axis=0)
    return {int(n): np.array([a, b]) for n, a, b in zip(label[first], low, high, strict=True)}


def _sliced(
    figure: Mesh,
    boxes: Mapping[int, FloatArray],
    piece: Mesh,
    figures: BoolArray,
    held: set[int],
) -> set[int]:
    """The shells a piece is a mere slice of: it has some of their skin, but none of their vertices.

    boxes : of all shells, see `_boxes`. figures : (V,) which of the piece's vertices are the
    figure's own. held : shells of which it has vertices.
    """
    low, high = piece.bounds
    near = SLICE * figure.diagonal
    there = [
        n for n, (a, b) in boxes.items() if n not in held and (a <= high).all() and (b >= low).all()
    ]
    if not there:
        return set()
    # The skin of a slice lies between seams, so that all corners of its faces are new.
    skin = piece.subset((piece.tag == SKIN) & ~figures[piece.faces].any(axis=1))
    order = np.lexsort((-skin.areas, skin.shell_of_face))
    largest = order[np.diff(skin.shell_of_face[order], prepend=-1) != 0]
    points = skin.vertices[skin.faces[largest]].mean(axis=1)
    found = set()
    for n in there:
        inside = points[((points >= boxes[n][0] - near) & (points <= boxes[n][1] + near)).all(1)]
        if not len(inside):
            continue
        corners = figure.vertices[figure.faces[figure.shell_of_face == n]]
        lowest, highest = corners.min(axis=1) - near, corners.max(axis=1) + near
        for point in inside:
            may = corners[((lowest <= point) & (point <= highest)).all(axis=1)]
            if len(may) and point_triangle_distance(point[None], may).min() <= near:
                found.add(n)
                break
    return found


def require_one_scale(figure: Mesh, read_back: dict[int, Mesh]) -> Check:
    """The pieces, as read back from their files, together span just what the figure spans."""
    low = np.min([m.bounds[0] for m in read_back.values()], axis=0)
    high = np.max([m.bounds[1] for m in read_back.values()], axis=0)
    off = float(np.abs(np.array([low, high]) - figure.bounds).max())
    if not off <= SIZE_TOLERANCE + 1e-6 * figure.diagonal:
        raise CheckFailed(
            f"The written pieces span {np.round(high - low, 2).tolist()} mm but the figure "
            f"{np.round(figure.size, 2).tolist()} mm; they are not all of one scale."
        )
    return Check("scale", f"files read back span the figure to {off:.1g} mm")


def require_files_hold(
    pieces: tuple[Piece, ...],
    read_back: dict[int, Mesh],
    written: Callable[[Mesh], Mesh] | None = None,
    told: Told | None = None,
) -> Check:
    """Each file, read back, holds a closed mesh of its piece's volume.

    written : gives a piece as it was written; of one that was not closed then, the file must
        hold as many wrong edges and no more.
    told : as for `require_closed`.
    """
    tell = told or (lambda _done: None)
    worst = 0.0
    as_open = 0
    for n, piece in enumerate(pieces):
        tell(n / len(pieces))
        mesh = read_back[piece.id]
        off = abs(mesh.volume - piece.mesh.volume) / piece.mesh.volume
        worst = max(worst, off)
        # Single precision keeps a 1 m figure to 0.0001 mm, which on a thin 1 cm³ piece
        # of 10 cm² of skin is 1e-4 of its volume at the very worst.
        whole = mesh.is_closed
        if not whole and written is not None:
            whole = Flaws.of(mesh).counts == Flaws.of(written(piece.mesh)).counts
            as_open += whole
        if not whole or not off <= 1e-4:
            raise CheckFailed(
                f"The file of piece {piece.id} does not hold what was made "
                f"(closed: {mesh.is_closed}, volume off by {off:.1g} of it)."
            )
    closed = f"closed, {as_open} as open as they were" if as_open else "closed"
    return Check("files", f"read back {closed}, volumes off by {worst:.1g} at most")


def misfits(fits: Mapping[int, Fit], cures: Mapping[int, str]) -> dict[int, str]:
    """What there is to say of each piece that fits no printer, by its number.

    cures : what would make a piece fit, as far as known, see `cure.cures`.
    """
    return {
        number: f"piece {number} misses by {f.miss:.1f} mm at best"
        + (f" since {f.reason}" if f.reason.startswith("its ") else "")
        + (f", to cure it {cures[number]}" if number in cures else "")
        for number, f in fits.items()
        if f.way == "none"
    }


def require_fit(
    fits: Mapping[int, Fit],
    profile: PrinterProfile,
    cured: Callable[[], Mapping[int, str]] = dict,
    *,
    others: Sequence[PrinterProfile] = (),
) -> Check:
    """Every piece fits the printer in some rotation, or another one.

    cured : gives by piece what would make it fit, see `cure.cures`; asked only if one does not.
    others : printers that pieces may be printed on besides.

    Raises
    ------
    Misfit
        Naming each piece that does not, by how much it misses, why, and what would cure it.
    """
    every = [(p.name, platform_of(p).words) for p in (profile, *others)]
    if any(f.way == "none" for f in fits.values()):
        cures = cured()
        bad = misfits(fits, cures)
        raise Misfit(
            f"{len(bad)} of {len(fits)} pieces do not fit "
            + ", nor ".join(
                f"{name}, which has {usable} inside its margins" for name, usable in every
            )
            + f": {'; '.join(bad.values())}"
            + _rest(len(bad), len(cures)),
            bad,
        )
    ways = [f.way for f in fits.values()]
    return Check(
        "fit",
        f"{len(ways)} pieces fit {' or '.join(usable for _, usable in every)}: "
        f"{ways.count('upright')} upright, "
        f"{ways.count('turned')} turned, {ways.count('any')} tilted",
    )


def _rest(bad: int, cured: int) -> str:
    """The end of the sentence on pieces that do not fit."""
    if cured == bad:
        return "."
    return "; add or move a seam there." if cured == 0 else "; add or move a seam at the others."
