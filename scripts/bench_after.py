"""The benchmark's rows for what comes after parting: joints, order, fit, poses, builds."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial

import manifold3d
import numpy as np
import trimesh

from bench_common import Arrays, Row, body, bumps, displaced_sphere, seconds, solid
from seamwright.builds import Item, Printer
from seamwright.fit import fit
from seamwright.frame import Frame
from seamwright.hull import outer
from seamwright.imprint import jointed
from seamwright.interface import interfaces
from seamwright.job import FigureChoice, Job
from seamwright.mesh import Mesh
from seamwright.order import order
from seamwright.packing import pack
from seamwright.pieces import Piece, take_apart
from seamwright.platform import TOLERANCE, Platform
from seamwright.pose import poses
from seamwright.printer import PrinterProfile
from seamwright.run import make, prepare
from seamwright.seam import Seam
from seamwright.shapes import sphere
from seamwright.silhouette import silhouette, turned
from seamwright.sizing import joints

LARGE = PrinterProfile(name="large", build_volume=(3000.0, 3000.0, 3000.0))
"""A printer that everything here fits, so that joints alone are timed."""


def after_rows(ball: Arrays, small: bool, runs: int) -> Iterator[Row]:
    """All rows of this part."""
    yield from joint_rows(body(120 if small else 540), min(runs, 3))
    yield from order_row(displaced_sphere(5 if small else 7))
    yield from fit_rows(ball, runs)
    yield from pose_row(4 if small else 30)
    yield from build_rows(12 if small else 60)


def joint_rows(figure: Arrays, runs: int) -> Iterator[Row]:
    """All joints of a figure with thirty seams, against a union of one peg for each of them."""
    vertices, faces = 8 * figure[0], figure[1]
    levels = np.linspace(vertices[:, 2].min(), vertices[:, 2].max(), 32)[1:-1]
    seams = tuple(
        Seam(k, f"level {k}", (0.0, 0.0, float(z)), (0.0, 0.0, 1.0))
        for k, z in enumerate(levels, start=1)
    )
    blanks = take_apart(Mesh.of(vertices, faces), seams)
    found = interfaces(blanks, seams)
    whole = solid(vertices, faces)
    peg = manifold3d.Manifold.cube((20, 20, 30), True).translate((0, 0, float(levels[10])))

    def ours() -> tuple[Piece, ...]:
        return jointed(blanks, joints(blanks, found, LARGE))

    own, union = seconds(runs, ours, lambda: (whole + peg).num_tri())  # noqa: PLW0108  (the union is the work)
    name = f"{len(found)} joints of thirty seams / a manifold3d union of a peg for each"
    yield Row(name, own, union * len(found), 1)
    yield from remade_row(Mesh.of(vertices, faces), seams)


def remade_row(mesh: Mesh, seams: tuple[Seam, ...]) -> Iterator[Row]:
    """That figure's whole result after one of its seams was moved, against making it anew."""
    job = Job("thirty", FigureChoice(mend=False), LARGE, seams)
    figure = prepare(mesh, "mm", job)
    whole = make(figure, job)
    x, y, z = seams[4].point
    other = replace(seams[4], point=(x, y, z + 2.0))
    moved = replace(job, seams=(*seams[:4], other, *seams[5:]))
    own, anew = seconds(1, lambda: make(figure, moved, before=whole), lambda: make(figure, moved))
    yield Row("one of thirty seams moved: what changed / all made anew", own, anew, 1)


def order_row(figure: Arrays) -> Iterator[Row]:
    """An assembly order for sixty pieces of a ball, whose seams cross."""
    seams = []
    for way, count in (((0.1, 0.05, 1.0), 4), ((1.0, 0.1, 0.05), 3), ((0.05, 1.0, 0.1), 2)):
        for shift in np.linspace(-45, 45, count):
            point = tuple((shift * np.array(way)).tolist())
            seams.append(Seam(len(seams) + 1, f"seam {len(seams) + 1}", point, way))
    made = tuple(seams)
    blanks = take_apart(Mesh.of(5 * figure[0], figure[1]), _scaled(made, 5.0))
    sized = joints(blanks, interfaces(blanks, _scaled(made, 5.0)), LARGE)
    pieces = jointed(blanks, sized)
    (own,) = seconds(1, lambda: order(pieces, sized, blanks))
    yield Row(f"assembly order of {len(pieces)} pieces / 20 s", own, 20, 1)


def _scaled(seams: tuple[Seam, ...], factor: float) -> tuple[Seam, ...]:
    return tuple(
        Seam(s.id, s.name, tuple(factor * x for x in s.point), s.normal)  # type: ignore[arg-type]
        for s in seams
    )


def slanted_egg(figure: Arrays) -> np.ndarray:
    """(V, 3) the sphere drawn out three ways and set aslant: a piece that is hard to fit."""
    turn = Frame.on_plane((0, 0, 0), (0.4, -0.3, 0.7)).axes
    return np.ascontiguousarray(figure[0] * [1.0, 0.6, 0.4] @ turn)


def fit_rows(figure: Arrays, runs: int) -> Iterator[Row]:
    """Whether a piece fits: its hull, and the answer, yes in trimesh's box and no in a smaller."""
    points = slanted_egg(figure)
    one, own = seconds(
        runs, lambda: (points.min(axis=0), points.max(axis=0)), lambda: outer(points)
    )
    yield Row("fit, hull stage / ten passes over the vertices", own, 10 * one, 1)
    least = trimesh.Trimesh(points, figure[1], process=False).bounding_box_oriented.primitive
    box = np.sort(least.extents) + TOLERANCE
    if fit(points, box).way == "none":
        raise SystemExit("No fit was found in a box that trimesh found to hold the piece.")
    own, reference = seconds(
        min(runs, 3),
        lambda: fit(points, box),
        lambda: trimesh.Trimesh(points, figure[1], process=False).bounding_box_oriented,
    )
    yield Row("fit found in that box / trimesh bounding_box_oriented", own, reference, 1)
    if fit(points, 0.8 * box).way != "none":
        raise SystemExit("A fit was found in a box that is far too small.")
    (no,) = seconds(min(runs, 3), lambda: fit(points, 0.8 * box))
    yield Row("the same, found / 1 s", own, 1.0, 1)
    yield Row("no fit in one a fifth smaller, by how much it misses / 1 s", no, 1.0, 1)


def bumpy_piece(k: int) -> Mesh:
    """A bumpy egg of about 50,000 triangles, each another."""
    ball = sphere(1.0, 226)
    size = [50.0 + 2 * k, 60.0, 100.0 - k]
    return Mesh.of(ball.vertices * bumps(ball.vertices)[:, None] * size, ball.faces)


def pose_of(mesh: Mesh) -> float:
    """Minutes of the best pose."""
    return poses(mesh, PrinterProfile())[0].score


def pose_row(count: int) -> Iterator[Row]:
    """Poses of pieces of 50,000 triangles on two cores, a second a piece allowed."""
    pieces = [bumpy_piece(k) for k in range(count)]
    with ProcessPoolExecutor(2) as pool:
        (own,) = seconds(1, lambda: list(pool.map(pose_of, pieces)))
    yield Row(f"poses of {count} pieces of 50,000 triangles / {count} s", own, count, 1)


def dented(k: int) -> Item:
    """The silhouette of a bumpy limb, bent at its middle, each another."""
    rng = np.random.default_rng(k)
    ball = sphere(1.0, 40)
    v = ball.vertices * bumps(ball.vertices)[:, None] * rng.uniform([15, 12, 40], [35, 28, 90])
    v[:, 0] += np.abs(v[:, 2]) * rng.uniform(0.2, 0.9)
    level = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    outline = turned(silhouette(v, ball.faces, level), float(rng.uniform(0, 360)))
    return Item(k + 1, f"limb {k + 1}", outline, float(np.ptp(v[:, 1])), needed=k)


def build_rows(count: int) -> Iterator[Row]:
    """Silhouettes packed: the time, and the builds beside those of boxes on shelves."""
    items = [dented(k) for k in range(count)]
    packed = partial(pack, items, [Printer("one", Platform((250.0, 250.0, 253.0)))])
    (own,) = seconds(1, packed)
    yield Row(f"{count} silhouettes packed / 20 s", own, 20, 1)
    found = packed()
    name = f"builds of these, {found.lower_bound} at least / bounding boxes on shelves"
    yield Row(name, len(found.builds), found.shelves, 1)
