"""The joint list: every joint in one line, and what has to be bought for them."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from seamwright.clearance import grade
from seamwright.joint import Joint
from seamwright.order import Order, heading
from seamwright.rod import Bore, Rod
from seamwright.strength import Strength

COLUMNS = (
    "joint", "seam", "pieces", "kind", "footprint", "count", "width_mm", "depth_mm",
    "clearance_mm", "grade", "wall_mm", "direction", "carried_g", "lever_mm", "weakest",
    "stress_mpa", "allowable_mpa", "factor", "step",
)  # fmt: skip


@dataclass(frozen=True)
class Bought:
    """Something to be bought.

    count : how many. size : in words, mm.
    """

    what: str
    size: str
    count: int
    joints: str


def to_buy(joints: Sequence[Joint], rods: Sequence[Rod], bores: Sequence[Bore]) -> list[Bought]:
    """Rods, each with the length it is to be cut to, and magnets by size."""
    found = []
    for rod in rods:
        crossed = sorted({k for b in bores if b.rod == rod.name for k in b.joints})
        letters = " ".join(joints[k].letter for k in crossed)
        size = f"{rod.diameter:g} x {rod.length:.1f}"
        found.append(Bought(f"rod '{rod.name}'", size, 1, letters))
    count: Counter[str] = Counter()
    used: dict[str, list[str]] = {}
    for joint in joints:
        for magnet in joint.magnets:
            size = f"{magnet.diameter:g} x {magnet.thickness:g}"
            count[size] += 2
            if joint.letter not in used.setdefault(size, []):
                used[size].append(joint.letter)
    found += [
        Bought("disc magnet", size, number, " ".join(used[size]))
        for size, number in sorted(count.items())
    ]
    return found


def joint_rows(
    joints: Sequence[Joint], strengths: Sequence[Strength], order: Order
) -> list[tuple[str, ...]]:
    """One row a joint, as in `COLUMNS`."""
    step_of = {name: str(n) for n, step in enumerate(order.steps, start=1) for name in step.joints}
    return [
        _row(joint, strength, step_of.get(joint.letter, ""))
        for joint, strength in zip(joints, strengths, strict=True)
    ]


def joint_list(joints: Sequence[Joint], strengths: Sequence[Strength], order: Order) -> str:
    """The joint list as CSV text (RFC 4180)."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    rows.writerows(joint_rows(joints, strengths, order))
    return out.getvalue()


def _row(joint: Joint, strength: Strength, step: str) -> tuple[str, ...]:
    face, weakest = joint.interface, strength.weakest
    shapes = " ".join(sorted({p.shape for p in joint.pegs}))
    widths = " ".join(f"{p.width:.1f}" for p in joint.pegs)
    sizes = [p.width for p in joint.pegs] + [m.diameter for m in joint.magnets]
    depth, walls = "", [p.wall for p in joint.pegs] + [m.wall for m in joint.magnets]
    if joint.pegs:
        depth = f"{max(p.depth for p in joint.pegs):.1f}"
    elif joint.magnets:
        shapes = "round"
        widths = " ".join(f"{m.diameter:g}" for m in joint.magnets)
        depth = f"{max(m.thickness for m in joint.magnets):g}"
    bounded = weakest is not None and math.isfinite(strength.factor)
    return (
        joint.letter, face.seam.name, f"{face.piece_b} {face.piece_a}", joint.kind, shapes,
        str(len(sizes)), widths, depth,
        f"{joint.clearance:g}" if sizes else "",
        grade(joint.clearance, max(sizes)) if sizes else "",
        f"{min(walls):.1f}" if walls else "",
        heading(joint.into) if joint.pegs else "",
        f"{strength.load.carried:.0f}", f"{strength.load.lever:.0f}",
        weakest.where if weakest else "",
        f"{weakest.stress:.3f}" if weakest else "",
        f"{strength.allowable:.2f}" if weakest else "",
        f"{strength.factor:.1f}" if bounded else "",
        step,
    )  # fmt: skip
