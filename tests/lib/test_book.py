"""The assembly book: everything in it, in valid HTML, with pictures that show what moves."""

from __future__ import annotations

import base64
import re
import struct
import zlib
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from seamwright.book import book
from seamwright.book_steps import instructions
from seamwright.book_view import (
    PIXEL,
    drawn_back,
    marks_sketch,
    painter_of,
    step_picture,
    step_view,
    whole,
)
from seamwright.build_choice import BuildChoice, Group
from seamwright.choice import JointChoice
from seamwright.errors import Cancelled
from seamwright.job import FigureChoice, Job
from seamwright.joint_list import to_buy
from seamwright.order import Fight, Order
from seamwright.page import document, inlined, table
from seamwright.painter import (
    VIEWS,
    palette,
    png,
)
from seamwright.plan import Plan, planned
from seamwright.printer import printer
from seamwright.report import CAUTIONS
from seamwright.results import write
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam
from seamwright.shapes import box

HOSTILE = """<b>"&'Post</b><script>alert(1)</script>"""
UP = (0.0, 0.0, 1.0)
FRONT = VIEWS[0]


@cache
def work() -> tuple[Result, Plan]:
    """A post of four pieces with a joint of each kind but plain, and a rod; hostile names."""
    name = HOSTILE
    seams = (
        Seam(1, f"{name} ankle", (30.0, 30.0, 60.0), UP, joint=JointChoice("loose pegs")),
        Seam(2, f"{name} waist", (30.0, 30.0, 120.0), UP, joint=JointChoice("magnets")),
        Seam(3, f"{name} neck", (30.0, 30.0, 180.0), (0.0, 0.2, 1.0)),
    )
    job = Job(
        name, FigureChoice(), replace(printer("filament-180"), name=f"{name} printer"), seams,
        rods=(Rod(f"{name} rod", (12.0, 12.0, 20.0), (12.0, 12.0, 100.0), 5.0),),
        builds=BuildChoice(groups=(Group(f"{name} gold", (4,)),)),
    )  # fmt: skip
    result = make(prepare(box(60, 60, 240), "mm", job), job)
    return result, planned(result)


@cache
def pages() -> str:
    return book(*work())


# --- reading -----------------------------------------------------------------------------------


class Reader(HTMLParser):
    """Reads a page strictly: every element closed, in order."""

    VOID = frozenset({"meta", "input", "br", "img", "link", "hr"})
    DRAWN = frozenset({"path", "rect", "circle", "polygon", "image"})

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.tables: list[list[list[str]]] = []
        self.said: list[str] = []

    def handle_starttag(self, tag, attrs):
        assert len({k for k, _ in attrs}) == len(attrs), (tag, attrs)
        self.found.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in {"th", "td"}:
            self.tables[-1][-1].append("")

    def handle_startendtag(self, tag, attrs):
        assert tag in self.DRAWN
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag, tag

    def handle_data(self, data):
        self.said.append(data)
        if {"td", "th"} & set(self.open):
            self.tables[-1][-1][-1] += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.found if name == tag]


def read(whole_page: str) -> Reader:
    reader = Reader()
    reader.feed(whole_page)
    reader.close()
    assert reader.open == []
    return reader


@cache
def seen() -> Reader:
    return read(pages())


def rows_under(reader: Reader, *heads: str) -> list[list[str]]:
    """The rows of the table whose head begins so."""
    (found,) = [rows for rows in reader.tables if tuple(rows[0][: len(heads)]) == heads]
    return found[1:]


def pixels(svg: str) -> np.ndarray:
    """The indices of the one PNG in a picture, read by the specification."""
    data = base64.b64decode(re.findall(r'href="data:image/png;base64,([^"]+)"', svg)[0])
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    at, chunks = 8, {}
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        name, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        (crc,) = struct.unpack(">I", data[at + 8 + length : at + 12 + length])
        assert crc == zlib.crc32(name + body)
        chunks[name], at = body, at + 12 + length
    wide, high, depth, kind, *rest = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    assert (depth, kind, rest) == (8, 3, [0, 0, 0]) and list(chunks)[-1] == b"IEND"
    rows = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), np.uint8).reshape(high, wide + 1)
    assert not rows[:, 0].any()
    assert rows[:, 1:].max() < len(chunks[b"PLTE"]) // 3
    return rows[:, 1:]


# --- a page that any browser reads -------------------------------------------------------------


def test_it_is_one_valid_page_that_needs_nothing_else() -> None:
    page, reader = pages(), seen()
    assert page.startswith("<!DOCTYPE html>\n") and reader.all("html") == [{"lang": "en"}]
    assert not {"script", "link", "iframe", "object"} & {tag for tag, _ in reader.found}
    assert "http" not in page
    for attrs in reader.all("image"):
        assert str(attrs["href"]).startswith("data:image/png;base64,")
    ids = [str(attrs["id"]) for _, attrs in reader.found if "id" in attrs]
    assert len(ids) == len(set(ids))
    links = [str(a["href"])[1:] for a in reader.all("a")]
    used = re.findall(r"url\(#([^)]+)\)", page)
    assert len(links) >= 6 and used and set(links + used) <= set(ids)


def test_headings_go_down_by_one_and_every_picture_says_what_it_shows() -> None:
    reader = seen()
    levels = [int(tag[1]) for tag, _ in reader.found if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))
    pictures = reader.all("svg")
    said = [str(p["aria-label"]) for p in pictures]
    assert all(p["role"] == "img" for p in pictures) and len(set(said)) == len(said)
    result, plan = work()
    builds, steps = len(plan.packing.builds), len(result.order.steps)
    # Two of the whole figure, the marks, the stance.
    assert len(pictures) == 2 + builds + steps + 2
    assert all(HOSTILE in s for s in said[:2])


def test_names_are_text_and_never_markup() -> None:
    reader = seen()
    assert "b" in {tag for tag, _ in reader.found}
    assert "<script" not in pages() and "<b>&quot;" not in pages()
    said = "".join(reader.said)
    for what in ("", " ankle", " waist", " neck", " rod", " printer", " gold"):
        assert HOSTILE + what in said, what


def test_control_characters_in_a_name_are_not_passed_on() -> None:
    page = document("a\x00b\x1bc", ["<p>d\x0be\ufffef\tg\n</p>"])
    assert "<title>a\ufffdb\ufffdc</title>" in page and "d\ufffde\ufffdf\tg\n" in page


def test_ids_of_pictures_are_made_unlike_but_not_words_in_them() -> None:
    svg = (
        '<svg xmlns="x" viewBox="0 0 9 9"><title>a "b" id="p1"</title><g id="p1"/>'
        '<path fill="url(#p1)"/><text> id="p1" url(#p1)</text></svg>'
    )
    found = inlined(svg, "b7", (0, 0, 4, 2), 80.0)
    assert '<g id="b7-p1"/>' in found and 'fill="url(#b7-p1)"' in found
    assert '<text> id="p1" url(#p1)</text>' in found
    assert 'aria-label="a &quot;b&quot; id=&quot;p1&quot;"' in found
    assert 'viewBox="0.00 0.00 4.00 2.00" width="80.0mm" height="40.0mm"' in found


def test_numbers_go_to_the_right_and_words_to_the_left() -> None:
    made = table("t", ("n", "w"), [(1, "a<b"), (-2.5, "3x")])
    assert made.count(' class="n"') == 3 and "<td>a&lt;b</td>" in made


# --- everything is in it -----------------------------------------------------------------------


def test_it_begins_with_the_cautions_and_tells_the_figure() -> None:
    reader, (result, plan) = seen(), work()
    said = "".join(reader.said)
    for caution in CAUTIONS:
        assert caution in said and said.index(caution) < said.index("1. What you need")
    x, y, z = result.figure.mesh.size
    assert f"Size: {x:.0f} × {y:.0f} × {z:.0f} mm" in said
    mass = sum(w.mass for w in result.weights.values())
    mass += sum(plan.items[p.number].mass for p in plan.parts if p.pose is None)
    assert f"Mass as printed: {mass / 1000:.2f} kg" in said
    assert f"{len(result.pieces)} pieces, {len(result.loose)} loose peg" in said
    assert plan.whole.sentence[1:-1] in said


def test_every_piece_peg_and_bought_thing_is_listed() -> None:
    reader, (result, plan) = seen(), work()
    pieces = rows_under(reader, "Piece", "File")
    assert [r[0] for r in pieces] == [str(p.id) for p in result.pieces]
    for row, piece in zip(pieces, result.pieces, strict=True):
        assert row[4] == str(plan.build_of[piece.id])
        assert row[3] == f"{result.weights[piece.id].mass:.0f}"
    pegs = rows_under(reader, "Peg")
    assert [r[0] for r in pegs] == [p.label for p in result.loose] and pegs
    bought = rows_under(reader, "What")
    wanted = to_buy(result.joints, result.job.rods, result.bores)
    assert [(r[0], r[2]) for r in bought] == [(b.what, str(b.count)) for b in wanted]
    assert bought[0][1] == "5 × 80.0" and "disc magnet" in bought[1][0]


def test_every_joint_is_listed_with_its_reason_and_its_poles() -> None:
    reader, (result, _) = seen(), work()
    rows = rows_under(reader, "Joint", "Pieces")
    facts, reasons = rows[::2], rows[1::2]
    assert [r[0] for r in facts] == [j.letter for j in result.joints]
    for row, reason, joint in zip(facts, reasons, result.joints, strict=True):
        assert joint.reason in reason[1] and joint.interface.seam.name in reason[1]
        assert row[2] == joint.kind
        sizes = joint.pegs or joint.magnets
        assert all(f"{s.wall:.1f}" >= row[7] for s in sizes)
        assert row[6].startswith(f"{joint.clearance:g} (IT")
    said = "".join(reader.said)
    magnets = [(j, m) for j in result.joints for m in j.magnets]
    assert magnets
    for joint, magnet in magnets:
        other = {"A": "B", "B": "A"}[magnet.north]
        assert (
            f"the north pole looks out of piece {joint.piece(magnet.north)}, "
            f"the south pole out of piece {joint.piece(other)}." in said
        )


def test_every_build_and_step_is_there_with_its_boxes_to_tick() -> None:
    reader, (result, plan) = seen(), work()
    said, ids = "".join(reader.said), {attrs.get("id") for _, attrs in reader.found}
    for build, needs in zip(plan.packing.builds, plan.estimates, strict=True):
        assert f"build-{build.number}" in ids and needs.sentence in said
    assert len(plan.packing.builds) > 1
    for n, step in enumerate(result.order.steps, start=1):
        assert f"step-{n}" in ids and f"Step {n} of {len(result.order.steps)}" in said
        assert step.sentence.replace("-x", "\u2212x").replace("-y", "\u2212y") in said
    boxes = [a for a in reader.all("input") if a["type"] == "checkbox"]
    assert len(boxes) == len(plan.parts) + 2 * len(result.order.steps)
    ticked = ["Piece 1", "Piece 2", "Piece 3", "Piece 4", f"Loose peg A ({len(plan.parts)})"]
    assert all(what in reader.said for what in ticked)


def test_stance_ledger_and_warnings_are_there() -> None:
    reader, (result, plan) = seen(), work()
    said = "".join(reader.said)
    assert plan.stance is not None
    assert plan.stance.sentence.replace("-x", "\u2212x").replace("-y", "\u2212y") in said
    assert f"{plan.stance.angle:.1f}°" in said and "licensed professional to judge" in said
    for warning in (*result.warnings, *plan.warnings):
        assert warning in said
    assert rows_under(reader, "Shell") == [["1", "864.0", "1, 2, 3, 4", "1, 2", "–"]]
    for check in (*result.checks, *plan.checks):
        assert [check.name, check.found] in rows_under(reader, "Check")


def test_what_the_book_says_of_a_result_that_is_not_whole() -> None:
    result, plan = work()
    fight = Fight((1, 2), ("A",), "they <hold> each other")
    stuck = replace(
        result,
        order=Order((), (fight,), ("Joint A could carry pegs.",)),
        warnings=("Beware & <mind>.",),
    )
    page = book(stuck, replace(plan, stance=None, stands="It falls over <by itself>."))
    said = "".join(read(page).said)
    assert fight.sentence in said and "There is no whole order" in said
    assert "It falls over <by itself>." in said and "Joint A could carry pegs." in said
    assert "Beware & <mind>." in said and "Warnings: 1" in said


def test_parts_that_are_printed_are_named_and_on_no_build() -> None:
    result, plan = work()
    nothing = replace(plan.packing, builds=())
    reader = read(book(result, replace(plan, packing=nothing, estimates=())))
    said = "".join(reader.said)
    assert "Printed already: piece-01, piece-02, piece-03, piece-04, loose peg" in said
    assert {r[4] for r in rows_under(reader, "Piece", "File")} == {"printed"}
    assert "Nothing is left to print." in said


def test_each_kind_of_joint_says_what_to_glue_and_rods_when_to_go_in() -> None:
    result, _ = work()
    kinds = {j.letter: j for j in result.joints}
    assert {j.kind for j in kinds.values()} == {"loose pegs", "magnets", "pegs"}
    rod_said = []
    for n, step in enumerate(result.order.steps, start=1):
        said = instructions(n, result)
        mass = sum(result.weights[k].mass for k in step.moving)
        assert said[0] == f"{len(step.moving)} piece{'s' * (len(step.moving) > 1)} to move, " + (
            f"{mass / 1000:.2f} kg as printed."
        )
        for letter in step.joints:
            joint = kinds[letter]
            (glue,) = [s for s in said if s.startswith(f"Joint {letter}:")]
            if joint.kind == "loose pegs":
                assert f"into piece {joint.peg_piece} first" in glue
                assert all(p.label in glue for p in result.loose)
            elif joint.kind == "magnets":
                assert "poles" in glue and "no glue on the faces" in glue
            else:
                assert f"of piece {joint.peg_piece}" in glue
        rod_said += [
            s for s in said if s.startswith(f"Rod '{HOSTILE} rod', 5 mm thick and cut to 80")
        ]
    assert len(rod_said) == 1 and "through pieces 1, 2" in rod_said[0]


def test_a_step_that_nothing_holds_says_so() -> None:
    result, _ = work()
    step = result.order.steps[0]
    last = {
        "held": replace(step, held=True),
        "no joint": replace(step, joints=(), meets=(), held=False),
        "hangs": replace(step, direction=np.array(UP), held=False),
    }
    found = {
        key: " ".join(instructions(1, replace(result, order=Order((s,)))))
        for key, s in last.items()
    }
    assert "Hold or brace it until the glue has set" in found["held"]
    assert "Hold or clamp it until the glue has set: no peg" in found["no joint"]
    if any(j.pegs for j in result.joints if j.letter in step.joints):
        assert "turn everything over" in found["hangs"]
    else:
        assert "The magnets hold it" in found["hangs"]


# --- the same again ----------------------------------------------------------------------------


def test_the_same_result_gives_the_same_bytes() -> None:
    result, plan = work()
    assert book(result, plan).encode() == pages().encode()
    assert len(pages()) < 1e6


def test_it_is_in_the_result_folder_if_there_is_a_plan(tmp_path: Path) -> None:
    result, plan = work()
    out = write(result, tmp_path / "with", plan=plan)
    page = (out / "book.html").read_bytes().decode("utf-8")
    assert "joint scale" in page and "build files" in page and "\r" not in page
    assert not (write(result, tmp_path / "without") / "book.html").exists()


def test_it_tells_how_far_it_is_and_can_be_stopped() -> None:
    told: list[float] = []

    def stop(done: float, _what: str) -> None:
        told.append(done)
        if done > 0.6:
            raise Cancelled

    with pytest.raises(Cancelled):
        book(*work(), progress=stop)
    assert told == sorted(told) and told[0] == 0.0 and 0.6 < told[-1] < 1 and len(told) > 4


# --- pictures ----------------------------------------------------------------------------------


def test_the_whole_figure_is_shown_with_a_number_on_each_piece() -> None:
    result, plan = work()
    svg, found = whole(painter_of(plan), result, FRONT, 'all "of" it')
    assert found == {1, 2, 3, 4} and 'aria-label="all &quot;of&quot; it"' in svg
    assert re.findall(r">(\d+)</text>", svg) and set(re.findall(r">(\d+)</text>", svg)) == {
        "1", "2", "3", "4",
    }  # fmt: skip
    # Next to each other there are always two hues.
    hue = pixels(svg) // (256 // 7)
    assert len(np.unique(hue)) >= 2


@pytest.mark.parametrize("number", [0, 1, 2])
def test_a_step_shows_its_pieces_away_from_home(number: int) -> None:
    result, plan = work()
    step, painter = result.order.steps[number], painter_of(plan)
    view = step_view(step, painter)
    svg = step_picture(painter, result, step, view, "step")
    shown = pixels(svg)
    paper = 256 // 3 - 1
    hue, level = np.divmod(shown, 256 // 3)
    moving, still = hue == 1, (hue == 0) & (level < paper)
    assert moving.sum() > 2000 and still.sum() > 2000
    # The way back in pixels: what moves lies that way of what does not, and paper between.
    back = view.axes[:2] @ -step.direction * [1, -1]
    apart = np.argwhere(moving).mean(axis=0) - np.argwhere(still).mean(axis=0)
    assert apart[::-1] @ back > 20
    near = np.zeros_like(moving)
    near[1:-1] = still[:-2] | still[2:]
    if not any(j.kind == "loose pegs" for j in result.joints if j.letter in step.joints):
        assert (moving & near).sum() < 0.02 * moving.sum()
    for joint in step.joints:
        assert f">{joint}</text>" in svg
    for piece in (*step.moving, *step.meets):
        assert f">{piece}</text>" in svg
    assert svg.count("<polygon") == 2 * len(step.joints)


def test_loose_pegs_are_shown_where_they_are_glued_first() -> None:
    result, plan = work()
    step = next(
        s
        for s in result.order.steps
        for j in result.joints
        if j.letter in s.joints and j.kind == "loose pegs"
    )
    painter = painter_of(plan)
    svg = step_picture(painter, result, step, step_view(step, painter), "pegs")
    assert (pixels(svg) // (256 // 3) == 2).sum() > 30
    assert f">{result.loose[0].label}</text>" in svg


def test_pieces_are_drawn_back_by_their_pegs_and_round_a_bend() -> None:
    result, plan = work()
    painter, step = painter_of(plan), result.order.steps[-1]
    joints = [j for j in result.joints if j.letter in step.joints]
    back = drawn_back(step, joints, painter)
    assert np.cross(back, step.direction) == pytest.approx(np.zeros(3), abs=1e-9)
    depth = max([p.depth for j in joints for p in j.pegs], default=0.0)
    assert -back @ step.direction > depth
    bent = replace(step, travel=12.0, approach=np.array([1.0, 0.0, 0.0]))
    away = drawn_back(bent, joints, painter)
    assert away @ step.direction == pytest.approx(-12.0) and away[0] < -20
    svg = step_picture(painter, result, bent, FRONT, "bent")
    assert len(re.findall(r'd="M[^"L]+L[^"L]+L[^"L]+"', svg)) == 2 * len(step.joints)


def test_a_step_is_looked_at_from_the_side_that_it_comes_from() -> None:
    result, plan = work()
    painter, step = painter_of(plan), result.order.steps[0]
    for way, name in (((0, 1, 0), "the front"), ((0, -1, 0), "the back")):
        seen_from = step_view(replace(step, direction=np.array(way, dtype=float)), painter)
        assert seen_from.name.startswith(name)


def test_the_marks_sketch_says_its_letter() -> None:
    assert "the letter Q" in marks_sketch("Q") and marks_sketch("Q") != marks_sketch("R")


def test_a_png_holds_its_pixels_and_colours() -> None:
    colours = palette(("#E69F00", "#56B4E9"), 8)
    assert colours.shape == (16, 3) and (colours[[7, 15]] == 255).all()
    indices = np.arange(15, dtype=np.uint8).reshape(3, 5)
    data = base64.b64encode(png(indices, colours)).decode()
    assert (pixels(f'href="data:image/png;base64,{data}"') == indices).all()


def test_a_picture_is_as_large_on_paper_as_its_pixels_say() -> None:
    result, plan = work()
    svg, _ = whole(painter_of(plan), result, FRONT, "size")
    high, wide = pixels(svg).shape
    assert f'width="{wide * PIXEL:.1f}mm" height="{high * PIXEL:.1f}mm"' in svg
    assert wide * PIXEL < 90 and high * PIXEL < 120
