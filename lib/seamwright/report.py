"""Report and parts list: what was made, why, what was checked, and the cautions."""

from __future__ import annotations

import csv
import io
import json
import math
from typing import Any

import numpy as np

from seamwright import __version__
from seamwright.checks import Check
from seamwright.clearance import grade
from seamwright.estimate import Estimate
from seamwright.job import Job
from seamwright.joint import Joint
from seamwright.joint_list import to_buy
from seamwright.loose import LoosePeg
from seamwright.order import Change, Fight, Step
from seamwright.pieces import Piece
from seamwright.plan import Plan
from seamwright.rod import Bore, Rod
from seamwright.run import Result
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
    "part", "piece", "name", "stl", "3mf", "triangles", "volume_cm3", "solid_mass_g",
    "x_mm", "y_mm", "z_mm", "fits", "joints", "meets_pieces", "build",
)  # fmt: skip


def file_stem(job: Job, piece: Piece) -> str:
    """Name of a piece's files without suffix: the figure's name and the piece number."""
    return f"{plain_name(job)}-{piece.id:02d}"


def plain_name(job: Job) -> str:
    """The figure's name as file names have it."""
    plain = "".join(c if c.isalnum() else "-" for c in job.name.lower()).strip("-")
    while "--" in plain:
        plain = plain.replace("--", "-")
    return plain or "figure"


def mass(piece: Piece, job: Job) -> float:
    """Grams of the piece printed solid."""
    return piece.mesh.volume / 1000.0 * job.printer.density


def touching(piece: Piece, joints: tuple[Joint, ...]) -> list[Joint]:
    """The joints a piece has a half of."""
    return [j for j in joints if piece.id in (j.interface.piece_a, j.interface.piece_b)]


def parts_list(result: Result, plan: Plan | None = None) -> str:
    """The parts list as CSV text (RFC 4180): pieces, loose pegs, and what has to be bought."""
    job, joints, loose = result.job, result.joints, result.loose
    builds = plan.build_of if plan else {}
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(PART_COLUMNS)
    for piece in result.pieces:
        stem = file_stem(job, piece)
        mine = touching(piece, joints)
        meets = sorted({j.interface.piece_a for j in mine} | {j.interface.piece_b for j in mine})
        rows.writerow(
            [
                "piece", piece.id, piece.name, f"stl/{stem}.stl", f"3mf/{stem}.3mf",
                len(piece.mesh.faces),
                f"{piece.mesh.volume / 1000:.3f}", f"{mass(piece, job):.1f}",
                *(f"{x:.2f}" for x in piece.mesh.size),
                result.fits[piece.id].way, " ".join(j.letter for j in mine),
                " ".join(str(n) for n in meets if n != piece.id), builds.get(piece.id, ""),
            ]
        )  # fmt: skip
    for number, peg in enumerate(loose, start=len(result.pieces) + 1):
        stem, solid = peg_stem(job, peg), peg.mesh.volume / 1000
        rows.writerow(
            [
                "loose peg", "", peg.name, f"stl/{stem}.stl", f"3mf/{stem}.3mf",
                len(peg.mesh.faces), f"{solid:.3f}", f"{solid * job.printer.density:.1f}",
                *(f"{x:.2f}" for x in peg.laid.size), "upright", peg.joint, "",
                builds.get(number, ""),
            ]
        )  # fmt: skip
    for item in to_buy(joints, job.rods, result.bores):
        name = f"{item.count} x {item.what}, {item.size} mm"
        rows.writerow(["to buy", "", name, *[""] * 9, item.joints, "", ""])
    return out.getvalue()


def peg_stem(job: Job, peg: LoosePeg) -> str:
    """Name of a loose peg's files without suffix."""
    return f"{plain_name(job)}-peg-{peg.label}"


def report(result: Result, checks: tuple[Check, ...], plan: Plan | None = None) -> str:
    """The whole report as JSON text. It holds no time or place, so equal work gives equal bytes."""
    job, inspection, joints = result.job, result.figure.inspection, result.joints
    strengths, assembly = result.strengths, result.order
    data: dict[str, Any] = {
        "seamwright": __version__,
        "figure": {
            "name": job.name,
            "size_mm": _rounded(inspection.size),
            "volume_cm3": round(inspection.volume / 1000, 3),
            "triangles": inspection.triangles,
            "shells": inspection.shells,
            "found": list(inspection.lines()),
            "mended": list(result.figure.mended),
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
        "pieces": [_piece(result, p, plan) for p in result.pieces],
        "joints": [_joint(j, s) for j, s in zip(joints, strengths, strict=True)],
        "loose_pegs": [
            {
                "name": p.name,
                "file": peg_stem(job, p),
                "joint": p.joint,
                "width_mm": round(p.width, 3),
                "length_mm": round(p.length, 3),
            }
            for p in result.loose
        ],
        "rods": [_rod(r, joints, result.bores) for r in job.rods],
        "to_buy": [
            {"what": b.what, "size_mm": b.size, "count": b.count, "joints": b.joints.split()}
            for b in to_buy(joints, job.rods, result.bores)
        ],
        "strength": summary(strengths),
        "assembly": {
            "whole": assembly.is_whole,
            "steps": [_step(n, s) for n, s in enumerate(assembly.steps, start=1)],
            "fights": [_fight(f) for f in assembly.fights],
            "freer": list(assembly.freer),
        },
        **(_plan(plan) if plan else {}),
        "ledger": [
            {
                "shell": line.shell,
                "volume_cm3": round(line.volume / 1000, 6),
                "pieces": list(line.pieces),
            }
            for line in result.ledger
        ],
        "checks": [{"check": c.name, "found": c.found} for c in checks],
        "warnings": [*result.warnings, *(plan.warnings if plan else ())],
        "cautions": list(CAUTIONS),
    }
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


def _piece(result: Result, piece: Piece, plan: Plan | None) -> dict[str, Any]:
    job, fit, weight = result.job, result.fits[piece.id], result.weights[piece.id]
    part = next((p for p in plan.parts if p.number == piece.id), None) if plan else None
    rotation = fit.rotation if part is None else part.rotation
    size = np.ptp(piece.mesh.vertices @ rotation.T, axis=0)
    found = {
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
        "pose_size_mm": _rounded(size),
        "pose_rotation": [[round(float(x), 9) + 0.0 for x in row] for row in rotation],
        "joints": [j.letter for j in touching(piece, result.joints)],
    }
    if plan and part and part.pose:
        found["build"] = plan.build_of.get(piece.id)
        found["pose"] = part.pose.said
        found["pose_parts"] = [
            {"term": p.name, "amount": round(p.amount, 3), "unit": p.unit,
             "minutes": round(p.minutes, 1)}
            for p in part.pose.parts
        ]  # fmt: skip
        found["estimate"] = _estimate(part.estimate)
    return found


def _plan(plan: Plan) -> dict[str, Any]:
    """Builds, estimates and stance."""
    names = {p.number: p.name for p in plan.parts}
    return {
        "builds": {
            "said": plan.packing.sentence,
            "count": len(plan.packing.builds),
            "lower_bound": plan.packing.lower_bound,
            "shelves": plan.packing.shelves,
            "gap_mm": plan.packing.gap,
            "builds": [
                {
                    "build": build.number,
                    "printer": build.printer,
                    "group": build.group,
                    "parts": [
                        {"part": names[p.item], "turn_deg": round(p.turn, 6),
                         "x_mm": round(p.x, 3), "y_mm": round(p.y, 3)}
                        for p in build.placed
                    ],
                    "height_mm": round(build.height, 3),
                    "covered": round(build.covered, 4),
                    "estimate": _estimate(needs),
                }
                for build, needs in zip(plan.packing.builds, plan.estimates, strict=True)
            ],
            "estimate": _estimate(plan.whole),
        },
        "stance": _stance(plan),
    }  # fmt: skip


def _estimate(needs: Estimate) -> dict[str, Any]:
    return {
        "time_h": round(needs.time_h, 2),
        "material_g": round(needs.material_g, 1),
        "support_g": round(needs.support_g, 1),
        "cost": round(needs.cost, 2),
        "said": needs.sentence,
    }


def _stance(plan: Plan) -> dict[str, Any]:
    found = plan.stance
    if found is None:
        return {"stands": False, "said": plan.stands}
    return {
        "stands": bool(found.stands),
        "said": found.sentence,
        "mass_g": round(found.mass, 1),
        "mass_centre_mm": _rounded(found.centre),
        "tipping_angle_deg": round(found.angle, 2),
        "wanted_deg": found.wanted,
        "towards": _rounded(found.towards),
        "footprint_mm": [_rounded(p) for p in found.footprint],
        "warning": found.warning,
        "remedies": list(found.remedies),
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
        "pegs_on": joint.peg_piece if joint.pegs and not joint.loose else None,
        "sockets_in": joint.socket_piece if joint.pegs and not joint.loose else None,
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
        "magnets": [
            {
                "diameter_mm": m.diameter,
                "thickness_mm": m.thickness,
                "centre_mm": _rounded(joint.frame.to_world(m.centre)),
                "north_pole_out_of": joint.piece(m.north),
                "wall_mm": round(m.wall, 3),
                "clearance_mm": round(joint.clearance, 6),
            }
            for m in joint.magnets
        ],
        "marked": joint.marks is not None,
        "reason": joint.reason,
        "strength": _strength(strength),
    }


def _rod(rod: Rod, joints: tuple[Joint, ...], bores: tuple[Bore, ...]) -> dict[str, Any]:
    """One rod, its channel, and where it goes through."""
    mine = [b for b in bores if b.rod == rod.name]
    return {
        "name": rod.name,
        "diameter_mm": rod.diameter,
        "length_mm": round(rod.length, 3),
        "pieces": [b.piece for b in mine],
        "joints": [joints[k].letter for k in sorted({k for b in mine for k in b.joints})],
        "wall_mm": round(min(b.wall for b in mine), 3),
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
