"""The assembly book's pages on joints: how each is made, how to read its marks, how to glue it."""

from __future__ import annotations

import re

from seamwright.book_view import marks_sketch
from seamwright.joint import Joint
from seamwright.joint_list import COLUMNS, joint_rows
from seamwright.page import bullets, figure, paragraph, section, text
from seamwright.run import Result

HEADS = (
    ("joint", "Joint"), ("pieces", "Pieces"), ("kind", "Kind"), ("footprint", "Footprint"),
    ("width_mm", "Widths, mm"), ("depth_mm", "Depth, mm"), ("clearance_mm", "Clearance, mm"),
    ("wall_mm", "Wall, mm"), ("carried_g", "Carries, kg"), ("lever_mm", "Lever, mm"),
    ("factor", "Factor"), ("direction", "Direction"), ("step", "Step"),
)  # fmt: skip
"""Of the joint list's columns, those that the book shows, and what it calls them."""

READING = (
    "Both faces of a joint carry its letter and a witness mark, engraved: a slim triangle "
    "whose tip points at one spot of the rim.",
    "To read a letter, turn the face so that its tip points at you: the letter then stands "
    "upright, wherever there was room to put it so. That tells N from Z and M from W.",
    "To see which way round two faces go, lay both pieces down with their seam faces up and the "
    "tips towards each other: the faces close like a book and the two triangles meet, which "
    "they do in no other turn.",
    "A face that was too small for a letter has the witness mark only, or neither; its row says "
    "so. Then the pegs' key, and the rim, tell which way round.",
)

POLES = (
    "Before a disc is glued in, find its poles and mark its north face with a pen: the end of a "
    "compass needle that points north is drawn to a south pole.",
    "Let the glue set before the faces come near each other, or the discs pull each other out.",
)


def joints_section(result: Result) -> str:
    """Every joint in a table with why it is so, polarity, and how to read the marks."""
    polarity = [said for joint in result.joints for said in poles(joint)]
    wanted = result.job.printer.safety
    body = [
        f'<div class="side">{figure(marks_sketch(), "Two faces of one joint, opened like a book.")}'
        f"<div>{bullets(READING, 'small')}</div></div>",
        paragraph(
            "Clearance is the gap per side between peg and socket, with the standard tolerance "
            "grade of ISO 286-1 that it comes nearest to. Wall is the least solid left round a "
            "socket. Carries is what the joint bears as the figure stands still, lever how far to "
            "the side of it that acts, and factor how many times that it holds: an estimate, and "
            f"{wanted:g} is wanted. Direction is the way the pegs go home."
        ),
        _table(result),
        bullets(result.order.freer),
        f"<h3>Magnets</h3>{bullets(polarity)}{bullets(POLES)}" if polarity else "",
    ]
    return section("joints", "3. Joints", body)


def poles(joint: Joint) -> tuple[str, ...]:
    """A sentence on which pole of each magnet shows on which piece."""
    found = []
    for n, magnet in enumerate(joint.magnets, start=1):
        which = f"magnet {n}" if len(joint.magnets) > 1 else "the magnet"
        north = joint.piece(magnet.north)
        south = joint.piece("B" if magnet.north == "A" else "A")
        found.append(
            f"Joint {joint.letter}, {which}, {magnet.diameter:g} × {magnet.thickness:g} mm: the "
            f"north pole looks out of piece {north}, the south pole out of piece {south}."
        )
    return tuple(found)


def gluing(joint: Joint, result: Result) -> str:
    """A sentence on what to glue at one joint."""
    name = f"Joint {joint.letter}"
    other, peg = joint.socket_piece, joint.peg_piece
    if joint.kind == "loose pegs":
        labels = [p.label for p in result.loose if p.joint == joint.letter]
        pegs = f"loose peg {labels[0]}" if len(labels) == 1 else f"loose pegs {', '.join(labels)}"
        return (
            f"{name}: glue {pegs} into piece {peg} first, as deep as they go; then the ends that "
            f"stand out and the face round them, for piece {other}."
        )
    if joint.kind == "pegs":
        many = "pegs" if len(joint.pegs) > 1 else "peg"
        round_ = "them" if len(joint.pegs) > 1 else "it"
        return (
            f"{name}: glue on the {many} of piece {peg} and on the face round {round_}, for piece "
            f"{other}."
        )
    if joint.kind == "magnets":
        return (
            f"{name}: glue the discs into their pockets beforehand, flush with the face, and mind "
            "their poles; no glue on the faces if the joint is to come apart again."
        )
    by = "by its witness marks" if joint.marks else "by its rim"
    a, b = sorted((joint.interface.piece_a, joint.interface.piece_b))
    return f"{name}: no peg; glue all of the face between pieces {a} and {b}, and line it up {by}."


def _table(result: Result) -> str:
    """A row of facts for each joint, and under it the reason."""
    rows = joint_rows(result.joints, result.strengths, result.order)
    heads = "".join(f'<th scope="col">{text(head)}</th>' for _, head in HEADS)
    bodies = []
    for joint, strength, row in zip(result.joints, result.strengths, rows, strict=True):
        cells = _cells(dict(zip(COLUMNS, row, strict=True)))
        said = [f"Seam '{joint.interface.seam.name}': {joint.reason}.", _marked(joint)]
        said += [] if strength.holds else [strength.warning]
        facts = "".join(f"<td>{text(cell)}</td>" for cell in cells[1:])
        bodies.append(
            f'<tbody class="one"><tr><th scope="row">{text(cells[0])}</th>{facts}</tr>'
            f'<tr><td></td><td class="why" colspan="{len(HEADS) - 1}">'
            f"{text(' '.join(s for s in said if s))}</td></tr></tbody>"
        )
    return (
        '<table class="tight"><caption>Every joint, and why it is so</caption>'
        f"<thead><tr>{heads}</tr></thead>{''.join(bodies)}</table>"
    )


def _cells(facts: dict[str, str]) -> list[str]:
    shown = dict(facts)
    shown["pieces"] = facts["pieces"].replace(" ", ", ")
    if facts["footprint"] and facts["count"] != "1":
        shown["footprint"] = f"{facts['count']} × {facts['footprint']}"
    shown["width_mm"] = facts["width_mm"].replace(" ", ", ")
    if facts["grade"]:
        shown["clearance_mm"] = f"{facts['clearance_mm']} ({facts['grade']})"
    shown["carried_g"] = f"{float(facts['carried_g']) / 1000:.2f}"
    shown["direction"] = signed(facts["direction"])
    if facts["factor"] and float(facts["factor"]) >= 100:
        shown["factor"] = f"{float(facts['factor']):.0f}"
    return [shown[key] or "–" for key, _ in HEADS]


def _marked(joint: Joint) -> str:
    if joint.marks is None:
        return "It carries no mark."
    if not joint.marks[0].text:
        return "It carries a witness mark only."
    return ""


def signed(words: str) -> str:
    """Words with a minus before an axis that no line ends at."""
    return _MINUS.sub("\u2212", words)


_MINUS = re.compile(r"-(?=[xyz]\b)")
