"""Makes the small bad meshes beside it, one for each way a mesh can be wrong.

    python tests/meshes/make.py        # writes every .obj anew

Most are a tower of 10 × 10 mm and three layers of 10 mm, wrong in the middle one only.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from seamwright.mesh import Mesh, joined
from seamwright.shapes import box, moved

FOLDER = Path(__file__).resolve().parent

Made = tuple[list[list[float]], list[list[int]]]


def tower(low: tuple[float, float] = (0.0, 0.0), width: float = 10.0, side: float = 10.0) -> Made:
    """Corner 4 k + i is corner i of level k; the sides of layer k are faces 8 k to 8 k + 7."""
    x, y = low
    ring = [[x, y], [x + width, y], [x + width, y + side], [x, y + side]]
    vertices = [[*corner, 10.0 * k] for k in range(4) for corner in ring]
    faces = []
    for k in range(3):
        for i in range(4):
            a, b = 4 * k + i, 4 * k + (i + 1) % 4
            faces += [[a, b, b + 4], [a, b + 4, a + 4]]
    return vertices, [*faces, [0, 2, 1], [0, 3, 2], [12, 13, 14], [12, 14, 15]]


def plain_tower() -> Mesh:
    return Mesh.of(*tower())


def without(gone: set[int]) -> Mesh:
    vertices, faces = tower()
    return Mesh.of(vertices, [f for k, f in enumerate(faces) if k not in gone])


def t_junction() -> Mesh:
    """A vertex in the middle of an upright edge, which only the faces on one side use."""
    vertices, faces = tower()
    vertices.append([10.0, 0.0, 15.0])
    a, b, c = faces[8]
    faces[8:9] = [[a, b, 16], [a, 16, c]]
    return Mesh.of(vertices, faces)


def bow_tie_vertex() -> Mesh:
    """Two pyramids that share nothing but their tips."""
    base = [[-5.0, -5.0], [5.0, -5.0], [5.0, 5.0], [-5.0, 5.0]]
    vertices = [[*p, 0.0] for p in base] + [[0.0, 0.0, 10.0]] + [[*p, 20.0] for p in base]
    low = [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4], [0, 2, 1], [0, 3, 2]]
    high = [[6, 5, 4], [7, 6, 4], [8, 7, 4], [5, 8, 4], [5, 6, 7], [5, 7, 8]]
    return Mesh.of(vertices, low + high)


def doubled_shell() -> Mesh:
    """The same shell twice over, each with vertices of its own."""
    return joined([plain_tower(), plain_tower()])


def duplicated_faces() -> Mesh:
    """Two faces of the middle layer twice, on the same vertices."""
    vertices, faces = tower()
    return Mesh.of(vertices, faces + faces[8:10])


def inside_out_island() -> Mesh:
    """A shell that looks inward, beside a sound one."""
    return joined([plain_tower(), Mesh.of(*tower((20.0, 0.0))).flipped()])


def flipped_faces() -> Mesh:
    """One side of the middle layer faces inward."""
    vertices, faces = tower()
    return Mesh.of(vertices, [f[::-1] if k in (8, 9) else f for k, f in enumerate(faces)])


def zero_area_fan() -> Mesh:
    """Faces of no area between an edge and three points on it; closed all the same."""
    vertices, faces = tower()
    vertices += [[x, 0.0, 20.0] for x in (2.5, 5.0, 7.5)]
    faces[9:10] = [[4, 9, 18], [4, 18, 17], [4, 17, 16], [4, 16, 8]]
    return Mesh.of(vertices, [*faces, [8, 16, 17], [8, 17, 18], [8, 18, 9]])


def mobius_strip() -> Mesh:
    """A strip with half a twist: one side only, and open."""
    n = 12
    vertices = []
    for k in range(n):
        t = 2 * np.pi * k / n
        for r in (-4.0, 4.0):
            reach = 20 + r * np.cos(t / 2)
            vertices.append([reach * np.cos(t), reach * np.sin(t), r * np.sin(t / 2)])
    faces = []
    for k in range(n):
        a, b = 2 * k, 2 * k + 1
        c, d = (a + 2, b + 2) if k < n - 1 else (1, 0)
        faces += [[a, c, d], [a, d, b]]
    return Mesh.of(np.round(vertices, 6), faces)


def klein_bottle() -> Mesh:
    """A closed surface with one side only, which goes through itself."""
    n = 8
    vertices = []
    for k in range(n):
        u = 2 * np.pi * k / n
        for m in range(n):
            v = 2 * np.pi * (m + 0.25) / n
            reach = 20 + 5 * (np.cos(u / 2) * np.sin(v) - np.sin(u / 2) * np.sin(2 * v))
            lift = 5 * (np.sin(u / 2) * np.sin(v) + np.cos(u / 2) * np.sin(2 * v))
            vertices.append([reach * np.cos(u), reach * np.sin(u), lift])
    # Half a turn on, v has become -v: column m meets column n - 1 - m less half a step.
    faces = []
    for k in range(n):
        for m in range(n):
            m2 = (m + 1) % n
            if k < n - 1:
                c, d = n * (k + 1) + m, n * (k + 1) + m2
            else:
                c, d = (n - m) % n, (n - m2) % n
            faces += [[n * k + m, c, d], [n * k + m, d, n * k + m2]]
    return Mesh.of(np.round(vertices, 6), faces)


def open_eyelid() -> Mesh:
    """One side of the middle layer is missing."""
    return without({8, 9})


def internal_wall() -> Mesh:
    """A wall without thickness across the middle layer, from corner to corner."""
    vertices, faces = tower()
    return Mesh.of(vertices, [*faces, [4, 6, 10], [4, 10, 8]])


def three_face_edge() -> Mesh:
    """A fin of one face on an upright edge of the middle layer."""
    vertices, faces = tower()
    return Mesh.of([*vertices, [-5.0, -5.0, 15.0]], [*faces, [4, 8, 16]])


def self_intersecting_shell() -> Mesh:
    """One closed square tube, bent round so that its end goes through its beginning."""
    path = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 30.0], [10.0, 30.0], [10.0, -10.0]])
    vertices, faces = [], []
    for k, p in enumerate(path):
        ways = [w / np.linalg.norm(w) for w in np.diff(path[max(k - 1, 0) : k + 2], axis=0)]
        side = sum(np.array([w[1], -w[0]]) for w in ways)
        side = 2.0 * side / (side @ np.array([ways[0][1], -ways[0][0]]))
        for s, z in ((1, 0.0), (-1, 0.0), (-1, 4.0), (1, 4.0)):
            vertices.append([*(p + s * side), z])
    for k in range(len(path) - 1):
        for i in range(4):
            a, b = 4 * k + i, 4 * k + (i + 1) % 4
            faces += [[a, b + 4, b], [a, a + 4, b + 4]]
    last = 4 * (len(path) - 1)
    faces += [[0, 1, 2], [0, 2, 3], [last, last + 2, last + 1], [last, last + 3, last + 2]]
    mesh = Mesh.of(np.round(vertices, 6), faces)
    return mesh if mesh.volume > 0 else mesh.flipped()


def sliver_of_two_microns() -> Mesh:
    """A wafer 0.002 mm thick, two microns off a tower's side."""
    return joined([plain_tower(), Mesh.of(*tower((10.002, 0.0), width=0.002))])


def far_from_the_origin() -> Mesh:
    """20 mm across and a million mm away along every axis."""
    return moved(box(20.0, 15.0, 10.0), (1e6, -1e6, 1e6))


def miniature() -> Mesh:
    """20 mm high."""
    return Mesh.of(OCTAHEDRON * 10.0, OCTAHEDRON_FACES)


def giant() -> Mesh:
    """3 m high."""
    return Mesh.of(OCTAHEDRON * 1500.0, OCTAHEDRON_FACES)


def overlapping_shells() -> Mesh:
    """Two closed shells that run into each other."""
    return joined([plain_tower(), box(12.0, 4.0, 20.0, low=(6.0, 3.0, 5.0))])


def flush_shells() -> Mesh:
    """Two shells that overlap and share four planes, so that no edges cross in a section."""
    return joined([plain_tower(), Mesh.of(*tower((6.0, 0.0)))])


def touching_shells() -> Mesh:
    """Two shells that lie face to face and share no vertex."""
    return joined([plain_tower(), Mesh.of(*tower((10.0, 0.0)))])


def touching_along_an_edge() -> Mesh:
    """Two towers with an edge in common, which so has four faces."""
    vertices, faces = tower()
    other, more = tower((10.0, 10.0))
    place = {tuple(v): k for k, v in enumerate(vertices)}
    for v in other:
        place.setdefault(tuple(v), len(place))
    return Mesh.of(list(place), faces + [[place[tuple(other[k])] for k in f] for f in more])


def nested_cavity() -> Mesh:
    """A cavity, a solid that floats in it, and a cavity in that."""
    return joined(
        [
            plain_tower(),
            box(6.0, 6.0, 26.0, low=(2.0, 2.0, 2.0)).flipped(),
            box(4.0, 4.0, 20.0, low=(3.0, 3.0, 5.0)),
            box(1.0, 1.0, 5.0, low=(4.0, 4.0, 12.0)).flipped(),
        ]
    )


def buried_solid() -> Mesh:
    """A closed shell that looks outward, wholly inside another's solid."""
    return joined([plain_tower(), box(4.0, 4.0, 6.0, low=(3.0, 3.0, 12.0))])


def cavity_through_the_skin() -> Mesh:
    """A cavity that pokes out of the solid it is in."""
    return joined([plain_tower(), box(8.0, 4.0, 6.0, low=(5.0, 3.0, 12.0)).flipped()])


def loose_sheet() -> Mesh:
    """A sheet of two faces that hangs beside the middle layer and encloses nothing."""
    sheet = Mesh.of(
        [[11.0, 2.0, 12.0], [16.0, 2.0, 12.0], [16.0, 8.0, 18.0], [11.0, 8.0, 18.0]],
        [[0, 1, 2], [0, 2, 3]],
    )
    return joined([plain_tower(), sheet])


def unwelded_layer() -> Mesh:
    """The middle layer has vertices of its own: cracks of no width above and below it."""
    vertices, faces = tower()
    apart = [[f + 12 for f in face] for face in faces[8:16]]
    return Mesh.of(vertices + vertices[4:12], faces[:8] + apart + faces[16:])


OCTAHEDRON = np.array(
    [[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=float
)
OCTAHEDRON_FACES = [
    [0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4], [1, 0, 5], [2, 1, 5], [3, 2, 5], [0, 3, 5],
]  # fmt: skip


def vertices_on_the_plane() -> Mesh:
    """An octahedron, whose middle plane goes through four vertices and four edges."""
    return Mesh.of(OCTAHEDRON * 10.0, OCTAHEDRON_FACES)


def face_on_the_plane() -> Mesh:
    """A step: the plane of its tread holds two faces, with material below them only."""
    p = [(0, 0), (20, 0), (20, 10), (10, 10), (10, 25), (0, 25)]
    return _prism(p, 8.0)


def crease_across_the_plane() -> Mesh:
    """A slab with a notch cut right across from below, its crease an edge of the cap."""
    p = [(0, 10), (4, 0), (10, 0), (10, 20), (-10, 20), (-10, 0), (-4, 0)]
    return _prism(p, 5.0)


def diagonal_on_the_plane() -> Mesh:
    """A cube whose face diagonals give the cap of a slanted plane three points in a row."""
    vertices = [
        [0, 0, 0], [0, 2, 0], [0, 2, 2], [0, 0, 2], [2, 0, 0], [2, 2, 0], [2, 2, 2], [2, 0, 2],
    ]  # fmt: skip
    faces = [
        [3, 2, 1], [3, 1, 0], [4, 5, 6], [4, 6, 7], [7, 3, 0], [7, 0, 4],
        [1, 2, 6], [1, 6, 5], [5, 4, 0], [5, 0, 1], [3, 7, 6], [3, 6, 2],
    ]  # fmt: skip
    return Mesh.of(np.array(vertices, dtype=float), faces)


def cavity_tip_on_the_plane() -> Mesh:
    """A cavity of which one vertex lies in the plane, and no more."""
    cavity = Mesh.of(OCTAHEDRON, OCTAHEDRON_FACES).flipped()
    return joined([box(8.0, 8.0, 8.0, low=(-4.0, -4.0, -4.0)), cavity])


def _prism(outline: list[tuple[float, float]], depth: float) -> Mesh:
    """An (x, z) outline, counter-clockwise seen from -y, drawn out along y; ends fanned."""
    p = np.array(outline, dtype=float)
    n = len(p)
    front = np.column_stack([p[:, 0], np.zeros(n), p[:, 1]])
    faces = [
        f
        for k in range(n)
        for f in ([k, n + k, (k + 1) % n], [(k + 1) % n, n + k, n + (k + 1) % n])
    ]
    faces += [f for k in range(1, n - 1) for f in ([0, k, k + 1], [n, n + k + 1, n + k])]
    return Mesh.of(np.concatenate([front, front + np.array([0, depth, 0])]), faces)


ALL: tuple[Callable[[], Mesh], ...] = (
    plain_tower, t_junction, bow_tie_vertex, doubled_shell, duplicated_faces, inside_out_island,
    flipped_faces, zero_area_fan, mobius_strip, klein_bottle, open_eyelid, internal_wall,
    three_face_edge, self_intersecting_shell, sliver_of_two_microns, far_from_the_origin,
    miniature, giant, overlapping_shells, flush_shells, touching_shells, touching_along_an_edge,
    nested_cavity, buried_solid, cavity_through_the_skin, loose_sheet, unwelded_layer,
    vertices_on_the_plane, face_on_the_plane, crease_across_the_plane, diagonal_on_the_plane,
    cavity_tip_on_the_plane,
)  # fmt: skip


def text(make: Callable[[], Mesh]) -> str:
    """An OBJ file's text: a comment on what is wrong, then vertices in mm and faces."""
    mesh = make()
    said = " ".join((make.__doc__ or "A tower with nothing wrong.").split())
    lines = [f"# {said}"]
    lines += ["v " + " ".join(f"{x:.12g}" for x in v) for v in (mesh.vertices + 0.0).tolist()]
    lines += ["f " + " ".join(str(k + 1) for k in f) for f in mesh.faces.tolist()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for each in ALL:
        (FOLDER / f"{each.__name__}.obj").write_text(text(each), encoding="ascii")
