"""Assembly order: who goes when, along which insertion direction, and what to change if none.

Found by taking the figure apart: whatever can be taken off is put on last. Each step is one
straight slide, and every slide is swept, body against body.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Literal

import numpy as np

from seamwright.blocking import Pieces, Scene, Way, partition
from seamwright.errors import Progress
from seamwright.imprint import imprinted
from seamwright.joint import Joint
from seamwright.mesh import FloatArray, Mesh
from seamwright.pieces import Piece
from seamwright.sizing import is_locked
from seamwright.sweep import Sweeps, sweeps

MOST_TURN = 45.0
"""Degrees that pegs may lean from the square of their face: beyond, they print and hold badly
(common practice, no source)."""

TURNED_SLACK = float(np.tan(np.radians(0.5)))
"""Tangent of the angle within which pegs that are not made yet count as running along a way."""

LONGEST = 40.0
"""Depth, mm, that pegs are taken to have where none are made: no less than any that would be."""

_AXES = (
    ((0.0, 0.0, -1.0), "down"), ((0.0, 0.0, 1.0), "up"),
    ((1.0, 0.0, 0.0), "towards +x"), ((-1.0, 0.0, 0.0), "towards -x"),
    ((0.0, 1.0, 0.0), "towards +y"), ((0.0, -1.0, 0.0), "towards -y"),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Step:
    """One slide home.

    Attributes
    ----------
    moving : ids of the pieces that move, put together before if several.
    onto : ids of the pieces that are in place already.
    direction : (3,) unit, the insertion direction.
    travel : length of the slide, mm; inf where it may begin anywhere.
    approach : (3,) unit, the way to where a slide of limited length begins.
    joints : letters of those that close.
    meets : ids of the pieces that these join the moving ones to; none where no joint leads.
    held : whether either side is not held together by its joints yet.
    """

    moving: tuple[int, ...]
    onto: tuple[int, ...]
    direction: FloatArray
    joints: tuple[str, ...]
    meets: tuple[int, ...]
    held: bool = False
    travel: float = float("inf")
    approach: FloatArray | None = None

    def offset(self, before: float) -> FloatArray:
        """(3,) mm from home, of the moving pieces, so many mm of their way before they are."""
        last = min(before, self.travel)
        back = -last * self.direction
        return back if self.approach is None else back - (before - last) * self.approach

    @property
    def sentence(self) -> str:
        what = _listed(self.moving, "piece")
        if not self.meets:
            beside = _listed(self.onto, "piece")
            return f"Set {what} beside {beside}, {heading(self.direction)}; no joint holds it."
        together = " together" if len(self.moving) > 1 else ""
        onto = f"onto {_listed(self.meets, 'piece')}"
        if self.approach is None:
            said = f"Slide {what}{together} home {onto}, {heading(self.direction)}"
        else:
            said = (
                f"Bring {what}{together} {heading(self.approach)} to {self.travel:.0f} mm before "
                f"home, then slide home {onto}, {heading(self.direction)}"
            )
        said += f" ({_listed(self.joints, 'joint')})"
        if self.held:
            said += ", holding in place what no joint holds yet"
        return said + "."


@dataclass(frozen=True)
class Change:
    """What would free pieces: a joint made plain, or its pegs turned.

    angle : by which the pegs turn, degrees. along : the way they then run, in words.
    """

    joint: str
    what: Literal["plain", "turned"]
    angle: float = 0.0
    along: str = ""

    @property
    def words(self) -> str:
        if self.what == "plain":
            return f"make joint {self.joint} plain"
        return f"turn the pegs of joint {self.joint} by {self.angle:.0f}° to run {self.along}"


@dataclass(frozen=True)
class Fight:
    """Pieces that no order brings together, why, and what would.

    pieces : ids. joints : letters of those that fight. offers : each would do by itself.
    """

    pieces: tuple[int, ...]
    joints: tuple[str, ...]
    why: str
    offers: tuple[tuple[Change, ...], ...] = ()

    @property
    def sentence(self) -> str:
        said = (
            f"No order of straight slides puts {_listed(self.pieces, 'piece')} together: {self.why}"
        )
        if not self.offers:
            return f"{said}; move or add a seam there."
        ways = ", or ".join(" and ".join(c.words for c in offer) for offer in self.offers)
        return f"{said}; {ways}."


@dataclass(frozen=True, eq=False)
class Order:
    """How a figure is put together.

    steps : in order. Empty for a single piece.
    fights : what keeps pieces apart; there is an order if there is none.
    freer : sentences on plain joints that could carry pegs all the same.
    """

    steps: tuple[Step, ...] = ()
    fights: tuple[Fight, ...] = ()
    freer: tuple[str, ...] = ()

    @property
    def is_whole(self) -> bool:
        return not self.fights

    @property
    def sentences(self) -> tuple[str, ...]:
        return (*(f.sentence for f in self.fights), *(s.sentence for s in self.steps))


def order(
    pieces: tuple[Piece, ...],
    joints: tuple[Joint, ...],
    blanks: tuple[Piece, ...] | None = None,
    progress: Progress | None = None,
) -> Order:
    """Find an assembly order.

    Parameters
    ----------
    pieces : finished, with pegs and sockets, closed, none passing through another.
    joints : of every interface.
    blanks : the same pieces without pegs; needed to tell what a change of joints would do.
        Without them nothing is offered.
    progress : told what is done, for every slide that is tried.

    Returns
    -------
    Steps that put together all that can be; what cannot counts as one from then on, and is
    named with the least change that would free it.

    Raises
    ------
    Cancelled
        If `progress` raises it.
    """
    tell = progress or (lambda _done, _what: None)
    tell(0.0, "finding an order")
    work = _Work.of(pieces, joints, blanks)
    everything = frozenset(p.id for p in pieces)
    found: list[Pieces] = []
    scene = work.scene(heed=lambda: tell(0.5 * len(found) / len(pieces), "finding an order"))
    steps, stuck = put_together(scene, everything, found)
    fights = []
    for n, lump in enumerate(stuck):
        done = 0.5 + 0.5 * n / len(stuck)
        work = replace(work, heed=partial(tell, done, "looking for what would free pieces"))
        work.heed()
        fights.append(_fight(work, lump))
    work = replace(work, heed=partial(tell, 0.5, "looking for pegs that need not go"))
    freer = () if stuck or blanks is None else _freer(work, everything)
    return Order(tuple(steps), tuple(fights), freer)


def put_together(
    scene: Scene, pieces: Pieces, found: list[Pieces] | None = None
) -> tuple[list[Step], list[Pieces]]:
    """Steps that put pieces together, and the sets that cannot be.

    found : every set that comes off is put into it as soon as it is known.
    """
    if len(pieces) < 2:
        return [], []
    cut = partition(scene, pieces)
    if cut is None:
        return [], [pieces]
    if found is not None:
        found.append(cut.moving)
    ways = scene.between(cut.moving, cut.rest)
    groups = len(scene.groups(cut.moving)) + len(scene.groups(cut.rest))
    last = Step(
        tuple(sorted(cut.moving)),
        tuple(sorted(cut.rest)),
        -cut.direction + 0.0,
        tuple(w.letter for w in ways),
        tuple(sorted({w.a if w.a in cut.rest else w.b for w in ways})),
        bool(ways) and groups > len(scene.groups(pieces)) + 1,
        cut.travel,
        None if cut.aside is None else -cut.aside + 0.0,
    )
    steps, stuck = put_together(scene, cut.rest, found)
    more, also = put_together(scene, cut.moving, found)
    return [*steps, *more, last], stuck + also


# --- what would free pieces ----------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Work:
    """Pieces and joints, and what they would be with some joints changed.

    heed : as in a scene, of all that are made of it.
    """

    pieces: dict[int, Piece]
    blanks: dict[int, Piece] | None
    joints: dict[str, Joint]
    ways: dict[str, Way]
    swept: Sweeps
    heed: Callable[[], None] = lambda: None
    _meshes: dict[tuple[int, frozenset[str]], Mesh] = field(default_factory=dict)

    @staticmethod
    def of(
        pieces: tuple[Piece, ...], joints: tuple[Joint, ...], blanks: tuple[Piece, ...] | None
    ) -> _Work:
        normals = np.array([j.way("A") / np.linalg.norm(j.way("A")) for j in joints]).reshape(-1, 3)
        return _Work(
            {p.id: p for p in pieces},
            None if blanks is None else {p.id: p for p in blanks},
            {j.letter: j for j in joints},
            {j.letter: Way.of(j) for j in joints},
            sweeps([p.mesh for p in pieces], normals),
        )

    def scene(
        self,
        changed: dict[str, Way] | None = None,
        *,
        swept: bool = True,
        heed: Callable[[], None] | None = None,
    ) -> Scene:
        """Everything in place, with some joints' ways changed and their pegs left away.

        swept : False to judge by joints alone, which is quick.
        """
        changed = changed or {}
        without = frozenset(k for k in changed if self.joints[k].pegs)
        meshes = {n: self._mesh(n, without) for n in self.pieces} if swept else {}
        ways = tuple(changed.get(k, w) for k, w in self.ways.items())
        return Scene(meshes, ways, self.swept if swept else None, heed or self.heed)

    def _mesh(self, piece: int, without: frozenset[str]) -> Mesh:
        gone = frozenset(
            k
            for k in without
            if piece in (self.joints[k].interface.piece_a, self.joints[k].interface.piece_b)
        )
        if not gone or self.blanks is None:
            return self.pieces[piece].mesh
        key = (piece, gone)
        if key not in self._meshes:
            left = tuple(j for k, j in self.joints.items() if k not in gone)
            self._meshes[key] = imprinted(self.blanks[piece], left)
        return self._meshes[key]

    def plain(self, letter: str) -> Way:
        return Way.of(replace(self.joints[letter], pegs=()))

    def pegged(self, letter: str, along: FloatArray) -> Way:
        """A joint whose pegs run along a direction, as A leaves B."""
        own = self.ways[letter]
        depth = own.depth or LONGEST
        return replace(own, kind="pegs", direction=along, slack=TURNED_SLACK, depth=depth)

    def works(self, changed: dict[str, Way], pieces: Pieces) -> bool:
        """Whether pieces go together with some joints changed."""
        # Most changes are already too little for the joints alone.
        return all(
            not put_together(self.scene(changed, swept=swept), pieces)[1] for swept in (False, True)
        )

    def turns(self, letter: str, pieces: Pieces) -> list[tuple[float, str, FloatArray]]:
        """Ways the pegs of a joint could run as another's among the pieces do: the angle by
        which they would turn, degrees, that joint, and the way; least first."""
        normal = self.joints[letter].frame.normal
        found = []
        for other, way in self.ways.items():
            ids = {way.a, way.b}
            if other == letter or way.kind != "pegs" or not ids <= pieces:
                continue
            along = way.direction if way.direction @ normal > 0 else -way.direction
            angle = float(np.degrees(np.arccos(min(1.0, float(along @ normal)))))
            if 0.5 < angle <= MOST_TURN:
                found.append((angle, other, along))
        return sorted(found, key=lambda t: (round(t[0], 6), t[1]))


def _fight(work: _Work, lump: Pieces) -> Fight:
    """Why pieces cannot be put together, and the least change that would free them."""
    ids = tuple(sorted(lump))
    pegged = [w.letter for w in work.scene().within(lump) if w.kind == "pegs"]
    # The less area loses its pegs, the less is lost.
    pegged.sort(key=lambda k: (work.joints[k].interface.area, k))
    if pegged and work.blanks is None:
        return Fight(ids, (), "they hold each other")
    plain = _plain_enough(work, pegged, lump)
    if plain is None:
        return Fight(ids, (), _caged(work, lump, pegged))
    steps, _ = put_together(work.scene({k: work.plain(k) for k in plain}), lump)
    closing = [s for s in steps if set(s.joints) & set(plain)]
    turned = _turned_enough(work, pegged, lump) or _turned_alike(work, plain, closing, lump)
    offers = [tuple(Change(k, "plain") for k in plain), *([turned] if turned else [])]
    together = {k for s in closing for k in s.joints}
    rivals = [k for k in work.joints if k in together and work.joints[k].pegs and k not in plain]
    word = ("fights", "lets") if len(plain) == 1 else ("fight", "let")
    if rivals:
        why = f"{_listed(plain, 'joint')} {word[0]} {_listed(tuple(rivals), 'joint')}"
    else:
        why = f"{_listed(plain, 'joint')} {word[1]} them slide only where others stand"
    return Fight(ids, (*plain, *rivals), why, tuple(offers))


def _plain_enough(work: _Work, pegged: list[str], lump: Pieces) -> tuple[str, ...] | None:
    """The least joints, by area, that must be plain for pieces to go together; None if even all
    are not enough."""
    for k in pegged:
        if work.works({k: work.plain(k)}, lump):
            return (k,)
    ways = {k: work.plain(k) for k in pegged}
    if len(pegged) < 2 or not work.works(ways, lump):
        return None
    # The largest get their pegs back first.
    for k in reversed(pegged):
        fewer = {n: w for n, w in ways.items() if n != k}
        if work.works(fewer, lump):
            ways = fewer
    return tuple(k for k in work.joints if k in ways)


def _turned_enough(work: _Work, pegged: list[str], lump: Pieces) -> tuple[Change, ...]:
    """The joint whose pegs need turn least for pieces to go together, if one alone does."""
    tried = [(angle, k, other, way) for k in pegged for angle, other, way in work.turns(k, lump)]
    for angle, k, other, way in sorted(tried, key=lambda t: (round(t[0], 6), t[1], t[2])):
        if work.works({k: work.pegged(k, way)}, lump):
            return (Change(k, "turned", angle, f"as those of joint {other}"),)
    return ()


def _turned_alike(
    work: _Work, letters: tuple[str, ...], closing: list[Step], lump: Pieces
) -> tuple[Change, ...]:
    """Several joints' pegs turned to run the way in which they would close if plain."""
    if len(closing) != 1:
        return ()
    home = closing[0].direction
    ways, changes = {}, []
    for k in letters:
        normal = work.joints[k].frame.normal
        way = home if home @ normal > 0 else -home
        angle = float(np.degrees(np.arccos(min(1.0, float(way @ normal)))))
        if angle > MOST_TURN + 1e-6:
            return ()
        ways[k] = work.pegged(k, way + 0.0)
        changes.append(Change(k, "turned", angle, heading(home)))
    return tuple(changes) if work.works(ways, lump) else ()


def _caged(work: _Work, lump: Pieces, pegged: list[str]) -> str:
    """Which pieces hold which, whatever their joints."""
    scene = work.scene({k: work.plain(k) for k in pegged})
    pairs = [(p, q) for p in sorted(lump) for q in sorted(lump) if p < q]
    volume = {n: abs(m.volume) for n, m in scene.meshes.items()}
    for p, q in pairs:
        if partition(scene, frozenset({p, q})) is None:
            small, large = sorted((p, q), key=lambda n: (volume[n], n))
            return f"piece {small} is caged by piece {large}"
    return "they hold each other whatever their joints"


def _freer(work: _Work, everything: Pieces) -> tuple[str, ...]:
    """Sentences on joints that are plain lest they lock pieces out, and need not be."""
    said = []
    for k, joint in work.joints.items():
        if not is_locked(joint):
            continue
        normal = joint.frame.normal + 0.0
        if work.works({k: work.pegged(k, normal)}, everything):
            said.append(
                f"Joint {k} is plain, but pegs square to its face would not lock the pieces."
            )
            continue
        for angle, other, along in work.turns(k, everything):
            if work.works({k: work.pegged(k, along)}, everything):
                said.append(
                    f"Joint {k} is plain, but pegs turned by {angle:.0f}° to run as those of "
                    f"joint {other} would not lock the pieces."
                )
                break
    return tuple(said)


# --- words -------------------------------------------------------------------------------


def heading(direction: FloatArray) -> str:
    """A direction in words: the nearest axis, and by how much it leans from it."""
    axis, name = max(_AXES, key=lambda a: round(float(np.dot(a[0], direction)), 9))
    off = float(np.degrees(np.arccos(np.clip(np.dot(axis, direction), -1.0, 1.0))))
    if off < 0.5:
        return f"straight {name}"
    rest = direction - np.dot(axis, direction) * np.array(axis)
    _, side = max(_AXES, key=lambda a: round(float(np.dot(a[0], rest)), 9))
    return f"{name}, leaning {off:.0f}° {side}"


def _listed(names: tuple[int, ...] | tuple[str, ...], noun: str) -> str:
    """'piece 3', 'pieces 3 and 5', 'pieces 1 to 4 and 7'."""
    words: list[str] = []
    run: list[int] = []
    for name in (*names, None):
        if isinstance(name, int) and run and name == run[-1] + 1:
            run.append(name)
            continue
        words += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(n) for n in run]
        run = [name] if isinstance(name, int) else []
        words += [name] if isinstance(name, str) else []
    many = "s" if len(names) > 1 else ""
    last = f" and {words[-1]}" if len(words) > 1 else ""
    return f"{noun}{many} {', '.join(words[:-1] or words)}{last}"
