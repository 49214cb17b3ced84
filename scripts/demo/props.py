"""Lantern, pole, satchel, hands, boots and the harbour stones of the demo figure (mm)."""

# Capitals name arrays of positions and rotation matrices; sums with lists move numpy points.
# ruff: noqa: N803, N806, RUF005
from __future__ import annotations

import numpy as np
from coat import surf
from fields import (
    Item,
    ball,
    basis,
    box,
    boxed,
    cone,
    curve,
    cut,
    disc,
    ellipsoid,
    fbm,
    group,
    noise,
    placed,
    ridged,
    ring,
    rot,
    smax,
    smin,
    step,
    tube,
    turned,
    vec,
)

POLE_FOOT = np.array([186.0, -104.0, 34.0])
POLE_TOP = np.array([232.0, -150.0, 800.0])
POLE_R = 12.0
GRIP = 0.855
LANTERN_HEIGHT = 180.0


def pole_axis() -> np.ndarray:
    """Unit direction (3,) up the pole."""
    d = POLE_TOP - POLE_FOOT
    return d / np.linalg.norm(d)


def pole() -> Item:
    """A round, slightly whittled pole standing on the stones, with two iron ferrules."""
    axis = pole_axis()
    R = basis(axis, [1, 0, 0])
    span = float(np.linalg.norm(POLE_TOP - POLE_FOOT))

    def fn(P: np.ndarray) -> np.ndarray:
        q = np.ascontiguousarray(R.T) @ (P - vec(POLE_FOOT))
        t = np.clip(q[2], 0.0, np.float32(span))
        wobble = noise(q[0] * 0.02, q[1] * 0.02, q[2] * 0.013) * np.float32(1.6)
        grain = noise(q[0] * 0.16, q[1] * 0.16, q[2] * 0.012) * np.float32(0.9)
        d = np.sqrt(q[0] ** 2 + q[1] ** 2 + (q[2] - t) ** 2)
        return d - np.float32(POLE_R + 0.5) - wobble - grain

    lo, hi = np.minimum(POLE_FOOT, POLE_TOP), np.maximum(POLE_FOOT, POLE_TOP)
    shaft = boxed(fn, lo - 15, hi + 15)
    foot = cone(POLE_FOOT, POLE_FOOT + axis * 62, 15.5, 14.5, 2.0)
    socket = cone(POLE_TOP - axis * 46, POLE_TOP, 14.5, 20.0, 2.0)
    band = ring(POLE_TOP - axis * 46, R, 12.5, 4.0, 1.5)
    return group([shaft, foot, socket, band])


def lantern() -> Item:
    """A storm lantern on the pole top; local +Z is the pole axis, z = 0 the tank's foot."""
    eye = np.eye(3, dtype=np.float32)
    body = turned([(0, 40), (6, 44), (28, 44), (34, 38), (40, 30), (50, 27), (54, 24)], 3.0)
    cap = turned(
        [(118, 30), (124, 38), (130, 38), (140, 27), (150, 25), (156, 20), (160, 12)], 3.0, 2.0
    )
    glass = ellipsoid([0, 0, 86], [33, 33, 41], 2.0)
    items = [
        body,
        glass,
        cap,
        ring([0, 0, 6], eye, 44, 4.5, 1.5),
        ring([0, 0, 29], eye, 43, 4.5, 1.5),
        ring([0, 0, 127], eye, 37, 4.5, 1.5),
        ring([0, 0, 86], eye, 33.5, 4.6, 1.5),
    ]
    for s in (-1, 1):
        side = [
            [s * 38, 0, 22],
            [s * 54, 0, 34],
            [s * 58, 0, 62],
            [s * 57, 0, 100],
            [s * 50, 0, 126],
            [s * 26, 0, 138],
        ]
        items.append(curve(side, 7.2, 7.2, 3.0, 21))
        items.append(tube([[s * 58, 0, 86], [s * 32, 0, 86]], [4.8, 4.8], 2.0))
    for angle in (45, 135, 225, 315):
        a = np.radians(angle)
        ca, sa = np.cos(a), np.sin(a)
        # The guard wires lie on the glass, so that no thin gaps are left to print.
        bar = [
            [24 * ca, 24 * sa, 50],
            [32 * ca, 32 * sa, 68],
            [34 * ca, 34 * sa, 86],
            [32 * ca, 32 * sa, 104],
            [25 * ca, 25 * sa, 122],
        ]
        items.append(curve(bar, 4.6, 4.6, 1.5, 9))
    bail = [
        [-54, 0, 108],
        [-50, 0, 146],
        [-28, 0, 169],
        [0, 0, 175],
        [28, 0, 169],
        [50, 0, 146],
        [54, 0, 108],
    ]
    items.append(curve(bail, 5.0, 5.0, 2.0, 25))
    items.append(tube([[-9, 0, 175], [9, 0, 175]], [6.5, 6.5], 1.5))
    R = basis(pole_axis(), [0.86, 0.5, 0])
    return placed(group(items), POLE_TOP - pole_axis() * 4.0, R, 2.0)


def satchel() -> Item:
    """A leather satchel hanging at the figure's left hip; local +Y is away from the body."""
    c = surf(74, 372, 25.0)
    out = surf(74, 372, 60.0) - c
    out[2] = 0.10 * np.linalg.norm(out)
    Z = np.array([0.10, 0.0, 1.0])
    y = out / np.linalg.norm(out)
    z = Z - y * (Z @ y)
    z /= np.linalg.norm(z)
    R = np.column_stack([np.cross(y, z), y, z]).astype(np.float32)

    def flap(P: np.ndarray) -> np.ndarray:
        x, yy, zz = P
        low = np.float32(-14.0) + np.float32(0.0052) * x * x
        slab = smax(np.abs(x) - np.float32(66.0), np.abs(zz - np.float32(20.0)) - 44, 8.0)
        d = smax(slab, np.abs(yy - np.float32(3.0)) - np.float32(34.0), 14.0)
        return smax(d, low - zz, 3.0)

    body = box([0, 0, -4], [60, 28, 50], 14.0)
    items = [body, boxed(flap, [-68, -34, -20], [68, 40, 66], 1.0)]
    for s in (-1, 1):
        strap = [[s * 32, 37, 40], [s * 32, 39, 0], [s * 32, 34, -26]]
        items += [
            _strip(strap, 9.0, 3.4),
            box([s * 32, 38, -8], [13, 5, 10], 2.5, 1.0),
            cut(box([s * 32, 44, -8], [8, 4, 5.5], 1.0), 1.0),
        ]
    # Lugs that carry the shoulder strap.
    items += [ring([s * 52, -4, 60], rot("y", 90), 12, 5.0, 2.0) for s in (-1, 1)]
    return placed(group(items), c, R, 2.0)


def _strip(points: list[list[float]], half: float, thick: float) -> Item:
    """A flat strap in the local YZ plane: ``half`` width along X, in mm."""
    side = tube(points, [thick] * len(points))

    def fn(P: np.ndarray) -> np.ndarray:
        x0 = np.float32(points[0][0])
        q = P.copy()
        q[0] = x0 + np.maximum(np.abs(P[0] - x0) - np.float32(half - thick), 0.0)
        return side.fn(q)

    return boxed(fn, side.lo - [half, 0, 0], side.hi + [half, 0, 0], 1.0)


def hip_hand() -> tuple[Item, np.ndarray]:
    """The figure's right hand on the hip, fingers forward; returns (item, wrist (3,))."""
    wrist = surf(-101, 470, 34.0)
    items = []
    palm = surf(-94, 446, 20.0)
    rows = [
        (-80, 456, -54, 452, -39, 440),
        (-79, 442, -51, 434, -35, 421),
        (-80, 427, -54, 416, -38, 404),
        (-83, 413, -61, 400, -47, 388),
    ]
    items.append(cone(wrist, palm, 19, 20))
    for a0, z0, a1, z1, a2, z2 in rows:
        k, m, t = surf(a0, z0, 15.0), surf(a1, z1, 14.5), surf(a2, z2, 6.5)
        items.append(cone(palm, k, 15, 10.5, 8))
        items.append(tube([k, m, t], [9.6, 8.8, 7.6], 3.0))
        items.append(ball(k + 0.0, 10.4, 3.0))
    thumb = [wrist, surf(-114, 450, 17), surf(-123, 436, 12), surf(-130, 424, 8)]
    items.append(tube(thumb, [14, 11.5, 9.8, 8.6], 5.0))
    return group(items, 1.5), wrist


def grip_hand() -> tuple[Item, np.ndarray]:
    """The figure's left hand closed round the pole; returns (item, wrist (3,))."""
    centre = POLE_FOOT + (POLE_TOP - POLE_FOOT) * GRIP
    u = pole_axis()
    # Local frame: z up the pole, x from the pole out to the palm (figure's left, a bit back).
    R = basis(u, [0.88, 0.47, 0.0]).astype(np.float64)

    def at(angle: float, radius: float, z: float) -> np.ndarray:
        a = np.radians(angle)
        return centre + R @ np.array([radius * np.cos(a), radius * np.sin(a), z])

    items = [
        tube([at(8, 25, 22), at(4, 25, -22)], [15, 14]),
        tube([at(8, 30, 14), at(30, 40, -10)], [16, 18], 10.0),
    ]
    for n, z in enumerate((23.0, 8.0, -7.0, -21.0)):
        r = (8.4, 8.8, 8.5, 7.6)[n]
        arc = np.linspace(-18, -205 + 8 * n, 8)
        swell = [r + 1.6, r, r + 0.3, r, r + 0.7, r, r - 0.2, r - 1.0]
        points = [
            at(a, 20.0 + 4.0 * max(0.0, 1 - i / 2), z - 2.0 * i / 7) for i, a in enumerate(arc)
        ]
        items.append(tube(points, swell, 1.8))
        items.append(ball(at(-14, 29, z), r + 2.2, 4.0))
    thumb = [at(40, 38, -4), at(78, 27, 20), at(118, 21, 30), at(160, 20.5, 34)]
    items.append(tube(thumb, [14, 11, 9.6, 8.4], 5.0))
    wrist = at(34, 54, -27)
    items.append(tube([at(20, 36, -4), wrist], [20, 19], 10.0))
    return group(items, 1.5), wrist


def boot(origin: np.ndarray, toe_deg: float, lean: tuple[float, float]) -> Item:
    """One sea boot; ``origin`` is under the ankle, toe turned by ``toe_deg`` about +Z."""
    top = np.array([lean[0], lean[1] + 10, 150.0])

    def sole(P: np.ndarray) -> np.ndarray:
        x, y, z = P
        t = np.clip((y + np.float32(92.0)) / np.float32(112.0), 0.0, 1.0)
        r = np.float32(47.0) - np.float32(11.0) * t - np.float32(7.0) * np.sin(t * np.pi)
        d = np.hypot(x, y - (np.float32(-92.0) + np.float32(112.0) * t)) - r
        arch = step(-48.0, -38.0, y) * step(0.0, -10.0, y) * np.float32(7.0)
        return smax(d, np.maximum(arch - z, z - np.float32(21.0)), 3.0)

    def crease(P: np.ndarray) -> np.ndarray:
        band = step(48.0, 74.0, P[2]) * step(118.0, 100.0, P[2])
        sway = noise(P[0] * 0.03, P[1] * 0.03, P[2] * 0.03 + 9.0) * np.float32(4.0)
        return band * np.float32(3.4) * (np.abs(np.sin(P[2] * np.float32(0.15) + sway)) - 0.5)

    upper = group(
        [
            ellipsoid([0, -88, 30], [43, 47, 36]),
            cone([0, -62, 34], [0, 2, 52], 37, 38, 26),
            ellipsoid([0, 18, 34], [37, 36, 38], 16),
            cone([0, 8, 44], top - [lean[0] * 0.3, 0, 42], 40, 45, 26),
        ]
    )
    body = boxed(lambda P: upper(P) - crease(P), upper.lo - 4, upper.hi + 4, 2.0)
    cap = boxed(
        lambda P: smax(upper(P) - np.float32(3.0), P[1] + np.float32(88.0), 2.0),
        upper.lo - 5,
        upper.hi + 5,
        1.5,
    )
    R = basis(top - [0, 8, 44], [1, 0, 0])
    rim = disc(top - [lean[0] * 0.3, 0, 35], R, 51, 14, 5.5, 2.0)
    leg = cone(top - [0, 0, 30], top + [-lean[0] * 0.4, 0, 140], 38, 44, 4.0)
    slab = boxed(sole, [-48, -140, 0], [48, 58, 22], 2.0)
    return placed(group([slab, body, cap, rim, leg]), origin, rot("z", toe_deg))


def _stone(centre: list[float], radii: list[float], seed: int, k: float = 0.0) -> Item:
    """A faceted boulder: a rounded convex polyhedron with random planes, roughened."""
    rng = np.random.default_rng(seed)
    n = rng.normal(size=(26, 3))
    n[:, 2] *= 0.7
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    n = np.vstack([n, [[0.05, -0.04, 0.998]]])
    h = rng.uniform(0.74, 1.0, len(n))
    scale, o = 1.0 / vec(radii), vec(centre)
    mean = float(np.mean(radii))

    def fn(P: np.ndarray) -> np.ndarray:
        q = (P - o) * scale
        d = (np.float32(n[0]) @ q) - np.float32(h[0])
        for normal, height in zip(n[1:], h[1:], strict=True):
            d = smax(d, (np.float32(normal) @ q) - np.float32(height), 0.035)
        # A round bound: a few random planes alone may leave a side open.
        d = smax(d, np.sqrt((q * q).sum(axis=0)) - np.float32(1.16), 0.06)
        return d * np.float32(min(radii) * 0.45 + mean * 0.45)

    c, r = np.asarray(centre, np.float32), np.asarray(radii, np.float32) * 1.18
    return boxed(fn, c - r, c + r, k)


def _stones() -> Item:
    """The bare harbour stones, before they are cut flat at z = 0."""
    stones = group(
        [
            _stone([20, -6, 14], [176, 116, 52], 11),
            _stone([-92, 40, 22], [88, 66, 46], 23, 3.0),
            _stone([-92, -62, 20], [84, 62, 46], 37, 3.0),
            _stone([84, -52, 26], [100, 72, 58], 5, 3.0),
            _stone([96, 48, 20], [94, 62, 48], 71, 3.0),
            _stone([184, -64, 18], [58, 58, 46], 83, 3.0),
            _stone([0, -94, 10], [66, 40, 42], 97, 3.0),
            _stone([-156, -6, 8], [46, 54, 40], 51, 3.0),
        ]
    )

    def fn(P: np.ndarray) -> np.ndarray:
        rough = fbm(P, 40.0, 3, 40.0) * np.float32(3.6)
        crack = ridged(P, 90.0, 61.0) ** 6 * np.float32(4.0)
        return stones(P) - rough + crack

    return boxed(fn, stones.lo, stones.hi)


def ground(stones: Item, x: float, y: float) -> float:
    """Height (mm) of the stones at one place."""
    z = np.arange(110.0, 0.0, -0.5, dtype=np.float32)
    P = np.stack([np.full_like(z, x), np.full_like(z, y), z])
    hit = np.flatnonzero(stones(P) < 0.0)
    return float(z[hit[0]]) if len(hit) else 0.0


def base() -> Item:
    """Harbour stones under the figure, flat at z = 0."""
    stones = _stones()
    life = group(_shore_life(stones), 3.0)

    def fn(P: np.ndarray) -> np.ndarray:
        return smax(smin(stones(P), life(P), 2.0), -P[2], 1.5)

    return boxed(fn, [-205, -150, 0], [255, 135, 100], 3.0)


def _shore_life(stones: Item) -> list[Item]:
    """A few limpets that live on the stones."""
    items = []
    for x, y, r in (
        (-124, -78, 14),
        (-100, -92, 11),
        (-138, -54, 10),
        (206, -40, 13),
        (214, -68, 10),
        (122, 62, 14),
        (96, 74, 11),
        (-58, 84, 13),
        (-84, 72, 10),
        (56, -98, 10),
    ):
        z = ground(stones, x, y)
        items.append(cone([x, y, z - 6], [x, y, z + r * 0.2], r * 1.25, r * 0.45, 2.0))
    return items
