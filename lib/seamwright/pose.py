"""The pose of each piece on the platform: which way up it prints best, and why.

Every term is turned into minutes of a maker's time at the rates of a `weighting`, and each
one's part is told, so that a user sees why.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull

from seamwright.candidates import candidates
from seamwright.errors import BadInput, Told
from seamwright.fit import fit
from seamwright.joint import Joint
from seamwright.mesh import SKIN, BoolArray, FloatArray, Mesh
from seamwright.platform import Platform, platform_of
from seamwright.printer import PrinterProfile
from seamwright.terms import Prepared, Row, Terms, prepared, rough_terms, shortest_turn, terms
from seamwright.weighting import Weighting, weighting_for

Fits = Callable[[FloatArray], bool]
"""Whether a piece's hull, (N, 3) points in the pose, fits; it may try turns about the vertical."""
Key = TypeVar("Key", bound=Hashable)

EXACT = 20
"""Poses that are judged exactly: the best of those judged roughly."""

STANDING = 8
"""As many of them, at least, that stand by themselves."""

APART = float(np.cos(np.radians(6.0)))
"""Poses nearer to a better one than this are not looked at exactly."""

PARALLEL = 5.0
"""Degrees within which layers of two pieces look alike (common practice, no source)."""

SLACK = 1e-3
"""mm by which a pose may be too high before `fit` is asked, which judges more finely."""

STEADY = 20.0
"""Degrees of tilt from which on nothing on a platform falls over (common practice, no source)."""

HELD = 0.25
"""Contact that holds a piece, as a share of a side of the cube that has its volume (common
practice, no source)."""


@dataclass(frozen=True)
class Part:
    """One term's part in a pose's score.

    amount : in `unit`. minutes : that it adds.
    """

    name: str
    amount: float
    unit: str
    minutes: float


@dataclass(frozen=True, eq=False)
class Pose:
    """One way to lay a piece on the platform, and what it costs.

    Attributes
    ----------
    rotation : (3, 3) to platform coordinates, ``points @ rotation.T``, then laid on z = 0.
    down : (3,) unit direction in the figure that points down; layers lie square to it.
    rests_on : id of the seam whose face lies on the platform, 0 for skin, None if no more
        than a point or an edge does.
    fits : whether it fits the build volume.
    terms : measured.
    parts : what each term adds to the score.
    said : one sentence: why.
    """

    rotation: FloatArray
    down: FloatArray
    rests_on: int | None
    fits: bool
    terms: Terms
    parts: tuple[Part, ...]
    said: str

    @property
    def score(self) -> float:
        """Minutes that the pose costs; the less the better."""
        return sum(part.minutes for part in self.parts)


def laid(mesh: Mesh, pose: Pose) -> Mesh:
    """The piece in a pose, its box's middle over the origin and its lowest point at z = 0."""
    turned = mesh.vertices @ pose.rotation.T
    used = turned[np.unique(mesh.faces)]
    low, high = used.min(axis=0), used.max(axis=0)
    return Mesh(turned - [*((low + high) / 2)[:2], low[2]], mesh.faces, mesh.tag)


def peg_rows(piece: int, joints: Sequence[Joint]) -> tuple[Row, ...]:
    """The pegs that stand on a piece, as `poses` wants them."""
    return tuple((j.into, 1.0) for j in joints if j.pegs and j.peg_piece == piece)


def poses(
    mesh: Mesh,
    profile: PrinterProfile,
    *,
    fits: Fits | Platform | npt.ArrayLike | None = None,
    keep: BoolArray | None = None,
    pegs: Sequence[Row] = (),
    weighting: Weighting | None = None,
    alike: npt.ArrayLike = (),
    count: int = EXACT,
    told: Told | None = None,
) -> tuple[Pose, ...]:
    """The best poses of a piece, best first.

    Parameters
    ----------
    mesh : the piece, its seam faces tagged.
    fits : the platform, the usable build volume (x, y, z), mm, or what judges the turned hull;
        the printer's own platform if None.
    keep : (F,) its keep-clear faces.
    pegs : directions of pegs and thin limbs, and how much each matters, 0 to 1.
    weighting : the one for the printer's process if None.
    alike : (A, 3) directions that are judged exactly whatever they are like, such as those
        `Pose.down` of a piece that shares a visible seam; see `matched`.
    count : how many poses to judge exactly.
    told : called with the share done, before every pose; it may raise `Cancelled`.

    Returns
    -------
    Those that fit. If none does, the one that `fit.fit` finds; with a function in place of
    a platform, the best of those that do not fit.

    Raises
    ------
    BadInput
        If the piece encloses nothing, or an argument is not as it should be.
    """
    tell = told or (lambda _done: None)
    tell(0.0)
    weigh = weighting or weighting_for(profile)
    piece = prepared(
        mesh, profile,
        angle=weigh.overhang_angle, keep=keep, keep_worth=weigh.keep_clear, pegs=pegs,
    )  # fmt: skip
    tell(0.1)
    wanted = _directions(alike)
    downs = candidates(mesh, piece.planes, piece.plane_areas, also=wanted)
    tell(0.2)
    rough = rough_terms(piece, downs)
    score = np.sum(list(_minutes(rough, piece, weigh).values()), axis=0)
    usable: Fits | Platform = fits if callable(fits) else _platform(profile, fits)
    tell(0.3)
    turner = _turner(piece, usable)
    rows = _picked(downs, score, rough["contact"], len(wanted), count, turner)
    fitting = bool(rows)
    if not rows and callable(usable):
        best = np.lexsort((np.arange(len(score)), np.round(score, 6)))[:count]
        rows = [(k, shortest_turn(downs[k])) for k in best.tolist()]
    found = []
    for n, (k, turn) in enumerate(rows):
        tell(0.4 + 0.6 * n / len(rows))
        found.append(_pose(piece, weigh, downs[k], turn, fitting))
    if not rows and not callable(usable):
        last = fit(piece.hull, usable)
        found = [_pose(piece, weigh, -last.rotation[2], last.rotation, last.way != "none")]
    # Of two alike the one that turns the piece less.
    found.sort(key=lambda p: (round(p.score, 6), round(float(p.down[2]), 6), *p.down.round(6)))
    return tuple(found)


def _directions(given: npt.ArrayLike) -> FloatArray:
    """(A, 3) unit directions, checked."""
    ways = np.asarray(given, dtype=np.float64)
    if ways.size == 0:
        return np.zeros((0, 3))
    ways = np.atleast_2d(ways)
    length = np.linalg.norm(ways, axis=1) if ways.shape[1:] == (3,) else np.zeros(1)
    if not (np.isfinite(length) & (length > 0)).all():
        raise BadInput(f"Directions to be alike are {ways.tolist()}; give rows such as [0, 0, -1].")
    return np.asarray(ways / length[:, None])


Turner = Callable[[FloatArray], FloatArray | None]
"""The rotation (3, 3) that lays a piece on a direction so that it fits; None if none does."""


def _platform(profile: PrinterProfile, given: Platform | npt.ArrayLike | None) -> Platform:
    """The platform that was given in any way, or the printer's own."""
    if given is None:
        return platform_of(profile)
    if isinstance(given, Platform):
        return given
    size = np.asarray(given, dtype=np.float64).ravel().tolist()
    return Platform(cast(tuple[float, float, float], tuple(size)))


def _turner(piece: Prepared, fits: Fits | Platform) -> Turner:
    if callable(fits):
        judge: Fits = fits

        def judged(down: FloatArray) -> FloatArray | None:
            turn = shortest_turn(down)
            return turn if judge(piece.hull @ turn.T) else None

        return judged
    platform = fits

    def boxed(down: FloatArray) -> FloatArray | None:
        turn = shortest_turn(down)
        points = piece.hull @ turn.T
        ends = np.array([points[:, 2].min(), points[:, 2].max()])
        # What is too high needs no closer look; nor does what lies inside the shadow.
        if ends[1] - ends[0] > platform.size[2] + SLACK:
            return None
        rim = points[ConvexHull(points[:, :2]).vertices, :2]
        prism = np.column_stack([np.tile(rim, (2, 1)), np.repeat(ends, len(rim))])
        found = fit(prism, platform, allow="turned")
        return None if found.way == "none" else np.asarray(found.rotation @ turn)

    return boxed


def _picked(
    downs: FloatArray,
    score: FloatArray,
    contact: FloatArray,
    wanted: int,
    count: int,
    turner: Turner,
) -> list[tuple[int, FloatArray]]:
    """Which candidates to judge exactly, and the rotations with which they fit.

    The first `wanted` and the next, which is as the piece stands, always; then the best that
    stand by themselves, then the best of all.
    """
    order = np.lexsort((np.arange(len(score)), np.round(score, 6)))
    standing = [k for k in order.tolist() if contact[k] > 0]
    picked: list[tuple[int, FloatArray]] = []

    tried: set[int] = set()

    def take(rows: Sequence[int], most: int, apart: float) -> None:
        taken: list[int] = []
        for k in rows:
            if len(taken) >= most:
                return
            if k in tried or any(downs[j] @ downs[k] > apart for j in taken):
                continue
            tried.add(k)
            turn = turner(downs[k])
            if turn is not None:
                picked.append((k, turn))
                taken.append(k)

    take(range(wanted + 1), wanted + 1, 1.1)
    take(standing, min(STANDING, count), 1.1)
    take(order.tolist(), wanted + count - len(picked), APART)
    return picked


def _minutes(amounts: Mapping[str, Any], piece: Prepared, weigh: Weighting) -> dict[str, Any]:
    """What each term adds, in minutes; amounts as in `Terms`, numbers or arrays alike."""
    side = abs(piece.mesh.volume) ** (1 / 3)
    whole = weigh.height.minutes * side
    if weigh.flow > 0:
        whole += piece.printed / weigh.flow / 60
    shares = {
        "contact": np.clip(1 - amounts["contact"] / max(HELD * side**2, 1e-12), 0, 1),
        "tip": np.clip(1 - amounts["tip"] / STEADY, 0, 1),
        # What stands poorly may still print; what cannot stand never does.
        "propped": np.clip(1 - amounts["propped"] / STEADY, 0, 1) ** 2,
        "layers": amounts["layers"],
    }
    found = {}
    for name, rate in weigh.rates.items():
        if name in shares:
            found[name] = rate.minutes * whole * shares[name]
        else:
            found[name] = rate.minutes * amounts[name] / (100 if rate.per == "cm²" else 1)
    return found


UNITS = {
    "support": "cm³", "overhang": "mm²", "scars": "mm²", "stairs": "mm²", "height": "mm",
    "suction": "mm²", "contact": "mm²", "tip": "°", "propped": "°", "layers": "",
}  # fmt: skip


def _pose(
    piece: Prepared, weigh: Weighting, down: FloatArray, turn: FloatArray, fits: bool
) -> Pose:
    """A pose judged exactly."""
    found = terms(piece, down)
    amounts = {f.name: getattr(found, f.name) for f in fields(found)}
    minutes = _minutes(amounts, piece, weigh)
    parts = tuple(
        Part(name, amounts[name], UNITS[name], float(cost)) for name, cost in minutes.items()
    )
    rests = _rests_on(piece, down, found)
    said = _said(found, parts, rests, fits, bool(len(piece.lines)))
    return Pose(turn, down, rests, fits, found, parts, said)


def _rests_on(piece: Prepared, down: FloatArray, found: Terms) -> int | None:
    """What lies on the platform, by area: a seam's id or skin; None for next to nothing."""
    if found.tip == 0.0 and found.contact < 0.01 * abs(piece.mesh.volume) ** (2 / 3):
        return None
    mesh = piece.mesh
    lift = -(mesh.vertices @ down) - float((piece.hull @ -down).min())
    lying = (lift <= piece.layer)[mesh.faces].all(axis=1)
    area = np.bincount(mesh.tag[lying], weights=(mesh.areas * (piece.normals @ down))[lying])
    return int(area.argmax()) if len(area) else None


def _said(found: Terms, parts: tuple[Part, ...], rests: int | None, fits: bool, lines: bool) -> str:
    """One sentence: why a pose costs what it does."""
    if rests is None:
        on = "Rests on no more than an edge or a point"
    else:
        face = "skin" if rests == SKIN else f"the face of seam {rests}"
        on = f"Rests on {found.contact / 100:.1f} cm² of {face}"
    along = ""
    if lines:
        how = "along" if found.layers < 0.5 else "askew to" if found.layers < 0.85 else "across"
        along = f", layers {how} pegs and thin limbs"
    whole = sum(part.minutes for part in parts)
    most = sorted(parts, key=lambda p: -p.minutes)[:2]
    shares = " and ".join(
        f"{NAMES[p.name]} {100 * p.minutes / whole:.0f} %" for p in most if p.minutes > 0
    )
    return (
        f"{on}: {found.support:.1f} cm³ of support, {found.scars / 100:.1f} cm² of skin scarred, "
        f"{found.height:.0f} mm high{along}"
        + (f"; most of its {whole:.0f} min are for {shares}" if shares else "")
        + ("." if fits else "; it does not fit the build volume.")
    )


NAMES = {
    "support": "supports", "overhang": "overhang", "scars": "scars", "stairs": "stair-steps",
    "height": "height", "suction": "suction", "contact": "want of contact",
    "tip": "standing on supports", "propped": "unsteadiness", "layers": "layer direction",
}  # fmt: skip


# --- pieces that share a visible seam --------------------------------------------------------


def matched(
    found: Mapping[Key, Sequence[Pose]], pairs: Sequence[tuple[Key, Key]]
) -> dict[Key, Pose]:
    """A pose for every piece, so that pieces of a pair have parallel layers at least cost.

    Pieces that hang together by pairs get one direction of layers. Where no direction is to
    be had for all of them, pairs are matched one after the other, as far as can be. Give
    `poses` the directions of the other piece as `alike` so that there are some to be had.

    Parameters
    ----------
    found : by piece, its poses, best first, as `poses` gives them in one figure.

    Raises
    ------
    BadInput
        If a pair names a piece without poses.
    """
    for key in (key for pair in pairs for key in pair):
        if not found.get(key):
            raise BadInput(f"Piece {key} is to match another but has no pose; find its poses.")
    chosen = {key: min(some, key=lambda p: p.score) for key, some in found.items() if some}
    for group in _groups(pairs):
        best = _one_direction({key: found[key] for key in group})
        if best:
            chosen.update(best)
            continue
        settled: set[Key] = set()
        for pair in pairs:
            if pair[0] not in group:
                continue
            open_to = {k: [chosen[k]] if k in settled else found[k] for k in pair}
            best = _one_direction(open_to)
            if best:
                chosen.update(best)
                settled.update(pair)
    return chosen


def _groups(pairs: Sequence[tuple[Key, Key]]) -> list[set[Key]]:
    """The pieces that hang together by pairs."""
    groups: list[set[Key]] = []
    for pair in pairs:
        met = [g for g in groups if g & set(pair)]
        groups = [g for g in groups if not g & set(pair)]
        groups.append(set(pair).union(*met))
    return groups


def _one_direction(found: Mapping[Key, Sequence[Pose]]) -> dict[Key, Pose]:
    """The poses of all pieces with layers parallel to one of them, at least cost; or none."""
    every = [(n, pose) for n, some in enumerate(found.values()) for pose in some]
    owner = np.array([n for n, _ in every])
    downs = np.array([pose.down for _, pose in every])
    score = np.array([pose.score for _, pose in every])
    # Half of what is allowed away from the one that leads, so that no two are further.
    near = np.abs(downs @ downs.T) >= np.cos(np.radians(PARALLEL / 2))
    cost = np.where(near, score, np.inf)
    whole = np.sum([cost[:, owner == n].min(axis=1) for n in range(len(found))], axis=0)
    lead = int(np.argmin(np.round(whole, 6)))
    if not np.isfinite(whole[lead]):
        return {}
    taken = [int(np.where(owner == n, cost[lead], np.inf).argmin()) for n in range(len(found))]
    return {key: every[k][1] for key, k in zip(found, taken, strict=True)}
