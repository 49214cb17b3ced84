"""Making a result anew after a change: the same to the last bit, and only the change is made."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from seamwright import gaps, imprint, pieces, proof, run, trials
from seamwright.choice import PLAIN, JointAt, JointChoice
from seamwright.errors import BadInput, Cancelled
from seamwright.job import FigureChoice, Job
from seamwright.known import Known, key_of
from seamwright.line import line_seam
from seamwright.mesh import Mesh, joined
from seamwright.pieces import Piece
from seamwright.printer import PrinterProfile
from seamwright.rod import Rod
from seamwright.run import Figure, Result, make, prepare
from seamwright.seam import Reach, Seam, SeamLine
from seamwright.shapes import box, moved, revolved

CASES = int(os.environ.get("SEAMWRIGHT_CASES", "80"))
PROFILE = PrinterProfile(build_volume=(300.0, 300.0, 300.0))


# --- the figure -------------------------------------------------------------------------------


@cache
def figure() -> Figure:
    """A post with a waist and a thin one beside it, both of which a level plane meets."""
    z = np.linspace(0.0, 420.0, 43)
    radius = 42 + 5 * np.sin(z / 40) + 3 * np.cos(z / 17)
    thin = moved(revolved(np.full(12, 16.0), np.linspace(0.0, 330.0, 12), 24), (110.0, 5.0, 0.0))
    return prepare(joined([revolved(radius, z, 48), thin]), "mm", a_job())


def level(number: int, name: str, z: float, lean: float = 0.0, **more: object) -> Seam:
    at = (0.0, 0.0, z)
    more.setdefault("reach", Reach("nearest", (at,)))
    return Seam(number, name, at, (lean, 0.0, 1.0), **more)  # type: ignore[arg-type]


def a_job() -> Job:
    """A line seam, four level ones, and two upright ones that cross what is above the third."""
    turn = 2 * np.pi * np.arange(16) / 16
    radius = 42 + 5 * np.sin(60 / 40) + 3 * np.cos(60 / 17)
    line = np.stack(
        [radius * np.cos(turn), radius * np.sin(turn), 60 + 2 * np.sin(2 * turn)], axis=1
    )
    rows = tuple((float(x), float(y), float(h)) for x, y, h in line)
    above = Reach("nearest", ((0.0, 0.0, 350.0),))
    return Job("Posts", FigureChoice(mend=False), PROFILE, (
        line_seam(1, "boot", SeamLine(rows, 1.0)),
        level(2, "knee", 120.0, 0.05),
        level(3, "hip", 190.0),
        level(4, "waist", 260.0, -0.04),
        level(5, "chest", 330.0),
        Seam(6, "front", (0.0, 3.0, 350.0), (0.05, 1.0, 0.0), above, stops_at=("waist",)),
        Seam(7, "side", (4.0, 0.0, 350.0), (1.0, 0.0, 0.03), above, stops_at=("chest",)),
    ))  # fmt: skip


# --- changes ----------------------------------------------------------------------------------


def with_seam(job: Job, name: str, **more: object) -> Job:
    seams = (replace(s, **more) if s.name == name else s for s in job.seams)  # type: ignore[arg-type]
    return replace(job, seams=tuple(seams))


def numbered(job: Job, seams: list[Seam]) -> Job:
    """Seams are numbered in the order of the job, as the panel does."""
    return replace(job, seams=tuple(replace(s, id=n) for n, s in enumerate(seams, start=1)))


def without(job: Job, name: str) -> Job:
    return numbered(job, [s for s in job.seams if s.name != name])


def joint(choice: JointChoice, name: str = "knee") -> Callable[[Job], Job]:
    return lambda job: with_seam(job, name, joint=choice)


CHANGES: dict[str, Callable[[Job], Job]] = {
    "nothing": lambda job: job,
    "move": lambda job: with_seam(job, "knee", point=(0.0, 0.0, 126.5)),
    "move a crossing one": lambda job: with_seam(job, "side", point=(-6.0, 0.0, 350.0)),
    "turn": lambda job: with_seam(job, "hip", normal=(0.1, 0.06, 1.0)),
    "add": lambda job: numbered(job, [*job.seams, level(0, f"new {len(job.seams)}", 155.0)]),
    "add first": lambda job: numbered(job, [level(0, "new", 92.0), *without(job, "new").seams]),
    "delete": lambda job: without(job, "hip"),
    "delete the line": lambda job: without(job, "boot"),
    "reorder": lambda job: numbered(job, list(job.seams[::-1])),
    "plain": joint(PLAIN),
    "wide": joint(JointChoice(width=11.0)),
    "magnets": joint(JointChoice("magnets", magnet="6x2"), "hip"),
    "loose": joint(JointChoice("loose pegs"), "waist"),
    "no marks": joint(JointChoice(marks=False), "chest"),
    "leaning": joint(JointChoice(direction=(0.2, 0.1, 1.0)), "hip"),
    "one joint": lambda job: replace(
        job, joints=(JointAt("side", (4.0, 20.0, 370.0), JointChoice(clearance=0.3)),)
    ),
    "rod": lambda job: replace(
        job, rods=(Rod("spine", (16.0, 0.0, 90.0), (16.0, 0.0, 225.0), 5.0),)
    ),
    "printer": lambda job: replace(job, printer=replace(job.printer, wall=2.5, clearance=0.15)),
    "smaller printer": lambda job: replace(
        job, printer=replace(job.printer, build_volume=(110.0, 250.0, 118.0))
    ),
    "reach": lambda job: with_seam(job, "knee", reach=Reach()),
}  # fmt: skip


# --- what is the same ---------------------------------------------------------------------------


def assert_same(one: object, other: object, at: str = "result") -> None:
    """Assert that two values hold the same, arrays to the last bit."""
    assert type(one) is type(other), at
    if isinstance(one, np.ndarray):
        assert isinstance(other, np.ndarray)
        assert (one.dtype, one.shape) == (other.dtype, other.shape), at
        assert one.tobytes() == other.tobytes(), at
    elif is_dataclass(one):
        for f in fields(one):
            if not f.name.startswith("_") and f.name != "known":
                assert_same(getattr(one, f.name), getattr(other, f.name), f"{at}.{f.name}")
    elif isinstance(one, Mapping):
        assert isinstance(other, Mapping)
        assert list(one) == list(other), at
        for k in one:
            assert_same(one[k], other[k], f"{at}[{k!r}]")
    elif isinstance(one, (tuple, list)):
        assert isinstance(other, (tuple, list))
        assert len(one) == len(other), at
        for k, (a, b) in enumerate(zip(one, other, strict=True)):
            assert_same(a, b, f"{at}[{k}]")
    elif isinstance(one, Exception):
        assert str(one) == str(other), at
    else:
        assert one == other or one != one, at  # noqa: PLR0124  (nan)


fresh_results: dict[bytes, Result | str] = {}


def fresh(job: Job) -> Result | str:
    """What a job gives by itself, or why it gives nothing."""
    key = key_of(repr(job))
    if key not in fresh_results:
        fresh_results[key] = tried(job, None)
    return fresh_results[key]


def tried(job: Job, before: Result | None) -> Result | str:
    try:
        return make(figure(), job, before=before, keep_misfits=True)
    except BadInput as error:
        return str(error)


def first() -> Result:
    result = fresh(a_job())
    assert isinstance(result, Result)
    return result


@pytest.mark.parametrize("change", CHANGES)
def test_one_change_gives_the_very_same(change: str) -> None:
    job = CHANGES[change](a_job())
    now = tried(job, first())
    assert_same(now, fresh(job))
    if isinstance(now, Result):
        # And what is as one was is that one.
        assert unchanged(now, first()) == {p.id for p in now.pieces if alike(p, first().pieces)}
        assert {id(p.mesh) for p in now.blanks} & {id(p.mesh) for p in first().blanks} == {
            id(p.mesh) for p in now.blanks if alike(p, first().blanks)
        }


def alike(piece: Piece, others: tuple[Piece, ...]) -> bool:
    """Whether some piece has just the same mesh."""
    whole = Known().whole
    return whole(piece.mesh) in {whole(p.mesh) for p in others}


def test_there_and_back_gives_the_very_same() -> None:
    there = make(figure(), CHANGES["turn"](a_job()), before=first())
    assert_same(make(figure(), a_job(), before=there), first())


@settings(
    max_examples=max(CASES // 20, 1), deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
@given(st.lists(st.sampled_from(sorted(CHANGES)), min_size=2, max_size=4))
def test_changes_one_upon_the_other_give_the_very_same(changes: list[str]) -> None:
    job, last = a_job(), first()
    for change in changes:
        job = CHANGES[change](job)
        now, alone = tried(job, last), fresh(job)
        assert_same(now, alone)
        if isinstance(now, Result):
            last = now


def test_another_figure_is_made_as_by_itself() -> None:
    seams = tuple(Seam(n, f"seam {n}", (30.0, 30.0, 60.0 * n), (0.0, 0.0, 1.0)) for n in (1, 2, 3))
    job = Job("Post", FigureChoice(), PROFILE, seams)
    post = prepare(box(60, 60, 240), "mm", job)
    assert_same(make(post, job, before=first()), make(post, job))


def test_a_figure_with_equal_arrays_is_as_good_as_the_same() -> None:
    mesh = figure().mesh
    twin = replace(figure(), mesh=Mesh(mesh.vertices.copy(), mesh.faces.copy(), mesh.tag.copy()))
    now = make(twin, a_job(), before=first())
    assert unchanged(now, first()) == {p.id for p in now.pieces}


# --- what is kept -------------------------------------------------------------------------------


def unchanged(now: Result, was: Result) -> set[int]:
    """Ids, as they are now, of pieces with the very mesh of an earlier one."""
    old = {id(p.mesh) for p in was.pieces}
    return {p.id for p in now.pieces if id(p.mesh) in old}


def touching(result: Result, *seams: str) -> set[int]:
    """Ids of the pieces at a seam."""
    faces = [j.interface for j in result.joints if j.interface.seam.name in seams]
    return {n for f in faces for n in (f.piece_a, f.piece_b)}


@pytest.mark.parametrize(
    ("change", "seam"),
    [
        ("move", "knee"), ("turn", "hip"), ("plain", "knee"), ("leaning", "hip"),
        ("no marks", "chest"),
    ],
)  # fmt: skip
def test_only_the_pieces_at_the_change_are_made_anew(change: str, seam: str) -> None:
    now = make(figure(), CHANGES[change](a_job()), before=first())
    same = unchanged(now, first())
    assert same == {p.id for p in now.pieces} - touching(now, seam)
    # Blanks change only where a seam does.
    old = {id(p.mesh) for p in first().blanks}
    assert {p.id for p in now.blanks if id(p.mesh) in old} >= same
    # The ids are the same here, so the pieces themselves are.
    assert {p.id for p in now.pieces if any(p is q for q in first().pieces)} == same


def test_pieces_keep_their_meshes_though_they_are_renumbered() -> None:
    # Below all others: every piece above has another number.
    job = a_job()
    job = replace(job, seams=(*job.seams, level(8, "sole", 25.0)))
    now = make(figure(), job, before=first())
    moved_up = unchanged(now, first())
    assert moved_up == {p.id for p in now.pieces} - touching(now, "sole")
    number = {id(p.mesh): p.id for p in first().pieces}
    assert any(number[id(p.mesh)] != p.id for p in now.pieces if p.id in moved_up)


def test_loose_pegs_and_rods_change_only_what_they_go_through() -> None:
    now = make(figure(), CHANGES["rod"](a_job()), before=first())
    bored = {b.piece for b in now.bores}
    assert bored and unchanged(now, first()).isdisjoint(bored)
    assert unchanged(now, first()) >= {p.id for p in now.pieces} - bored - touching(
        now, *(now.joints[k].interface.seam.name for b in now.bores for k in b.joints)
    )
    loose = make(figure(), CHANGES["loose"](a_job()), before=first())
    assert unchanged(loose, first()) == {p.id for p in loose.pieces} - touching(loose, "waist")


def test_the_result_given_is_not_changed() -> None:
    was = first()
    before = set(was.known._found)
    volumes = [p.mesh.volume for p in was.pieces]
    make(figure(), CHANGES["turn"](a_job()), before=was)
    assert [p.mesh.volume for p in was.pieces] == volumes
    assert set(was.known._found) == before


def test_nothing_is_kept_of_what_is_gone() -> None:
    result = first()
    for change in ("turn", "magnets", "loose", "add", "delete"):
        result = make(figure(), CHANGES[change](a_job()), before=result)
    job = CHANGES["delete"](a_job())
    alone = fresh(job)
    assert isinstance(alone, Result)
    # A wish that once was tried in vain is asked for again each time.
    assert set(result.known._found) == set(alone.known._found)
    kept = [v for v in result.known._found.values() if isinstance(v, Mesh)]
    live = {id(p.mesh) for p in (*result.pieces, *result.blanks)}
    assert kept and all(id(mesh) in live for mesh in kept)
    assert not result.known._before and not result.known._names


# --- what is not done again ---------------------------------------------------------------------

DEAR = {
    "homes": (trials, "homes"), "planned": (trials, "planned"), "proven": (trials, "proven"),
    "confused": (proof, "confused"), "keyed": (proof, "keyed"), "imprint": (imprint, "_imprinted"),
    "fit": (run, "fit"), "weight": (run, "weight"), "gap": (gaps, "_joint_gaps"),
    "sliver": (pieces, "_volume_and_thickness"), "span": (run, "spans"),
    "overlapping": (run, "overlapping_shells"),
}  # fmt: skip


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each dear thing was done."""
    count: Counter[str] = Counter()

    def counted(name: str, work: Callable[..., object]) -> Callable[..., object]:
        def done(*words: object, **more: object) -> object:
            count[name] += 1
            return work(*words, **more)

        return done

    for name, (module, function) in DEAR.items():
        monkeypatch.setattr(module, function, counted(name, getattr(module, function)))
    return count


def test_nothing_dear_is_done_twice_if_nothing_changed(calls: Counter[str]) -> None:
    was = make(figure(), a_job())
    assert set(DEAR) == set(calls)
    calls.clear()
    make(figure(), a_job(), before=was)
    assert not calls


def test_a_moved_seam_costs_only_what_is_at_it(calls: Counter[str]) -> None:
    was = first()
    calls.clear()
    now = make(figure(), CHANGES["move"](a_job()), before=was)
    # Its two pieces, and its joint and those of the other faces of these two pieces.
    near = touching(now, "knee")
    theirs = [j for j in now.joints if {j.interface.piece_a, j.interface.piece_b} & near]
    assert calls["imprint"] == calls["weight"] == calls["sliver"] == len(near) == 2
    assert calls["gap"] == len(theirs) == 3
    assert calls["homes"] == len(theirs)
    assert 0 < calls["proven"] <= 2 * len(theirs)
    assert calls["span"] == calls["overlapping"] == 0


def test_another_joint_costs_only_that_joint(calls: Counter[str]) -> None:
    was = first()
    calls.clear()
    now = make(figure(), CHANGES["leaning"](a_job()), before=was)
    assert calls["imprint"] == calls["weight"] == len(touching(now, "hip")) == 2
    assert calls["sliver"] == calls["span"] == 0
    # The next joint up keeps clear of what is sunk in beside it, which is another thing now.
    assert calls["homes"] == 2 and 0 < calls["proven"] <= 4


def test_another_printer_leaves_the_blanks(calls: Counter[str]) -> None:
    was = first()
    calls.clear()
    now = make(figure(), CHANGES["printer"](a_job()), before=was)
    assert all(a is b for a, b in zip(now.blanks, was.blanks, strict=True))
    assert calls["span"] == calls["sliver"] == 0


def test_the_way_is_told_and_may_be_left_at_any_point() -> None:
    was, told = first(), []
    job = CHANGES["move"](a_job())
    make(figure(), job, lambda done, what: told.append((done, what)), before=was)
    assert [d for d, _ in told] == sorted(d for d, _ in told)
    assert {w for _, w in told} >= {"parting", "sizing joints", "checking", "finding an order"}
    for stop in range(0, len(told), 5):
        seen = iter(range(stop))

        def leave(_done: float, _what: str, seen: object = seen) -> None:
            if next(seen, None) is None:  # type: ignore[call-overload]
                raise Cancelled("stopped")

        with pytest.raises(Cancelled):
            make(figure(), job, leave, before=was)
    assert_same(make(figure(), job, before=was), fresh(job))


# --- the order within a piece -------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_what_seams_made_of_a_piece_comes_in_one_order_whatever_its_own_was(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = first().blanks[seed].mesh
    own = int(0.6 * len(mesh.vertices))
    # Later vertices anyhow, the faces that have them anywhere and from any corner on.
    place_of = np.arange(len(mesh.vertices), dtype=np.int32)
    place_of[own:] = own + rng.permutation(len(place_of) - own)
    vertices = np.empty_like(mesh.vertices)
    vertices[place_of] = mesh.vertices
    made = (mesh.faces >= own).any(axis=1)
    turn = (np.arange(3) + rng.integers(0, 3, len(mesh.faces))[:, None]) % 3
    faces = np.where(
        made[:, None], np.take_along_axis(place_of[mesh.faces], turn, axis=1), mesh.faces
    )
    rank = np.sort(rng.permutation(len(faces))[: int((~made).sum())])
    order = np.full(len(faces), -1)
    order[rank] = np.flatnonzero(~made)
    order[order < 0] = rng.permutation(np.flatnonzero(made))
    mixed = Mesh.of(vertices, faces[order], mesh.tag[order])
    one, other = pieces._settled(mesh, own), pieces._settled(mixed, own)
    assert_same(one, other)
    # It is the same surface as it was.
    assert one.volume == pytest.approx(mesh.volume, rel=1e-12)
    assert one.is_closed == mesh.is_closed
    assert sorted(one.tag.tolist()) == sorted(mesh.tag.tolist())


# --- keys ---------------------------------------------------------------------------------------


def test_keys_differ_wherever_anything_does() -> None:
    parts = [
        (), (0,), (0.0,), (-0.0,), (None,), ("",), ("0",), (b"0",), (True,), (1,), ((),), ((1,), 2),
        (1, (2,)), (1, 2), (np.zeros(0),), (np.zeros((0, 3)),), (np.zeros(2),),
        (np.zeros((2, 1)),), (np.zeros(2, dtype=np.int64),), (np.zeros(1), np.zeros(1)),
        (PROFILE,), (replace(PROFILE, wall=3.1),), (JointChoice(),), (JointChoice("plain"),),
        ("a", "bc"), ("ab", "c"), (np.nextafter(1.0, 2.0),), (1.0,),
    ]  # fmt: skip
    keys = [key_of(*p) for p in parts]
    assert len(set(keys)) == len(keys)
    assert keys == [key_of(*p) for p in parts]
    assert key_of(np.arange(6).reshape(2, 3).T) == key_of(np.arange(6).reshape(2, 3).T.copy())


def test_no_key_is_made_of_what_nobody_can_compare() -> None:
    with pytest.raises(TypeError, match="function"):
        key_of(lambda: None)


def test_what_is_found_twice_is_found_once() -> None:
    found: list[int] = []

    def find() -> int:
        found.append(1)
        return len(found)

    one = Known()
    assert (one.of(b"a", find), one.of(b"a", find)) == (1, 1)
    two = Known(one.settled())
    assert two.of(b"a", find) == 1
    three = Known(Known(two.settled()).settled())
    # Nobody asked for it in between.
    assert three.of(b"a", find) == 2
