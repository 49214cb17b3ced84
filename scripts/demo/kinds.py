"""Pictures of each kind of joint, cut open along its middle."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import manifold3d
import numpy as np
from render import OKABE_ITO, MeshItem, render_meshes, side_by_side

from seamwright.choice import JointChoice
from seamwright.job import FigureChoice, Job
from seamwright.mesh import FloatArray, Mesh
from seamwright.printer import PrinterProfile
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam

APART = 16.0
"""mm between the two halves of a joint."""

STEEL = (0.55, 0.57, 0.6)

_SPINE = (Rod("spine", (-12.0, 0.0, 22.0), (-12.0, 0.0, 98.0), 6.0),)

KINDS: tuple[tuple[str, JointChoice, tuple[Rod, ...]], ...] = (
    ("keyed peg", JointChoice("pegs"), ()),
    ("leaning peg", JointChoice("pegs", direction=(0.35, 0.0, 1.0)), ()),
    ("cross", JointChoice("pegs", footprint="cross", width=24.0), ()),
    ("follows the section", JointChoice("pegs", footprint="section"), ()),
    ("loose peg", JointChoice("loose pegs"), ()),
    ("magnets", JointChoice("magnets", magnet="10x3"), ()),
    ("rod", JointChoice("pegs", count=1), _SPINE),
    ("plain, with marks", JointChoice("plain"), ()),
)
"""Left to right."""


def kinds_picture(path: Path) -> Path:
    """Render every kind of joint, cut open, side by side."""
    made = []
    for number, (name, choice, rods) in enumerate(KINDS):
        one = path.with_name(f"kind-{number}.png")
        # Plain faces say more from the front: their marks are what is to be seen.
        opened = name != "plain, with marks"
        items = list(_items(_made(choice, rods), opened))
        render_meshes(items, one, size=(640, 1100), view=(-18.0, 20.0), margin=1.1)
        made.append(one)
    side_by_side(made, path, shrink=2)
    for one in made:
        one.unlink()
    return path


def limb() -> Mesh:
    """A forearm-like limb, 120 mm long, 60 mm across and not round."""
    drawn = manifold3d.CrossSection.circle(30, 128).scale((1.0, 0.8))
    drawn += manifold3d.CrossSection.circle(24, 128).translate((-9, 4))
    mesh = manifold3d.Manifold.extrude(drawn, 120, 24, 10.0, (0.85, 0.85)).to_mesh64()
    return Mesh.of(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts))


def _made(choice: JointChoice, rods: tuple[Rod, ...]) -> Result:
    seam = Seam(1, "middle", (0.0, 0.0, 60.0), (0.0, 0.0, 1.0), joint=choice)
    job = Job("limb", FigureChoice(), PrinterProfile(), (seam,), None, (), rods)
    return make(prepare(limb(), "mm", job), job)


def _items(result: Result, opened: bool) -> Iterator[MeshItem]:
    """Both pieces, what goes between them and what is bought, the front taken off."""
    (joint,) = result.joints
    lift = APART * (joint.way("A") / np.linalg.norm(joint.way("A")))
    turn = 1.0 if joint.interface.piece_a == 2 else -1.0
    for piece in result.pieces:
        shift = turn * lift if piece.id == 2 else np.zeros(3)
        if not opened:
            # Opened like a book: both faces are to be seen.
            yield _book(piece.id, piece.mesh)
            continue
        yield _item(f"piece {piece.id}", piece.mesh, shift, OKABE_ITO[piece.id - 1], result)
    for peg in result.loose:
        yield _item("loose peg", peg.mesh, turn * lift / 2, OKABE_ITO[2], result, whole=True)
    for rod in result.job.rods:
        bar = _cylinder(np.array(rod.start), np.array(rod.end), rod.diameter / 2)
        yield _item("rod", bar, np.zeros(3), STEEL, result, whole=True)
    for magnet in joint.magnets:
        for side in ("A", "B"):
            top = joint.frame.to_world(magnet.centre)
            end = top + magnet.thickness * joint.down(side)
            north = magnet.north == side
            shift = lift if side == "A" else np.zeros(3)
            tone = OKABE_ITO[5] if north else OKABE_ITO[4]
            yield _item("magnet", _cylinder(top, end, magnet.diameter / 2), shift, tone, result)


def _item(
    name: str,
    mesh: Mesh,
    shift: FloatArray,
    tone: tuple[float, ...],
    result: Result,
    whole: bool = False,
) -> MeshItem:
    """A mesh with its front cut off through the middle of the joint's first peg, and shifted."""
    joint = result.joints[0]
    if not whole:
        middle = [p.outline.mean(axis=0) for p in joint.pegs] + [m.centre for m in joint.magnets]
        y = joint.frame.to_world(middle[0])[1] if middle else 0.0
        solid = manifold3d.Manifold(
            manifold3d.Mesh64(np.ascontiguousarray(mesh.vertices), mesh.faces.astype(np.uint64))
        )
        cut = solid.trim_by_plane((0.0, 1.0, 0.0), float(y)).to_mesh64()
        points, faces = np.asarray(cut.vert_properties)[:, :3], np.asarray(cut.tri_verts)
    else:
        points, faces = mesh.vertices, mesh.faces
    return name, points + shift, faces.astype(np.int32), tone


def _book(number: int, mesh: Mesh) -> MeshItem:
    """A piece laid with its seam face to the front."""
    about = np.array([0.0, 0.0, 60.0])
    sign = 1.0 if number == 1 else -1.0
    turn = np.array([[1.0, 0, 0], [0, 0, -sign], [0, sign, 0]])
    points = (mesh.vertices - about) @ turn.T + [0.0, 0.0, 32.0 * -sign]
    return f"piece {number}", points, mesh.faces, OKABE_ITO[number - 1]


def _cylinder(start: FloatArray, end: FloatArray, radius: float) -> Mesh:
    way = end - start
    length = float(np.linalg.norm(way))
    mesh = manifold3d.Manifold.cylinder(length, radius, radius, 64).to_mesh64()
    points = np.asarray(mesh.vert_properties)[:, :3]
    w = way / length
    u = np.cross([1.0, 0, 0] if abs(w[0]) < 0.9 else [0.0, 1, 0], w)
    u /= np.linalg.norm(u)
    return Mesh.of(points @ np.stack([u, np.cross(w, u), w]) + start, np.asarray(mesh.tri_verts))
