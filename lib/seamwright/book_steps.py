"""The assembly book's pages on steps: what goes home when, how it looks, what to glue and hold."""

from __future__ import annotations

from seamwright.book_joints import gluing, signed
from seamwright.book_view import step_picture, step_view
from seamwright.errors import Progress
from seamwright.joint import Joint
from seamwright.order import Step
from seamwright.page import bullets, figure, paragraph, section, text, ticks
from seamwright.painter import Painter
from seamwright.run import Result

BEFORE = (
    "Take off supports and brims, and clear every socket: nothing may stand on a seam face or in "
    "its corners.",
    "Put the whole figure together dry before any glue: what does not go home by hand shall not "
    "be forced, look for what is in its way.",
    "Keep to the order: some pieces cannot go in later.",
    "In the pictures what is in place is grey, what moves is orange and goes along the arrows, "
    "and loose pegs are blue. White numbers are pieces, black letters the joints that close.",
    "Directions: up is +z; seen from the front, +x is to the right, \u2212x to the left, +y to "
    "the back and \u2212y to the front. Only the way the pieces go relative to each other counts: "
    "turn everything over where that is handier.",
)

HANGING = 0.5
"""A slide that goes up by more than this share of its length hangs what it brings."""


def steps_section(result: Result, painter: Painter, progress: Progress | None = None) -> str:
    """Every step with its picture; or why there is no order."""
    steps, body = result.order.steps, []
    if result.order.fights:
        said = bullets(fight.sentence for fight in result.order.fights)
        body.append(f'<div class="box"><h3>There is no whole order</h3>{said}</div>')
    body.append(bullets(BEFORE))
    tell = progress or (lambda _done, _what: None)
    for n, step in enumerate(steps, start=1):
        tell((n - 1) / len(steps), f"drawing step {n}")
        body.append(_step(n, step, result, painter, tell))
    if not steps:
        body.append(paragraph("There is no step."))
    return section("steps", "4. Steps in order", body)


def _step(number: int, step: Step, result: Result, painter: Painter, tell: Progress) -> str:
    view = step_view(step, painter)
    seen = f"Seen from {view.name} and above."
    said = f"Step {number}. {step.sentence} {seen} What moves is drawn back along its way."
    count, words = len(result.order.steps), f"drawing step {number}"
    drawn = step_picture(
        painter, result, step, view, said, lambda d: tell((number - 1 + d) / count, words)
    )
    picture = figure(drawn, seen)
    return (
        f'<article class="step" id="step-{number}">'
        f"<h3>Step {number} of {count}</h3>"
        f'<div class="side">{picture}<div>'
        f"<p><strong>{text(signed(step.sentence))}</strong></p>"
        f"{bullets(instructions(number, result), 'small')}"
        f"{ticks([('Fits dry', ''), ('Glued and set', '')])}</div></div></article>"
    )


def instructions(number: int, result: Result) -> tuple[str, ...]:
    """What to do in a step, in sentences: weight, rods, dry fit, glue, hold, what comes of it."""
    step = result.order.steps[number - 1]
    joints = [j for j in result.joints if j.letter in step.joints]
    mass = sum(result.weights[n].mass for n in step.moving)
    said = [f"{_count(len(step.moving), 'piece')} to move, {mass / 1000:.2f} kg as printed."]
    if joints:
        letters = ", ".join(j.letter for j in joints if j.marks and j.marks[0].text)
        read = f"the same letter must be on both faces ({letters}), and they" if letters else "they"
        said.append(f"Test-fit dry first: {read} must close all round.")
    said += _rods(number, result)
    said += [gluing(j, result) for j in joints]
    said.append(_hold(step, joints))
    later = _later(number, result)
    if later:
        said.append(f"What this makes goes onto the rest together in step {later}.")
    return tuple(said)


def _hold(step: Step, joints: list[Joint]) -> str:
    if step.held:
        return (
            "Hold or brace it until the glue has set: something here is held in place by no "
            "joint yet."
        )
    if all(j.kind == "plain" for j in joints):
        return "Hold or clamp it until the glue has set: no peg holds it."
    if all(j.kind == "magnets" for j in joints):
        return "The magnets hold it; nothing has to set."
    if step.direction[2] > HANGING:
        return (
            "It would hang from its pegs: turn everything over so that it slides down, or hold it "
            "up until the glue has set."
        )
    return "Press it home and wipe off what comes out; the pegs keep it in place while it sets."


def _rods(number: int, result: Result) -> list[str]:
    """A sentence on each rod whose first joint closes in this step."""
    said = []
    for rod in result.job.rods:
        mine = [b for b in result.bores if b.rod == rod.name]
        letters = {result.joints[k].letter for b in mine for k in b.joints}
        steps = [n for n, s in enumerate(result.order.steps, start=1) if letters & set(s.joints)]
        if not steps or steps[0] != number:
            continue
        step = result.order.steps[number - 1]
        first = next((b.piece for b in mine if b.piece in step.onto), mine[0].piece)
        pieces = ", ".join(str(b.piece) for b in mine)
        said.append(
            f"Rod '{rod.name}', {rod.diameter:g} mm thick and cut to {rod.length:.1f} mm, runs "
            f"through pieces {pieces}: try it dry in every channel, then glue it into piece "
            f"{first} before this step."
        )
    return said


def _later(number: int, result: Result) -> int | None:
    """The step in which all that a step has put together is moved."""
    steps = result.order.steps
    made = {*steps[number - 1].moving, *steps[number - 1].onto}
    later = (n for n, s in enumerate(steps, start=1) if n > number and made <= set(s.moving))
    return next(later, None)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
