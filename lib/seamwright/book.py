"""The assembly book: one HTML file that a maker has beside them in the workshop.

It needs nothing else, no script and no network, prints on A4 from any browser, and is the
same for the same result.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from seamwright.book_joints import joints_section, signed
from seamwright.book_steps import steps_section
from seamwright.book_view import painter_of, stance_plan, whole
from seamwright.build_view import WIDE as PLATFORM
from seamwright.build_view import top_view
from seamwright.builds import Build
from seamwright.checks import Check
from seamwright.errors import Progress, Told
from seamwright.estimate import Estimate
from seamwright.joint_list import to_buy
from seamwright.ledger import Entry
from seamwright.ledger import summary as ledger_summary
from seamwright.page import (
    bullets,
    document,
    figure,
    inlined,
    paragraph,
    section,
    table,
    text,
    ticks,
)
from seamwright.painter import VIEWS, Painter
from seamwright.plan import Part, Plan
from seamwright.report import CAUTIONS, file_stem, peg_stem, touching
from seamwright.run import Result
from seamwright.stance import DEFER
from seamwright.strength import summary as strength_of_all

WIDE = 90.0
"""mm on paper of a build's picture: of the platform alone, for its list would be too small."""

MOST_SHELLS = 40
"""Shells that are listed one by one; of more, the ledger's own file tells."""

CONTENTS = (
    ("need", "What you need"),
    ("builds", "Builds in printing order"),
    ("joints", "Joints"),
    ("steps", "Steps in order"),
    ("stance", "Stance"),
    ("ledger", "Ledger, checks and warnings"),
)


def book(
    result: Result,
    plan: Plan,
    checks: tuple[Check, ...] = (),
    *,
    progress: Progress | None = None,
) -> str:
    """The assembly book of a result and its plan, as the text of an HTML file.

    Parameters
    ----------
    checks : what was checked besides the result, such as its files.

    Raises
    ------
    Cancelled
        If `progress` raises it.
    """
    tell = progress or (lambda _done, _what: None)
    painter = painter_of(plan)
    tell(0.0, "drawing the figure")
    front = _cover(result, plan, painter, lambda d: tell(0.15 * d, "drawing the figure"))
    tell(0.15, "drawing the builds")
    parts = [front, _need(result, plan), _builds(result, plan)]
    tell(0.25, "drawing the steps")
    parts += [
        joints_section(result),
        steps_section(result, painter, lambda done, what: tell(0.25 + 0.75 * done, what)),
        _stance(plan),
        _ledger(result, plan, checks),
    ]
    return document(f"{result.job.name}: assembly book", parts)


# --- cover -----------------------------------------------------------------------------------


def _cover(result: Result, plan: Plan, painter: Painter, told: Told) -> str:
    """Name, cautions, numbers, the whole figure, and what the book holds."""
    name, warned = result.job.name, len(_warnings(result, plan))
    views = (VIEWS[0], VIEWS[2])
    pictures, seen = [], set[int]()

    def drawn(n: int) -> tuple[str, set[int]]:
        seen_from = f"seen from {views[n].name} and above"
        said = f"{name}, the whole figure with its piece numbers, {seen_from}."
        return whole(painter, result, views[n], said, lambda d: told((n + d) / len(views)))

    for n, view in enumerate(views):
        svg, found = drawn(n)
        pictures.append(figure(svg, f"Seen from {view.name}."))
        seen |= found
    hidden = [str(p.id) for p in result.pieces if p.id not in seen]
    links = "".join(f'<li><a href="#{key}">{text(said)}</a></li>' for key, said in CONTENTS)
    return "\n".join(
        [
            f"<header><h1>{text(name)}</h1>{paragraph('Assembly book', 'lead')}</header>",
            '<section class="box" aria-labelledby="cautions"><h2 id="cautions">Cautions</h2>'
            f"{bullets(CAUTIONS)}</section>",
            bullets(_facts(result, plan), "facts"),
            f'<p><strong><a href="#ledger">Warnings: {warned}; read them in section 6 before you '
            "print.</a></strong></p>"
            if warned
            else "",
            f'<div class="pair">{"".join(pictures)}</div>',
            paragraph(f"Hidden in both pictures: {', '.join(hidden)}.", "small") if hidden else "",
            f'<nav aria-label="Contents"><ol>{links}</ol></nav>',
        ]
    )


def _facts(result: Result, plan: Plan) -> tuple[str, ...]:
    x, y, z = result.figure.mesh.size
    mass = sum(plan.items[p.number].mass for p in plan.parts)
    pegs = f", {_count(len(result.loose), 'loose peg')}" if result.loose else ""
    printer = result.job.printer
    return (
        f"Size: {x:.0f} × {y:.0f} × {z:.0f} mm (x, y, z)",
        f"Mass as printed: {mass / 1000:.2f} kg",
        f"{_count(len(result.pieces), 'piece')}{pegs}",
        f"{_count(len(result.joints), 'joint')}, {_count(len(result.order.steps), 'step')}",
        f"{_count(len(plan.packing.builds), 'build')} to print",
        f"Time and material: {_lower(plan.whole.sentence)}",
        f"Printer: {', '.join(p.name for p in plan.printers)}",
        f"Material: {printer.material}, layers of {printer.layer_height:g} mm, shell of "
        f"{printer.shell:g} mm, {printer.infill:.0%} infill",
    )


# --- what is needed --------------------------------------------------------------------------


def _need(result: Result, plan: Plan) -> str:
    """Pieces, loose pegs, what has to be bought, and glue."""
    job, build = result.job, plan.build_of
    pieces = [
        (
            p.id, file_stem(job, p), _size(p.mesh.size), f"{result.weights[p.id].mass:.0f}",
            build.get(p.id, "printed"), " ".join(j.letter for j in touching(p, result.joints)),
        )
        for p in result.pieces
    ]  # fmt: skip
    pegs = [
        (
            peg.label, peg_stem(job, peg), f"{peg.width:.1f} × {peg.length:.1f}",
            f"{plan.items[n].mass:.1f}", build.get(n, "printed"), peg.joint,
        )
        for n, peg in enumerate(result.loose, start=len(result.pieces) + 1)
    ]  # fmt: skip
    bought = [
        (b.what, b.size.replace(" x ", " × "), b.count, b.joints)
        for b in to_buy(result.joints, job.rods, result.bores)
    ]
    heads = ("File", "Size, mm", "Mass, g", "Build", "Joints")
    return section(
        "need",
        "1. What you need",
        [
            table("Pieces, in mm as they stand in the figure", ("Piece", *heads), pieces,
                  "small names"),
            table("Loose pegs, width × length", ("Peg", *heads), pegs,
                  "small names") if pegs else "",
            "<h3>To buy</h3>",
            table(
                "Rods by diameter × length to cut them to, magnets by diameter × thickness",
                ("What", "Size, mm", "Count", "Joints"), bought, "small names",
            )
            if bought
            else paragraph("Nothing but glue and what you finish the figure with."),
            "<h3>Glue</h3>",
            bullets(_glue(result)),
        ],
    )  # fmt: skip


def _glue(result: Result) -> tuple[str, ...]:
    """What to glue with, how much of it, and what to mind."""
    profile = result.job.printer
    glued = [j for j in result.joints if j.kind != "magnets"]
    area = sum(j.interface.area for j in glued) / 100
    counted = (
        f"The strengths in this book count on a glue that holds {profile.glue:g} MPa in shear."
        if profile.glue > 0
        else "The strengths in this book count on no glue."
    )
    return (
        f"{_count(len(glued), 'joint')} to glue, {area:.0f} cm² of faces in all. A two-part glue "
        f"that fills gaps suits sockets with {profile.clearance:g} mm of clearance per side "
        f"(common practice, no source); try it on a scrap of {profile.material} first.",
        counted,
        f"The gap of {profile.seating_gap:g} mm at each peg's end takes up what glue and dirt it "
        "pushes ahead: more glue than fills it keeps the faces apart.",
        "Read the glue's safety data sheet before you open it; ventilate, and wear the gloves and "
        "the mask it names. What is said on the package goes before what is said here.",
        "Keep glue off skin and eyes, and wear eye protection when a joint has to be tapped or "
        "prised.",
    )


# --- builds ----------------------------------------------------------------------------------


def _builds(result: Result, plan: Plan) -> str:
    done = sorted({p.number for p in plan.parts} - set(plan.build_of))
    names = {p.number: p.name for p in plan.parts}
    body = [
        paragraph(f"{plan.packing.sentence} {plan.whole.sentence}"),
        paragraph(f"Printed already: {', '.join(names[n] for n in done)}.") if done else "",
        paragraph("The pictures look down on the platform, its front below.", "small"),
    ]
    for build, needs in zip(plan.packing.builds, plan.estimates, strict=True):
        body.append(_build(build, needs, result, plan))
    return section("builds", "2. Builds in printing order", body)


def _build(build: Build, needs: Estimate, result: Result, plan: Plan) -> str:
    """One build: its picture, its time and material, and what to tick off."""
    platform = next(p.platform for p in plan.printers if p.name == build.printer)
    count = len(plan.packing.builds)
    part = {p.number: p for p in plan.parts}
    mine = [part[p.item] for p in build.placed]
    view = top_view(
        build, plan.items, platform, gap=plan.packing.gap, builds=count, figure=result.job.name
    )
    title = f"Build {build.number} of {count}"
    x, y, _ = platform.size
    scale = PLATFORM / max(x, y)
    shown = (-4.0, -4.0, x * scale + 8, y * scale + 24)
    about = f"On {build.printer}" + (f", {build.group}" if build.group else "")
    about += f", {build.height:.0f} mm high. {needs.sentence}"
    return (
        f'<article class="build" id="build-{build.number}"><h3>{text(title)}</h3>'
        f'<div class="side">{figure(inlined(view, f"build{build.number}", shown, WIDE))}'
        f"<div>{paragraph(about)}{ticks(_printed(p, plan) for p in mine)}</div></div></article>"
    )


def _printed(part: Part, plan: Plan) -> tuple[str, str]:
    size = np.ptp(part.mesh.vertices @ part.rotation.T, axis=0)
    why = f" {part.pose.said}" if part.pose else ""
    mass = plan.items[part.number].mass
    return _named(part), f"{_size(size)} mm as it lies, {mass:.0f} g.{why}"


def _named(part: Part) -> str:
    return (
        f"Piece {part.number}"
        if part.pose
        else f"{part.name[:1].upper()}{part.name[1:]} ({part.number})"
    )


# --- stance, ledger --------------------------------------------------------------------------


def _stance(plan: Plan) -> str:
    found = plan.stance
    if found is None:
        return section("stance", "5. Stance", [paragraph(plan.stands), paragraph(DEFER)])
    plot = figure(
        stance_plan(found),
        "From above: the footprint, the mass centre (cross), the way it tips most easily (line "
        f"with a dot), and, dashed, how far the footprint has to reach for {found.wanted:g}°.",
    )
    said = [f"Tipping angle: {found.angle:.1f}°, {found.wanted:g}° wanted."]
    said += [f"What would reach it: {remedy}." for remedy in found.remedies]
    if not found.even:
        said.append("The sole is round or uneven: flatten it, or fix the figure to a base.")
    words = (
        f"{paragraph(signed(found.sentence))}{bullets(said)}<p><strong>{text(DEFER)}</strong></p>"
    )
    side = f'<div class="side">{plot}<div>{words}</div></div>'
    return section("stance", "5. Stance", [side])


def _ledger(result: Result, plan: Plan, checks: tuple[Check, ...]) -> str:
    """Where each shell is, what was checked, and every warning."""
    warnings = _warnings(result, plan)
    found = [*checks] if checks else [*result.checks, *plan.checks]
    shells = _shells(plan.entries)
    return section(
        "ledger",
        "6. Ledger, checks and warnings",
        [
            paragraph(f"{ledger_summary(plan.entries)}."),
            table(
                "Where each shell of the figure is",
                ("Shell", "Volume, cm³", "Pieces", "Builds", "Printed"), shells,
            )
            if len(shells) <= MOST_SHELLS
            else paragraph("Each shell with its pieces and builds is in ledger.csv."),
            "<h3>Warnings</h3>",
            bullets(warnings) or paragraph("None."),
            "<h3>Strength</h3>",
            paragraph(f"{strength_of_all(result.strengths)}."),
            "<h3>Checks</h3>",
            table("What was checked, and what was found", ("Check", "Found"),
                  [(c.name, c.found) for c in found]),
        ],
        new=False,
    )  # fmt: skip


def _shells(entries: tuple[Entry, ...]) -> list[tuple[object, ...]]:
    """A row for each shell."""
    rows: list[tuple[object, ...]] = []
    for shell in sorted({e.shell for e in entries}):
        mine = [e for e in entries if e.shell == shell]
        builds = sorted({e.build for e in mine if e.build is not None})
        done = [e.piece for e in mine if e.printed]
        rows.append(
            (
                shell, f"{mine[0].volume / 1000:.1f}", _listed(e.piece for e in mine),
                _listed(builds) or "–", _listed(done) or "–",
            )
        )  # fmt: skip
    return rows


def _warnings(result: Result, plan: Plan) -> tuple[str, ...]:
    return (*result.warnings, *plan.warnings)


# --- words -----------------------------------------------------------------------------------


def _listed(numbers: Iterable[int]) -> str:
    return ", ".join(str(n) for n in numbers)


def _size(size: Iterable[float]) -> str:
    return " × ".join(f"{x:.0f}" for x in size)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:].rstrip(".")
