"""Signed distance building blocks for the demo figure.

Every field is a function of ``P``, a (3, N) float32 array of positions in millimetres, and
returns (N,) float32 distances in millimetres: negative inside, positive outside.
"""

# Capitals name arrays of positions and rotation matrices; sums with lists move numpy points.
# ruff: noqa: N803, N806
from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Field = Callable[[np.ndarray], np.ndarray]

FAR = np.float32(1.0e3)
# Distance around a piece of the scene in which its field must be exact (mm).
REACH = 30.0


def vec(values: Sequence[float]) -> np.ndarray:
    """Return a (3, 1) float32 column from three numbers (mm)."""
    return np.asarray(values, dtype=np.float32).reshape(3, 1)


def unit(values: Sequence[float]) -> np.ndarray:
    """Return a (3,) float32 vector of length one."""
    v = np.asarray(values, dtype=np.float64)
    return (v / np.linalg.norm(v)).astype(np.float32)


def smin(a: np.ndarray, b: np.ndarray, k: float) -> np.ndarray:
    """Smooth minimum of two (N,) fields; ``k`` is the blend width in mm (0 = hard)."""
    if k <= 0.0:
        return np.minimum(a, b)
    h = np.maximum(np.float32(k) - np.abs(a - b), 0.0)
    return np.minimum(a, b) - h * h * np.float32(0.25 / k)


def smax(a: np.ndarray, b: np.ndarray, k: float) -> np.ndarray:
    """Smooth maximum of two (N,) fields; ``k`` is the blend width in mm (0 = hard)."""
    return -smin(-a, -b, k)


def step(edge0: float, edge1: float, x: np.ndarray) -> np.ndarray:
    """Cubic smooth step from 0 at ``edge0`` to 1 at ``edge1`` (either order)."""
    t = np.clip((x - np.float32(edge0)) * np.float32(1.0 / (edge1 - edge0)), 0.0, 1.0)
    return t * t * (np.float32(3.0) - np.float32(2.0) * t)


def length(v: np.ndarray) -> np.ndarray:
    """Euclidean length of a (D, N) array along its first axis -> (N,)."""
    return np.sqrt(np.einsum("ij,ij->j", v, v))


def rot(axis: str, degrees: float) -> np.ndarray:
    """Return the (3, 3) float32 rotation about one coordinate axis."""
    a = np.radians(degrees)
    c, s = np.cos(a), np.sin(a)
    i = "xyz".index(axis)
    j, k = (i + 1) % 3, (i + 2) % 3
    m = np.eye(3)
    m[j, j], m[j, k], m[k, j], m[k, k] = c, -s, s, c
    return m.astype(np.float32)


def basis(z_axis: Sequence[float], x_hint: Sequence[float]) -> np.ndarray:
    """Return a (3, 3) rotation whose columns are x, y, z with z along ``z_axis``."""
    z = unit(z_axis).astype(np.float64)
    x = np.asarray(x_hint, dtype=np.float64)
    x = x - z * (x @ z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z]).astype(np.float32)


@dataclass(frozen=True)
class Item:
    """A field with its bounds; ``op`` is "add" or "cut", ``k`` its blend width (mm)."""

    fn: Field
    lo: np.ndarray
    hi: np.ndarray
    k: float = 0.0
    op: str = "add"

    def __call__(self, P: np.ndarray) -> np.ndarray:
        """Evaluate the field at (3, N) positions in mm -> (N,) mm."""
        return self.fn(P)

    def blend(self, k: float, op: str = "add") -> Item:
        """Return the same field with another blend width and operation."""
        return Item(self.fn, self.lo, self.hi, k, op)


def cut(item: Item, k: float = 0.0) -> Item:
    """Return ``item`` as something to carve away."""
    return item.blend(k, "cut")


def boxed(fn: Field, lo: Sequence[float], hi: Sequence[float], k: float = 0.0) -> Item:
    """Wrap a field and its bounds (mm) as an :class:`Item`."""
    return Item(fn, np.asarray(lo, np.float32), np.asarray(hi, np.float32), k)


def group(items: Sequence[Item], k: float = 0.0) -> Item:
    """Combine items in order; each is skipped where its bounds are out of reach."""
    adds = [i for i in items if i.op == "add"]
    lo = np.min([i.lo for i in adds], axis=0)
    hi = np.max([i.hi for i in adds], axis=0)

    def fn(P: np.ndarray) -> np.ndarray:
        d = np.full(P.shape[1], FAR, dtype=np.float32)
        p_lo, p_hi = P.min(axis=1), P.max(axis=1)
        for item in items:
            pad = item.k + REACH
            if np.any(item.lo - pad > p_hi) or np.any(item.hi + pad < p_lo):
                continue
            e = item.fn(P)
            d = smin(d, e, item.k) if item.op == "add" else smax(d, -e, item.k)
        return d

    return Item(fn, lo, hi, k)


def placed(
    item: Item, origin: Sequence[float], R: np.ndarray, k: float = 0.0, scale: float = 1.0
) -> Item:
    """Place an item modelled in local coordinates: world = scale * R @ local + origin (mm)."""
    o, Rt = vec(origin), np.ascontiguousarray(R.T / np.float32(scale))
    corners = np.array([[(item.lo, item.hi)[(n >> a) & 1][a] for a in range(3)] for n in range(8)])
    world = corners @ R.T * scale + np.asarray(origin, np.float32)
    s = np.float32(scale)
    return boxed(lambda P: item.fn(Rt @ (P - o)) * s, world.min(axis=0), world.max(axis=0), k)


def ball(c: Sequence[float], r: float, k: float = 0.0) -> Item:
    """A sphere: centre (mm), radius (mm)."""
    o = vec(c)
    centre = np.asarray(c, np.float32)
    return boxed(lambda P: length(P - o) - np.float32(r), centre - r, centre + r, k)


def ellipsoid(
    c: Sequence[float], radii: Sequence[float], k: float = 0.0, R: np.ndarray | None = None
) -> Item:
    """An ellipsoid: centre and three radii (mm), optionally turned by a (3, 3) matrix."""
    o, inv = vec(c), 1.0 / vec(radii)
    turn = None if R is None else np.ascontiguousarray(R.T)

    def fn(P: np.ndarray) -> np.ndarray:
        q = P - o if turn is None else turn @ (P - o)
        q = q * inv
        k0 = length(q)
        k1 = length(q * inv)
        return k0 * (k0 - 1.0) / np.maximum(k1, np.float32(1e-6))

    big = max(radii) if R is not None else np.asarray(radii, np.float32)
    centre = np.asarray(c, np.float32)
    return boxed(fn, centre - big, centre + big, k)


def cone(a: Sequence[float], b: Sequence[float], ra: float, rb: float, k: float = 0.0) -> Item:
    """A round-ended cone from ``a`` (radius ``ra``) to ``b`` (radius ``rb``), in mm."""
    pa, ba = vec(a), vec(b) - vec(a)
    inv = np.float32(1.0 / max(float((ba * ba).sum()), 1e-9))

    def fn(P: np.ndarray) -> np.ndarray:
        q = P - pa
        t = np.clip((ba * q).sum(axis=0) * inv, 0.0, 1.0)
        return length(q - ba * t) - (np.float32(ra) + np.float32(rb - ra) * t)

    av, bv = np.asarray(a, np.float32), np.asarray(b, np.float32)
    return boxed(fn, np.minimum(av - ra, bv - rb), np.maximum(av + ra, bv + rb), k)


def tube(
    points: Sequence[Sequence[float]], radii: Sequence[float], k: float = 0.0, joint: float = 0.0
) -> Item:
    """A chain of round cones through (M, 3) points with M radii, in mm."""
    n = len(points)
    links = [cone(points[i], points[i + 1], radii[i], radii[i + 1], joint) for i in range(n - 1)]
    return group(links, k)


def spline(points: Sequence[Sequence[float]], count: int) -> np.ndarray:
    """Resample (M, 3) control points with a Catmull-Rom curve -> (count, 3)."""
    p = np.asarray(points, dtype=np.float64)
    q = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    u = np.linspace(0.0, len(p) - 1.0, count)
    i = np.minimum(u.astype(int), len(p) - 2)
    t = (u - i)[:, None]
    a, b, c, d = q[i], q[i + 1], q[i + 2], q[i + 3]
    return 0.5 * (
        2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3
    )


def curve(
    points: Sequence[Sequence[float]],
    r0: float,
    r1: float,
    k: float = 0.0,
    count: int = 7,
    bulge: float = 0.0,
) -> Item:
    """A smooth tapering strand through control points; ``bulge`` fattens its middle (mm)."""
    u = np.linspace(0.0, 1.0, count)
    radii = r0 + (r1 - r0) * u + bulge * np.sin(np.pi * u)
    return tube(spline(points, count), radii, k)


def box(
    c: Sequence[float], half: Sequence[float], r: float, k: float = 0.0, R: np.ndarray | None = None
) -> Item:
    """A box with edges rounded by ``r``: centre, half sizes (mm), optional turn."""
    o, h = vec(c), vec(half) - np.float32(r)
    turn = None if R is None else np.ascontiguousarray(R.T)

    def fn(P: np.ndarray) -> np.ndarray:
        q = np.abs(P - o if turn is None else turn @ (P - o)) - h
        return length(np.maximum(q, 0.0)) + np.minimum(q.max(axis=0), 0.0) - np.float32(r)

    big = np.linalg.norm(half) if R is not None else np.asarray(half, np.float32)
    centre = np.asarray(c, np.float32)
    return boxed(fn, centre - big, centre + big, k)


def disc(
    c: Sequence[float], R: np.ndarray, radius: float, half: float, r: float, k: float = 0.0
) -> Item:
    """A flat cylinder along the third column of ``R``; its edges are rounded by ``r``."""
    o, Rt = vec(c), np.ascontiguousarray(R.T)

    def fn(P: np.ndarray) -> np.ndarray:
        q = Rt @ (P - o)
        u = np.hypot(q[0], q[1]) - np.float32(radius - r)
        w = np.abs(q[2]) - np.float32(half - r)
        return (
            np.hypot(np.maximum(u, 0.0), np.maximum(w, 0.0))
            + np.minimum(np.maximum(u, w), 0.0)
            - np.float32(r)
        )

    big = float(np.hypot(radius, half))
    centre = np.asarray(c, np.float32)
    return boxed(fn, centre - big, centre + big, k)


def ring(c: Sequence[float], R: np.ndarray, major: float, minor: float, k: float = 0.0) -> Item:
    """A torus around the third column of ``R`` (radii in mm)."""
    o, Rt = vec(c), np.ascontiguousarray(R.T)

    def fn(P: np.ndarray) -> np.ndarray:
        q = Rt @ (P - o)
        return np.hypot(np.hypot(q[0], q[1]) - np.float32(major), q[2]) - np.float32(minor)

    centre = np.asarray(c, np.float32)
    return boxed(fn, centre - (major + minor), centre + (major + minor), k)


def turned(profile: Sequence[tuple[float, float]], r: float, k: float = 0.0) -> Item:
    """A lathe shape about +Z from stacked (z, radius) pairs in mm, softened by ``r``."""
    zs = np.array([p[0] for p in profile], dtype=np.float32)
    rs = np.array([p[1] for p in profile], dtype=np.float32)

    def fn(P: np.ndarray) -> np.ndarray:
        rho = np.hypot(P[0], P[1])
        radius = np.interp(P[2], zs, rs).astype(np.float32)
        ends = np.maximum(zs[0] - P[2], P[2] - zs[-1])
        return smax((rho - radius) * np.float32(0.8), ends, r)

    big = rs.max()
    return boxed(fn, [-big, -big, zs[0]], [big, big, zs[-1]], k)


_PERM = np.random.default_rng(1871).permutation(256).astype(np.int32)
_GRAD = np.random.default_rng(1872).normal(size=(256, 3)).astype(np.float32)
_GRAD /= np.linalg.norm(_GRAD, axis=1, keepdims=True)


def noise(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Gradient noise, about -0.7..0.7, at (N,) coordinates in lattice units."""
    xi, yi, zi = (np.floor(v).astype(np.int32) for v in (x, y, z))
    fx, fy, fz = x - xi, y - yi, z - zi
    u, v, w = (f * f * f * (f * (f * 6 - 15) + 10) for f in (fx, fy, fz))
    total = np.zeros_like(fx)
    for dx in (0, 1):
        hx = _PERM[(xi + dx) & 255]
        wx = u if dx else 1 - u
        for dy in (0, 1):
            hy = _PERM[(hx + yi + dy) & 255]
            wy = wx * (v if dy else 1 - v)
            for dz in (0, 1):
                g = _GRAD[_PERM[(hy + zi + dz) & 255]]
                dot = g[:, 0] * (fx - dx) + g[:, 1] * (fy - dy) + g[:, 2] * (fz - dz)
                total += wy * (w if dz else 1 - w) * dot
    return total


def fbm(P: np.ndarray, scale: float, octaves: int, seed: float = 0.0) -> np.ndarray:
    """Layered noise at (3, N) mm positions, first wavelength ``scale`` mm, about -1..1."""
    total = np.zeros(P.shape[1], dtype=np.float32)
    gain, f = np.float32(1.0), np.float32(1.0 / scale)
    for i in range(octaves):
        o = np.float32(seed + 17.3 * i)
        total += gain * noise(P[0] * f + o, P[1] * f - o, P[2] * f + np.float32(2.0) * o)
        gain, f = gain * np.float32(0.5), f * np.float32(2.03)
    return total


def ridged(P: np.ndarray, scale: float, seed: float = 0.0) -> np.ndarray:
    """Crease-like noise (0..1, crests near 1) at (3, N) mm positions."""
    f, o = np.float32(1.0 / scale), np.float32(seed)
    n = noise(P[0] * f + o, P[1] * f + o, P[2] * f - o)
    return 1.0 - np.minimum(np.abs(n) * np.float32(2.6), 1.0)
