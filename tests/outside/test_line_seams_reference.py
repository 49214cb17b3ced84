"""Line seams against manifold3d: pieces are sound solids that share nothing and lose nothing."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh

from seamwright.line import line_seam
from seamwright.mesh import Mesh
from seamwright.pieces import take_apart
from seamwright.seam import Seam, SeamLine
from seamwright.shapes import revolved, sphere, torus


def solid(mesh: Mesh) -> manifold3d.Manifold:
    """The mesh as manifold3d takes it, without merging anything."""
    return manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices, mesh.faces.astype(np.uint64)))


def bumpy() -> Mesh:
    ball = trimesh.creation.icosphere(subdivisions=5)
    v = np.asarray(ball.vertices)
    bump = 1 + 0.06 * np.sin(9 * v[:, 0]) * np.cos(7 * v[:, 1]) + 0.02 * np.sin(40 * v[:, 2])
    return Mesh.of(60 * v * bump[:, None], ball.faces)


def wavy(rise: float, waves: int) -> np.ndarray:
    turn = 2 * np.pi * np.arange(24) / 24
    p = np.stack([np.cos(turn), np.sin(turn), rise * np.sin(waves * turn)], axis=1)
    return 60 * p / np.linalg.norm(p, axis=1)[:, None]


def tube_loop() -> np.ndarray:
    turn = 2 * np.pi * np.arange(12) / 12
    return np.stack([40 + 15 * np.cos(turn), 4 * np.sin(2 * turn), 15 * np.sin(turn)], axis=1)


LIMB = revolved(
    np.array([0, 34, 40, 40, 38, 32, 31, 36, 40, 40, 38, 0]),
    np.array([0, 0, 5, 20, 32, 40, 45, 52, 60, 80, 98, 100.0]),
    72,
)
FAR = Seam(2, "far", (-40, 0.5, 0), (0, 1, 0))
CASES = {
    "ball": (sphere(60, 96), wavy(0.25, 2), ()),
    "bumpy ball": (bumpy(), wavy(0.2, 3), ()),
    "bumpy ball, flat seam across": (
        bumpy(),
        wavy(0.2, 3),
        (Seam(2, "a", (3, 0, 0), (1, 0, 0.1)),),
    ),
    "limb": (LIMB, LIMB.vertices[1 + 5 * 72 + np.arange(0, 72, 3)], ()),
    "ring": (torus(40, 15, 64, 32), tube_loop(), (FAR,)),
}


@pytest.mark.parametrize("name", CASES)
def test_pieces_share_nothing_and_make_up_the_figure(name: str):
    figure, points, more = CASES[name]
    rows = tuple((float(x), float(y), float(z)) for x, y, z in points)
    pieces = take_apart(figure, (line_seam(1, "line", SeamLine(rows, 1.0)), *more))
    solids = [solid(p.mesh) for p in pieces]
    for piece, made in zip(pieces, solids, strict=True):
        assert made.status() == manifold3d.Error.NoError
        assert made.volume() == pytest.approx(piece.mesh.volume, rel=1e-9)
        assert trimesh.Trimesh(piece.mesh.vertices, piece.mesh.faces, process=False).is_watertight
    for k, a in enumerate(solids):
        for b in solids[:k]:
            assert (a ^ b).volume() == pytest.approx(0, abs=1e-6 * figure.volume)
    whole = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    assert whole.volume() == pytest.approx(figure.volume, rel=1e-6)
    assert (solid(figure) - whole).volume() == pytest.approx(0, abs=1e-6 * figure.volume)
