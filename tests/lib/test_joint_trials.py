"""Random limbs, seams and wishes through the whole making: whatever comes out is sound."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import manifold3d
import numpy as np
import pytest

from seamwright.choice import FOOTPRINTS, KINDS, MAGNETS, JointAt, JointChoice
from seamwright.errors import BadInput
from seamwright.job import FigureChoice, Job
from seamwright.mesh import Mesh
from seamwright.printer import PrinterProfile, printer
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam

FILAMENT, RESIN = printer("filament-256"), printer("resin-218")


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    whole = manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))
    assert whole.status() == manifold3d.Error.NoError
    return whole


def limb(rng: np.random.Generator, across: float, length: float) -> Mesh:
    """A twisted limb of a lumpy section, some with a bore through it or a lump on it."""
    turn = np.linspace(0, 2 * np.pi, int(rng.integers(24, 64)), endpoint=False)
    two, three = rng.uniform(0, 6, 2)
    out = across / 2 * (1 + 0.25 * rng.random() * np.cos(2 * turn + two))
    out *= 1 + 0.15 * rng.random() * np.cos(3 * turn + three)
    flat = rng.uniform(0.5, 1.0)
    drawn = manifold3d.CrossSection(
        [np.stack([out * np.cos(turn), flat * out * np.sin(turn)], axis=1)]
    )
    if rng.random() < 0.25:
        hole = manifold3d.CrossSection.circle(across * rng.uniform(0.03, 0.12), 32)
        drawn -= hole.translate((across * rng.uniform(-0.1, 0.1), 0.0))
    ends = tuple(rng.uniform(0.6, 1.3, 2))
    whole = manifold3d.Manifold.extrude(
        drawn, length, int(rng.integers(0, 6)), rng.uniform(-60, 60), ends
    )
    if rng.random() < 0.3:
        lump = manifold3d.Manifold.sphere(across * rng.uniform(0.3, 0.6), 32)
        whole += lump.translate((0.0, 0.0, length * rng.uniform(0.3, 0.7)))
    mesh = whole.to_mesh64()
    return Mesh.of(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts))


def wish(rng: np.random.Generator, across: float) -> JointChoice:
    """Anything that may be asked for, most of it left open."""
    kind = KINDS[rng.choice(len(KINDS), p=[0.35, 0.25, 0.2, 0.15, 0.05])]
    said: dict[str, Any] = {}

    def perhaps(share: float, key: str, value: Any) -> None:
        if rng.random() < share:
            said[key] = value

    if kind == "magnets":
        perhaps(0.2, "magnet", str(rng.choice(list(MAGNETS))))
        perhaps(0.3, "count", int(rng.integers(1, 5)))
    elif kind != "plain":
        perhaps(0.5, "footprint", FOOTPRINTS[rng.integers(len(FOOTPRINTS))])
        perhaps(0.2, "width", max(2.4, float(across * rng.uniform(0.06, 0.2))))
        perhaps(0.15, "depth", float(across * rng.uniform(0.03, 0.2)))
        perhaps(0.3, "pegs_on", "AB"[rng.integers(2)])
        perhaps(0.4, "direction", (*rng.uniform(-0.4, 0.4, 2).tolist(), 1.0))
        perhaps(0.2, "count", int(rng.integers(1, 4)))
    perhaps(0.2, "clearance", float(rng.choice([0.0, 0.1, 0.3, 0.5])))
    perhaps(0.2, "turn", float(rng.uniform(0, 360)))
    perhaps(0.2, "marks", False)
    return JointChoice(kind, **said)


def profile(rng: np.random.Generator) -> PrinterProfile:
    return replace(
        (FILAMENT, RESIN)[rng.integers(2)], build_volume=(400.0, 400.0, 500.0),
        wall=float(rng.choice([1.2, 2.0, 3.0])), relief=float(rng.choice([0.0, 0.3, 0.4, 1.0])),
        draft=float(rng.choice([0.0, 1.0, 3.0, 8.0])), lead_in=float(rng.choice([0.0, 0.5, 1.0])),
    )  # fmt: skip


def a_job(rng: np.random.Generator, across: float, length: float) -> Job:
    seams = []
    for n in range(1, int(rng.integers(2, 4))):
        lean = (*rng.uniform(-0.4, 0.4, 2).tolist(), float(rng.choice([-1.5, 1.5])))
        at = (0.0, 0.0, length * float(rng.uniform(0.2, 0.8)))
        seams.append(Seam(n, f"seam {n}", at, lean, joint=wish(rng, across)))
    rods: tuple[Rod, ...] = ()
    if rng.random() < 0.3:
        off = 0.1 * across * rng.uniform(-1, 1, 4)
        ends = (*off[:2].tolist(), 0.12 * length), (*off[2:].tolist(), 0.88 * length)
        rods = (Rod("spine", *ends, float(across * rng.uniform(0.03, 0.1))),)
    return Job("limb", FigureChoice(), profile(rng), tuple(seams), None, (), rods)


def assert_sound(result: Result) -> None:
    """Closed, of the volume they say, inside the figure, and none in another: by Manifold."""
    meshes = [p.mesh for p in result.pieces] + [p.mesh for p in result.loose]
    solids, whole = [solid(m) for m in meshes], solid(result.figure.mesh)
    for mesh, body in zip(meshes, solids, strict=True):
        assert body.volume() == pytest.approx(mesh.volume, rel=1e-6)
        assert (body - whole).volume() <= 1e-6 * whole.volume()
    for a, b in combinations(solids, 2):
        assert (a ^ b).volume() <= 1e-6 * min(a.volume(), b.volume())
    wall = result.job.printer.wall
    walls = [x.wall for j in result.joints for x in (*j.pegs, *j.magnets)]
    assert min([*walls, *(b.wall for b in result.bores), wall]) >= wall - 1e-6


@pytest.mark.parametrize("seed", range(10))
def test_whatever_is_asked_for_is_made_sound_or_refused_in_one_sentence(seed: int) -> None:
    rng = np.random.default_rng(7000 + seed)
    across = float(rng.uniform(15, 120))
    length = across * float(rng.uniform(1.5, 4))
    mesh, job = limb(rng, across, length), a_job(rng, across, length)
    try:
        result = make(prepare(mesh, "mm", job), job)
    except BadInput as error:
        said = str(error)
        assert said.endswith(".") and "\n" not in said
        assert "Joint" in said or "Rod" in said or "seam" in said
        # Plain joints are never refused, so that no seed goes without anything made.
        seams = tuple(replace(s, joint=JointChoice("plain")) for s in job.seams)
        job = replace(job, seams=seams, rods=())
        result = make(prepare(mesh, "mm", job), job)
    assert_sound(result)
    joint = result.joints[rng.integers(len(result.joints))]
    at = JointAt(joint.interface.seam.name, tuple(joint.interface.centre), wish(rng, across))
    job = replace(job, joints=(at,))
    try:
        assert_sound(make(result.figure, job, before=result))
    except BadInput as error:
        assert "Joint" in str(error) or "seam" in str(error).lower()
