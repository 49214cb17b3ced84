"""Report and parts list: what was made, why, what was checked, and the cautions."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from typing import Any

from seamwright import __version__
from seamwright.checks import Check, ShellLine
from seamwright.clearance import grade
from seamwright.fit import Fit
from seamwright.inspection import Inspection
from seamwright.job import Job
from seamwright.joint import Joint
from seamwright.loads import Weight
from seamwright.order import Change, Fight, Order, Step
from seamwright.pieces import Piece
from seamwright.strength import Strength, summary

CAUTIONS = (
    "A standing figure can topple: fix it to a base or a wall before anyone is near it, and "
    "follow local rules for public display.",
    "Anything overhead can fall: glue alone does not hold arms, heads or lanterns above people; "
    "have the fixing judged by a licensed professional.",
    "Strengths are estimates for the figure's own weight at rest, without wind, knocks, heat or "
    "anyone leaning on it; what hangs over people is for a licensed professional to judge.",
    "Rods and wires have sharp ends and spring: wear eye protection and round their ends off.",
    "Solvents, glues, resin and fillers: read the safety data sheet, ventilate, wear the gloves "
    "and the mask it names.",
    "Sanding and filing make fine dust: sand wet or with extraction, and wear a dust mask.",
    "These are reminders, not a safety plan: local codes, safety data sheets and licensed "
    "practice go before them.",
)

PART_COLUMNS = (
    "piece", "name", "stl", "3mf", "triangles", "volume_cm3", "solid_mass_g",
    "x_mm", "y_mm", "z_mm", "fits", "joints", "meets_pieces",
)  # fmt: skip


def file_stem(job: Job, piece: Piece) -> str:
    """Name of a piece's files without suffix: the figure's name and the piece number."""
    plain = "".join(c if c.isalnum() else "-" for c in job.name.lower()).strip("-")
    while "--" in plain:
        plain = plain.replace("--", "-")
    return f"{plain or 'figure'}-{piece.id:02d}"


def mass(piece: Piece, job: Job) -> float:
    """Grams of the piece printed solid."""
    return piece.mesh.volume / 1000.0 * job.printer.density


def touching(piece: Piece, joints: tuple[Joint, ...]) -> list[Joint]:
    """The joints a piece has a half of."""
    return [j for j in joints if piece.id in (j.interface.piece_a, j.interface.piece_b)]


def parts_list(
    job: Job, pieces: tuple[Piece, ...], joints: tuple[Joint, ...], fits: Mapping[int, Fit]
) -> str:
    """The parts list as CSV text, one line a piece (RFC 4180)."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(PART_COLUMNS)
    for piece in pieces:
        stem = file_stem(job, piece)
        mine = touching(piece, joints)
        meets = sorted({j.interface.piece_a for j in mine} | {j.interface.piece_b for j in mine})
        rows.writerow(
            [
                piece.id, piece.name, f"stl/{stem}.stl", f"3mf/{stem}.3mf",
                len(piece.mesh.faces),
                f"{piece.mesh.volume / 1000:.3f}", f"{mass(piece, job):.1f}",
                *(f"{x:.2f}" for x in piece.mesh.size),
                fits[piece.id].way, " ".join(j.letter for j in mine),
                " ".join(str(n) for n in meets if n != piece.id),
            ]
        )  # fmt: skip
    return out.getvalue()


def report(
    job: Job,
    inspection: Inspection,
    mended: tuple[str, ...],
    pieces: tuple[Piece, ...],
    joints: tuple[Joint, ...],
    fits: Mapping[int, Fit],
    ledger: tuple[ShellLine, ...],
    checks: tuple[Check, ...],
    warnings: tuple[str, ...],
    weights: Mapping[int, Weight],
    strengths: tuple[Strength, ...],
    assembly: Order,
) -> str:
    """The whole report as JSON text. It holds no time or place, so equal work gives equal bytes."""
    data: dict[str, Any] = {
        "seamwright": __version__,
        "figure": {
            "name": job.name,
            "size_mm": _rounded(inspection.size),
            "volume_cm3": round(inspection.volume / 1000, 3),
            "triangles": inspection.triangles,
            "shells": inspection.shells,
            "found": list(inspection.lines()),
            "mended": list(mended),
        },
        "printer": {
            "name": job.printer.name,
            "build_volume_mm": list(job.printer.build_volume),
            "usable_mm": list(job.printer.usable),
            "clearance_mm": job.printer.clearance,
            "seating_gap_mm": job.printer.seating_gap,
            "wall_mm": job.printer.wall,
            "material": job.printer.material,
            "shell_mm": job.printer.shell,
            "infill": job.printer.infill,
            "glue_mpa": job.printer.glue,
            "safety": job.printer.safety,
        },
        "pieces": [_piece(job, p, joints, fits[p.id], weights[p.id]) for p in pieces],
        "joints": [_joint(j, s) for j, s in zip(joints, strengths, strict=True)],
        "strength": summary(strengths),
        "assembly": {
            "whole": assembly.is_whole,
            "steps": [_step(n, s) for n, s in enumerate(assembly.steps, start=1)],
            "fights": [_fight(f) for f in assembly.fights],
            "freer": list(assembly.freer),
        },
        "ledger": [
            {
                "shell": line.shell,
                "volume_cm3": round(line.volume / 1000, 6),
                "pieces": list(line.pieces),
            }
            for line in ledger
        ],
        "checks": [{"check": c.name, "found": c.found} for c in checks],
        "warnings": list(warnings),
        "cautions": list(CAUTIONS),
    }
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


def _piece(
    job: Job, piece: Piece, joints: tuple[Joint, ...], fit: Fit, weight: Weight
) -> dict[str, Any]:
    return {
        "piece": piece.id,
        "name": piece.name,
        "file": file_stem(job, piece),
        "triangles": len(piece.mesh.faces),
        "volume_cm3": round(piece.mesh.volume / 1000, 3),
        "solid_mass_g": round(mass(piece, job), 1),
        "printed_mass_g": round(weight.mass, 1),
        "mass_centre_mm": _rounded(weight.centre),
        "size_mm": _rounded(piece.mesh.size),
        "fits": fit.way,
        "pose_size_mm": _rounded(fit.size),
        "pose_rotation": [[round(float(x), 9) for x in row] for row in fit.rotation],
        "joints": [j.letter for j in touching(piece, joints)],
    }


def _joint(joint: Joint, strength: Strength) -> dict[str, Any]:
    face = joint.interface
    return {
        "joint": joint.letter,
        "seam": face.seam.name,
        "pieces": [face.piece_b, face.piece_a],
        "kind": joint.kind,
        "area_mm2": round(face.area, 2),
        "centre_mm": _rounded(face.centre),
        "pegs_on": joint.peg_piece if joint.pegs else None,
        "sockets_in": joint.socket_piece if joint.pegs else None,
        "insertion_direction": [round(float(x), 9) for x in joint.into] if joint.pegs else None,
        "pegs": [
            {
                "shape": p.shape,
                "width_mm": round(p.width, 3),
                "depth_mm": round(p.depth, 3),
                "centre_mm": _rounded(joint.frame.to_world(p.outline.mean(axis=0))),
                "wall_mm": round(p.wall, 3),
                "clearance_mm": round(joint.clearance, 6),
                "clearance_grade": grade(joint.clearance, p.width),
            }
            for p in joint.pegs
        ],
        "reason": joint.reason,
        "strength": _strength(strength),
    }


def _strength(strength: Strength) -> dict[str, Any]:
    """Loads, stresses and verdict of one joint; null where nothing stresses it."""
    load, stresses, weakest = strength.load, strength.stresses, strength.weakest
    bounded = weakest is not None and math.isfinite(weakest.factor)
    return {
        "holds": strength.holds,
        "outboard_pieces": list(load.outboard),
        "carried_g": round(load.carried, 1),
        "lever_mm": round(load.lever, 1),
        "axial_n": round(load.axial, 3) + 0.0,
        "shear_n": round(math.hypot(*load.shear), 3),
        "bending_n_mm": round(math.hypot(*load.bending), 1),
        "torsion_n_mm": round(abs(load.torsion), 1),
        "bending_mpa": round(stresses.bending, 4),
        "direct_mpa": round(stresses.direct, 4),
        "shear_mpa": round(stresses.shear, 4),
        "torsion_mpa": round(stresses.torsion, 4),
        "weakest": weakest.where if weakest else None,
        "stress_mpa": round(weakest.stress, 4) if weakest else None,
        "allowable_mpa": round(strength.allowable, 4) if weakest else None,
        "factor": round(strength.factor, 1) if bounded else None,
        "wanted_factor": strength.safety,
        "said": strength.sentence,
        "remedies": list(strength.remedies),
    }


def _step(number: int, step: Step) -> dict[str, Any]:
    """One slide home; a length or a way there that does not matter is null."""
    return {
        "step": number,
        "moving": list(step.moving),
        "onto": list(step.onto),
        "joins": list(step.meets),
        "joints": list(step.joints),
        "insertion_direction": [round(float(x), 9) + 0.0 for x in step.direction],
        "slide_mm": round(step.travel, 3) if math.isfinite(step.travel) else None,
        "approach_direction": None
        if step.approach is None
        else [round(float(x), 9) + 0.0 for x in step.approach],
        "to_be_held": step.held,
        "said": step.sentence,
    }


def _fight(fight: Fight) -> dict[str, Any]:
    return {
        "pieces": list(fight.pieces),
        "joints": list(fight.joints),
        "said": fight.sentence,
        "offers": [[_change(c) for c in offer] for offer in fight.offers],
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "joint": change.joint,
        "becomes": change.what,
        "turn_deg": round(change.angle, 3),
        "along": change.along,
    }


def _rounded(values: Any) -> list[float]:
    return [round(float(x), 3) + 0.0 for x in values]
