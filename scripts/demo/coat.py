"""The far-too-big oilskin coat: skirt, folds, collar, scarf, rope belt, strap and sleeves."""

# Capitals name arrays of positions and rotation matrices; sums with lists move numpy points.
# ruff: noqa: N803, N806, RUF005
from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from fields import (
    Field,
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
    length,
    noise,
    rot,
    smax,
    smin,
    spline,
    step,
    tube,
    unit,
    vec,
)

BELT_Z = 449.0
HEM_Z = 204.0

# Height, half width, half depth, centre x, centre y of the cloth body (mm).
_PROFILE = np.array(
    [
        [140, 174, 112, -44, 10],
        [196, 157, 106, -37, 8],
        [260, 135, 99, -29, 4],
        [340, 112, 91, -24, 0],
        [400, 99, 86, -19, -3],
        [432, 91, 80, -17, -4],
        [449, 86, 75, -16, -4],
        [466, 90, 80, -15, -6],
        [500, 101, 89, -13, -9],
        [545, 103, 90, -8, -6],
        [600, 98, 84, -2, 0],
        [640, 88, 75, 2, 3],
        [668, 72, 63, 4, 2],
        [690, 58, 54, 4, -3],
        [720, 48, 48, 4, -6],
    ],
    dtype=np.float32,
)
_Z0 = 100
_TABLE = np.stack(
    [np.interp(np.arange(_Z0, 780), _PROFILE[:, 0], _PROFILE[:, i]) for i in range(1, 5)]
)
# Smoothing the table rounds the corners that linear interpolation leaves.
_KERNEL = np.hanning(23) / np.hanning(23).sum()
_TABLE = np.stack(
    [np.convolve(np.pad(row, 11, mode="edge"), _KERNEL, mode="valid") for row in _TABLE]
).astype(np.float32)
_SLOPE = np.abs(np.gradient(_TABLE[0])).astype(np.float32)

# Skirt folds: angle from the front (deg, + towards the figure's left), half width (deg),
# height at the hem (mm), lean of the crest (deg between belt and hem).
_FOLDS = np.array(
    [
        [-171, 10, 15, -20],
        [-147, 9, 19, -26],
        [-122, 8, 22, -30],
        [-97, 9, 27, -24],
        [-72, 8, 20, -20],
        [-47, 9, 22, -20],
        [-21, 8, 13, -16],
        [27, 9, 15, -14],
        [52, 10, 21, -20],
        [80, 8, 16, -18],
        [106, 9, 20, -18],
        [132, 8, 14, -18],
        [159, 10, 17, -18],
    ],
    dtype=np.float32,
)


def _wrap(a: np.ndarray) -> np.ndarray:
    """Wrap angles in radians to -pi..pi."""
    tau = np.float32(2.0 * np.pi)
    return a - tau * np.round(a / tau)


def _section(z: np.ndarray) -> tuple[np.ndarray, ...]:
    """Half width, half depth, centre x, centre y and slope at heights ``z`` (mm)."""
    t = np.clip(z - _Z0, 0.0, _TABLE.shape[1] - 2.001)
    i = t.astype(np.int32)
    f = t - i
    rows = [row[i] * (1.0 - f) + row[i + 1] * f for row in _TABLE]
    return (*rows, _SLOPE[i])


def cloth_middle(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre (x, y) of the coat body at heights ``z`` (mm)."""
    _, _, cx, cy, _ = _section(z)
    return cx, cy


def _skirt_folds(phi: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Outward shift (mm) of the cloth by the hanging folds below the belt."""
    fall = np.clip((BELT_Z - z) * np.float32(1.0 / (BELT_Z - HEM_Z)), 0.0, 1.25)
    grow = fall ** np.float32(0.85)
    total = np.zeros_like(phi)
    for angle, width, height, lean in np.radians(_FOLDS * [1, 1, 57.29578, 1]):
        d = _wrap(phi - np.float32(angle) - np.float32(lean) * fall * fall)
        # The lee side of a blown fold is steeper than its windward side.
        w = np.float32(width) * np.where(d < 0, np.float32(0.75), np.float32(1.25))
        total += np.float32(height) * np.exp(-(np.abs(d / w) ** np.float32(1.7)))
    return (total - np.float32(6.0)) * grow


def _gathers(phi: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Small pinched pleats just above and below the rope belt (mm)."""
    dz = z - np.float32(BELT_Z)
    near = np.exp(-np.abs(dz) / np.where(dz > 0, np.float32(42.0), np.float32(34.0)))
    wave = noise(phi * np.float32(4.6), phi * 0 + np.float32(3.3), dz * np.float32(0.006))
    fine = noise(np.cos(phi) * 5.2, np.sin(phi) * 5.2, dz * np.float32(0.008))
    return near * (np.float32(9.0) * np.abs(fine) + np.float32(4.0) * np.abs(wave) - 3.0)


def _placket(phi: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Outward shift (mm) of the front flap, which laps over the figure's left front."""
    down = np.clip((BELT_Z - z) / np.float32(250.0), 0.0, 1.2)
    edge = np.float32(0.16) - np.float32(0.10) * down - np.float32(0.10) * down * down
    lift = np.float32(7.0) + np.float32(13.0) * down * down
    d = (phi - edge) * np.float32(100.0)
    crisp = step(2.0, -2.0, d)
    fade = np.exp(-np.maximum(-d, 0.0) / np.float32(70.0))
    return lift * crisp * fade


def _yoke(phi: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Outward shift (mm) of the short rain cape sewn over the shoulders."""
    line = np.float32(588.0) + np.float32(13.0) * np.cos(phi * np.float32(2.0))
    return np.float32(5.5) * step(-2.2, 2.2, z - line) * step(700.0, 640.0, z)


def _wind(phi: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Outward shift (mm) where the wind lifts the skirt on the figure's right."""
    low = step(400.0, 178.0, z)
    d = _wrap(phi - np.float32(np.radians(-105.0)))
    return np.float32(52.0) * low * low * np.exp(-((d / np.float32(0.60)) ** 2))


def coat_radius(phi: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, ...]:
    """Radius of the cloth at (angle, height): (radius, centre x, centre y, slope), in mm."""
    a, b, cx, cy, slope = _section(z)
    p = np.float32(2.35)
    s, c = np.abs(np.sin(phi)) / a, np.abs(np.cos(phi)) / b
    radius = (s**p + c**p) ** np.float32(-1.0 / 2.35)
    radius = radius + _wind(phi, z) + _yoke(phi, z) + _gathers(phi, z) + _placket(phi, z)
    return radius + _skirt_folds(phi, z), cx, cy, slope


def _tilt(x: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Rise (mm) of the shoulder line towards the raised arm: the body's counterpoise."""
    return np.float32(0.11) * np.clip(x, -110.0, 110.0) * step(500.0, 650.0, z)


def surf(phi_deg: float, z: float, off: float = 0.0) -> np.ndarray:
    """Return the (3,) point ``off`` mm outside the cloth at an angle (deg) and height (mm)."""
    phi, zz = np.float32([np.radians(phi_deg)]), np.float32([z])
    r, cx, cy, _ = coat_radius(phi, zz)
    r = r[0] + off
    return np.array([cx[0] + r * np.sin(phi[0]), cy[0] - r * np.cos(phi[0]), z])


# Pulled folds of the bodice: from (x, z) to (x, z), half width, height (mm), +1 front, -1 back.
_PULLS = np.array(
    [
        [96, 628, -18, 492, 9, 9.5, 1],
        [92, 598, 14, 484, 8, 8.8, 1],
        [84, 566, 44, 478, 7.5, 8.1, 1],
        [60, 652, -64, 540, 9, 6.8, 1],
        [-88, 596, -26, 486, 8.5, 8.1, 1],
        [-94, 560, -60, 478, 7.5, 8.1, 1],
        [-66, 640, -50, 520, 8, 5.4, 1],
        [98, 630, -24, 486, 10, 10.8, -1],
        [84, 664, -70, 556, 10, 8.1, -1],
        [92, 586, 26, 482, 9, 9.5, -1],
        [-92, 590, -46, 480, 9, 9.5, -1],
        [-78, 628, -74, 500, 8, 6.8, -1],
    ],
    dtype=np.float32,
)


def _drag(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Folds (mm) pulled over the chest and back by the raised arm and the belt."""
    total = np.zeros_like(x)
    wave = noise(x * 0.021, y * 0.021 + 4.0, z * 0.021) * np.float32(14.0)
    for x0, z0, x1, z1, width, height, side in _PULLS:
        dx, dz = x1 - x0, z1 - z0
        span = np.float32(np.hypot(dx, dz))
        t = ((x - x0) * dx + (z - z0) * dz) / span**2
        across = ((x - x0) * dz - (z - z0) * dx) / span + wave
        # The fold sags like a slack rope between its two ends.
        across = across + np.float32(15.0) * (t - t * t)
        ends = step(-0.18, 0.25, t) * step(1.15, 0.70, t)
        w = width * np.where(across < 0, np.float32(1.2), np.float32(2.3))
        face = step(-12.0, 14.0, -side * y)
        total += height * ends * face * np.exp(-((across / w) ** 2))
    return total * step(452.0, 486.0, z)


def _hem(phi: np.ndarray) -> np.ndarray:
    """Height (mm) of the lower edge of the coat around the figure."""
    d = _wrap(phi - np.float32(np.radians(-108.0)))
    lift = np.float32(34.0) * np.exp(-((d / np.float32(0.80)) ** 2))
    front = np.float32(10.0) * np.exp(-(((phi - np.float32(0.1)) / np.float32(0.28)) ** 2))
    return np.float32(HEM_Z) + lift + front + np.float32(4.0) * np.sin(phi * 5.0 + 1.0)


def cloth(P: np.ndarray) -> np.ndarray:
    """Field of the coat body without its trimmings."""
    x, y, z = P
    t = np.clip(z - _tilt(x, z), 120.0, 740.0)
    _, _, cx, cy, _ = _section(t)
    dx, dy = x - cx, y - cy
    rho = np.hypot(dx, dy)
    phi = np.arctan2(dx, -dy)
    radius, _, _, slope = coat_radius(phi, t)
    soft = fbm(P, 70.0, 2, 3.0) * np.float32(2.6) + _drag(x, y, t)
    d = (rho - radius - soft) / np.sqrt(1.0 + slope * slope) * np.float32(0.86)
    d = smax(d, z - np.float32(716.0), 10.0)
    hem = _hem(phi)
    # The hollow under the hem keeps a wall of about 13 mm and closes in a soft vault.
    wall = rho - (radius - _placket(phi, t) + soft - np.float32(15.0))
    vault = z - hem - np.float32(62.0) + rho * rho * np.float32(0.0022)
    return smax(smax(d, hem - z, 7.0), -smax(wall, vault, 14.0), 5.0)


_STRAP_A, _STRAP_B = np.array([-60.0, -30.0, 672.0]), np.array([76.0, -10.0, 426.0])
_STRAP_N = np.cross(_STRAP_B - _STRAP_A, [0.0, 1.0, 0.06])
_STRAP_N = _STRAP_N / np.linalg.norm(_STRAP_N)


def torso() -> Item:
    """Coat body, shoulders, satchel strap and rope belt as one item."""
    shoulders = group(
        [
            ellipsoid([78, 2, 640], [46, 45, 36], 0, rot("y", 26)),
            ellipsoid([-68, 6, 622], [44, 45, 36], 0, rot("y", -36)),
        ]
    )

    def fn(P: np.ndarray) -> np.ndarray:
        d = smin(cloth(P), shoulders(P), 34.0)
        across = np.abs(np.float32(_STRAP_N) @ (P - vec(_STRAP_A)))
        hem = np.float32(2.0) * np.exp(-(((across - np.float32(13.0)) / np.float32(2.6)) ** 2))
        strap = smax(d - np.float32(7.5) - hem, across - np.float32(18.0), 3.0)
        return smin(d, smax(strap, np.float32(400.0) - P[2], 3.0), 1.5)

    return boxed(fn, [-270, -165, 160], [200, 165, 722])


def rope_belt() -> Item:
    """Two turns of twisted rope round the waist, a knot in front, and two loose ends."""

    def fn(P: np.ndarray) -> np.ndarray:
        x, y, z = P
        _, _, cx, cy, _ = _section(z)
        dx, dy = x - cx, y - cy
        phi = np.arctan2(dx, -dy)
        rho = np.hypot(dx, dy)
        base = np.abs(np.sin(phi) / 86.0) ** 2.35 + np.abs(np.cos(phi) / 75.0) ** 2.35
        r = base.astype(np.float32) ** np.float32(-1.0 / 2.35) + np.float32(6.0)
        droop = np.float32(5.0) * np.cos(phi) + np.float32(7.0) * np.sin(phi)
        out = np.full_like(x, 1e3)
        for n, level in enumerate((BELT_Z - 10.5, BELT_Z + 10.5)):
            w = z - (np.float32(level) - droop + np.float32(1.5) * np.sin(phi * 2 + n))
            u = rho - r
            twist = np.arctan2(w, u) * 1.5 + phi * np.float32(13.5)
            lay = np.float32(2.6) * np.abs(np.sin(twist))
            out = np.minimum(out, np.hypot(u, w) - np.float32(9.2) - lay)
        return out * np.float32(0.85)

    belt = boxed(fn, [-125, -110, 412], [105, 110, 486], 2.0)
    return group([belt, *_knot()], 2.0)


def _knot() -> list[Item]:
    """The reef knot of the rope belt and its hanging ends."""
    k = surf(6, BELT_Z - 6, 15)
    left, right = k + [17, 3, 3], k - [17, -3, 3]
    ends = []
    for sx, drop in ((1, 76.0), (-1, 56.0)):
        p1 = surf(6 + sx * 7, BELT_Z - 26, 10)
        p2 = surf(6 + sx * 11 - 6, BELT_Z - 46, 8)
        p3 = surf(6 + sx * 9 - 13, BELT_Z - drop, 8)
        tail = p3 + [-sx * 1.0 - 3.0, -1.0, -18.0]
        strand = curve([k, p1, p2, p3], 8.4, 8.4, 1.5, 9)
        ends.append(boxed(_laid(strand), strand.lo - 3, strand.hi + 3, 1.5))
        ends += [curve([p3, tail], 10.0, 9.0, 1.5, 3), ball(p3, 11.0, 1.5)]
    return [
        tube([left + [0, 0, 8], k + [0, -8, 2], right + [0, 0, -8]], [10, 11, 10], 1.5),
        tube([left + [0, 0, -8], k + [0, -3, -6], right + [0, 0, 8]], [10, 10, 10], 1.5),
        *ends,
    ]


def _laid(strand: Item) -> Field:
    """Give a hanging rope its slanting lay."""

    def fn(P: np.ndarray) -> np.ndarray:
        slant = P[0] * np.float32(0.17) + P[2] * np.float32(0.21) + P[1] * np.float32(0.10)
        return strand.fn(P) - np.float32(2.2) * np.abs(np.sin(slant))

    return fn


def buttons() -> list[Item]:
    """Coat buttons along the front flap: thick discs with a sunk face."""
    items = []
    for phi, z in ((3.0, 641), (3.0, 540), (3.0, 492), (-4.0, 344), (-9.0, 286)):
        p, q = surf(phi, z, 2.0), surf(phi, z, 12.0)
        R = basis(q - p, [0, 0, 1])
        n = R[:, 2]
        items += [
            disc(p + n * 1.5, R, 12.5, 5.5, 2.0, 1.0),
            cut(disc(p + n * 8.2, R, 8.2, 3.0, 1.0), 1.0),
        ]
        items += [cut(ball(p + n * 5.0 + R[:, 1] * s, 2.4), 0.5) for s in (-3.2, 3.2)]
    return items


def pocket() -> list[Item]:
    """A flap pocket on the figure's right front, laid on the cloth."""
    half_w, half_h = 36.0, 17.0
    c, q = surf(-47, 336, 0.0), surf(-47, 336, 10.0)
    up = surf(-47, 356, 0.0) - surf(-47, 316, 0.0)
    R = basis(q - c, np.cross(up, q - c))
    return [
        box(c + R[:, 2] * 3.0, [half_w, half_h, 9.0], 3.0, 2.0, R),
        disc(c + R[:, 2] * 12.0 - R[:, 1] * 8, R, 8.5, 4.0, 2.0, 1.0),
    ]


def collar() -> Item:
    """The turned-up collar: a flaring wall, open in front, higher behind."""

    def fn(P: np.ndarray) -> np.ndarray:
        x, y, z = P[0] - np.float32(4.0), P[1] + np.float32(2.0), P[2]
        phi = np.arctan2(x, -y)
        rho = np.hypot(x, y * np.float32(1.06))
        h = np.clip((z - np.float32(668.0)) / np.float32(60.0), -0.3, 1.4)
        back = np.float32(0.5) - np.float32(0.5) * np.cos(phi)
        radius = np.float32(66.0) + np.float32(13.0) * h * h + np.float32(3.0) * np.cos(phi * 3)
        wall = np.abs(rho - radius) - np.float32(6.2)
        top = np.float32(693.0) + np.float32(44.0) * back ** np.float32(0.8)
        d = smax(wall, z - top, 7.0)
        gap = np.float32(0.30) + np.float32(0.012) * np.maximum(z - np.float32(660.0), 0.0)
        open_front = (gap - np.abs(phi)) * rho
        return smax(smax(d, open_front, 6.0), np.float32(640.0) - z, 3.0) * np.float32(0.85)

    return boxed(fn, [-100, -95, 645], [105, 95, 742], 5.0)


def scarf() -> Item:
    """A thick ribbed scarf wound twice round the neck, with one end flying."""

    def wrap(
        tilt_x: float, tilt_y: float, z: float, major: float, minor: float, seed: float
    ) -> Item:
        R = rot("x", tilt_x) @ rot("y", tilt_y)
        Rt, o = np.ascontiguousarray(R.T), vec([3.0, -9.0, z])

        def fn(P: np.ndarray) -> np.ndarray:
            q = Rt @ (P - o)
            phi = np.arctan2(q[0], -q[1])
            rad = np.float32(major) + np.float32(3.0) * np.sin(phi * 3 + np.float32(seed))
            u, w = np.hypot(q[0], q[1]) - rad, q[2] * np.float32(0.86)
            rib = np.float32(1.5) * np.abs(
                np.sin(np.arctan2(w, u) * np.float32(4.0) + phi * np.float32(2.0))
            )
            fat = np.float32(minor) + np.float32(2.0) * np.sin(phi * 2 + np.float32(seed))
            return (np.hypot(u, w) - fat - rib) * np.float32(0.85)

        reach = major + minor + 8
        return boxed(fn, [3 - reach, -9 - reach, z - 45], [3 + reach, -9 + reach, z + 45], 3.0)

    return group([wrap(7, -6, 688, 47, 17, 0.4), wrap(13, 8, 704, 44, 15, 2.2), _scarf_end()], 4.0)


def _scarf_end() -> Item:
    """The flying end of the scarf: a waving, ribbed band with a fringe of thick tassels."""
    spine = spline(
        [
            [-30, 36, 690],
            [-66, 64, 694],
            [-100, 82, 716],
            [-134, 86, 716],
            [-168, 100, 700],
            [-200, 112, 718],
        ],
        19,
    )
    links, tips = [], []
    for i in range(len(spine) - 1):
        a, b = spine[i], spine[i + 1]
        u = i / (len(spine) - 2.0)
        R = basis([0.30 - 0.5 * u, 0.35 * np.sin(4.4 * u), 1.0], b - a)
        # Box axes: x along the band, y through its thickness, z its width.
        size = [np.linalg.norm(b - a) / 2 + 5.0, 6.0 + 1.3 * (i % 2), 19.0 + 9.0 * u]
        links.append(box((a + b) / 2, size, 5.0, 5.0, R))
    along = (spine[-1] - spine[-3]) / np.linalg.norm(spine[-1] - spine[-3])
    for n in range(5):
        root = spine[-1] + R[:, 2].astype(float) * (n - 2) * 11.5 - along * 3.0
        tip = root + along * (19.0 + 3.0 * (n % 2)) + [0.0, 1.5 * (n - 2), -4.0 + 2.0 * (n % 3)]
        tips.append(cone(root, tip, 5.6, 5.0, 1.5))
    return group([*links, *tips], 4.0)


def _fan(
    P: np.ndarray, a: np.ndarray, b: np.ndarray, c: np.ndarray, radius: float, wander: np.ndarray
) -> np.ndarray:
    """Folds (mm) that spread like a fan from the crook of a bent sleeve."""
    back, ahead = unit(a - b).astype(float), unit(c - b).astype(float)
    u = unit(back + ahead).astype(float)
    v = unit(ahead - back).astype(float)
    q = P - vec(b + u * radius * 1.9)
    x, y = np.float32(u) @ q, np.float32(v) @ q
    alpha = np.arctan2(y, -x)
    far = np.hypot(x, y)
    n = np.float32(np.cross(u, v))
    lateral = np.abs(n @ q)
    strength = np.exp(-np.maximum(far - np.float32(34.0), 0.0) / np.float32(34.0))
    strength = strength * step(2.6, 1.5, np.abs(alpha)) * step(10.0, 30.0, far)
    ridge = np.abs(np.cos(alpha * np.float32(3.1) + wander * 2.6 + lateral * np.float32(0.02)))
    return np.float32(8.5) * strength * (ridge - np.float32(0.5))


def sleeve(points: Sequence[Sequence[float]], radii: Sequence[float], seed: float) -> Item:
    """A wrinkled sleeve through shoulder, elbow, wrist with a turned-back, hollow cuff.

    ``points`` is (3, 3) mm, ``radii`` three radii in mm.
    """
    a, b, c = (np.asarray(p, dtype=np.float64) for p in points)
    len_bc = np.linalg.norm(c - b)

    def segment(
        P: np.ndarray, p: np.ndarray, q: np.ndarray, ra: float, rb: float
    ) -> tuple[np.ndarray, np.ndarray]:
        axis = vec(q - p)
        t = np.clip((axis * (P - vec(p))).sum(0) / np.float32((axis * axis).sum()), 0.0, 1.0)
        return length(P - vec(p) - axis * t) - (np.float32(ra) + np.float32(rb - ra) * t), t

    def fn(P: np.ndarray) -> np.ndarray:
        d0, _ = segment(P, a, b, radii[0], radii[1])
        d1, t1 = segment(P, b, c, radii[1], radii[2])
        wander = noise(P[0] * 0.019 + seed, P[1] * 0.019, P[2] * 0.019)
        run = np.float32(len_bc) * t1
        stack = step(0.30, 0.62, t1) * (np.float32(0.8) + wander)
        phase = run * np.float32(0.17) + wander * np.float32(6.0)
        crease = np.float32(5.0) * stack * (np.abs(np.cos(phase)) - np.float32(0.55))
        soft = fbm(P, 52.0, 2, seed) * np.float32(3.4)
        fan = _fan(P, a, b, c, radii[1], wander)
        return (smin(d0, d1, 20.0) - crease - soft - fan) * np.float32(0.85)

    pts = np.array([a, b, c])
    big = max(radii) + 8
    body = boxed(fn, pts.min(0) - big, pts.max(0) + big, 0.0)
    axis = (c - b) / len_bc
    r = radii[2]
    R = basis(axis, np.cross(axis, [0.3, 0.2, 1.0]))
    band = disc(c - axis * 12, R, r + 8.5, 22.0, 4.5, 2.0)
    hole = cone(c - axis * 6, c + axis * 40, r - 6, r - 1)
    ends = disc(c + axis * 42, R, r + 40, 32.0, 2.0)
    return group([body, cut(ends, 2.0), band, cut(hole, 3.0)])


def skirt_trim() -> list[Item]:
    """Small things laid on the coat: buttons and pocket."""
    return [*buttons(), *pocket()]
