"""The child's head: face, ears, hair and the sou'wester hat, in head coordinates.

Head coordinates (mm): origin between the ears at eye height, -Y forward, +X the figure's left,
+Z up. The chin is near z = -95 and the crown of the skull near z = +95.
"""

# Capitals name arrays of positions and rotation matrices; sums with lists move numpy points.
# ruff: noqa: N803, N806, RUF005
from __future__ import annotations

import numpy as np
from fields import (
    Item,
    ball,
    basis,
    boxed,
    cone,
    curve,
    cut,
    disc,
    ellipsoid,
    fbm,
    group,
    placed,
    rot,
    smax,
    smin,
    step,
    tube,
)

ORIGIN = (4.0, -16.0, 808.0)
SCALE = 1.08
TURN = rot("z", 15.0) @ rot("x", -7.0) @ rot("y", -5.0)


def _skull() -> list[Item]:
    """Cranium, jaw, round cheeks and a small chin."""
    items = [
        ellipsoid([0, 4, 24], [76, 83, 74]),
        ellipsoid([0, -24, -28], [61, 60, 60], 24),
        ellipsoid([0, -45, 24], [52, 38, 38], 24),
    ]
    for s in (-1, 1):
        items += [
            ellipsoid([s * 34, -55, -41], [27, 26, 25], 20),
            cone([s * 48, 2, -50], [s * 16, -56, -74], 20, 15, 22),
        ]
    items += [ellipsoid([0, -69, -77], [16, 14, 12], 16)]
    return items


def _eye(s: int) -> list[Item]:
    """Socket, eyeball, lids, drilled iris and brow of one eye (``s`` is -1 or +1)."""
    c = np.array([s * 31.5, -64.5, -8.0])
    gaze = np.array([s * 0.06 + 0.10, -1.0, 0.05])
    gaze /= np.linalg.norm(gaze)
    glint = c + gaze * 17.6 + [-3.2, 0.0, 3.4]
    return [
        cut(ellipsoid([s * 31, -91, -6], [22, 13, 14]), 14),
        ball(c, 19.0, 2.0),
        cut(boxed(*_coin(c + gaze * 18.6, gaze, 9.6, 1.5)), 0.8),
        cut(cone(c + gaze * 15.0, c + gaze * 25.0, 4.8, 5.2), 1.0),
        ball(glint, 2.4, 0.6),
        _lids(c, 22.0, s),
        # The crease above the lid.
        cut(curve([[s * 15, -84, 4], [s * 30, -91, 13.5], [s * 47, -80, 6]], 1.3, 1.1), 4.0),
        # Brow: drawn a little towards the nose, for defiance.
        curve([[s * 12, -84, 15], [s * 28, -87, 24], [s * 50, -74, 21]], 5.4, 3.2, 7, 7, 0.8),
    ]


def _coin(c: np.ndarray, axis: np.ndarray, radius: float, half: float) -> tuple:
    """Field and bounds of a short cylinder about ``axis``, for carving an iris."""
    item = disc(c, basis(axis, [0, 0, 1]), radius, half, 0.5)
    return item.fn, item.lo, item.hi


def _lids(c: np.ndarray, r: float, s: int) -> Item:
    """Both lids: a ball over the eyeball with an almond opening looking forward."""
    o = np.asarray(c, np.float32).reshape(3, 1)
    ca, sa = np.cos(np.radians(s * 5.0)), np.sin(np.radians(s * 5.0))

    def arc(half: float, height: float) -> tuple[np.float32, np.float32]:
        radius = (half * half + height * height) / (2.0 * height)
        return np.float32(radius), np.float32(height - radius)

    (r_up, z_up), (r_low, z_low) = arc(18.0, 10.2), arc(18.0, 7.2)

    def fn(P: np.ndarray) -> np.ndarray:
        q = P - o
        x, z = q[0] * ca + q[2] * sa, q[2] * ca - q[0] * sa
        opening = smax(np.hypot(x, z - z_up) - r_up, np.hypot(x, z + z_low) - r_low, 1.5)
        # The upper lid stands prouder than the lower one.
        thick = np.float32(r) - np.float32(1.2) * step(1.0, -6.0, z)
        d = smax(np.sqrt((q * q).sum(axis=0)) - thick, -opening, 1.4)
        return smax(d, q[1] + np.float32(4.0), 2.0)

    centre = np.asarray(c, np.float32)
    return boxed(fn, centre - r, centre + r, 2.5)


def _nose() -> list[Item]:
    """A short upturned nose with nostrils."""
    items = [
        cone([0, -79, 2], [0, -93, -25], 7.0, 8.5, 14),
        ball([0, -96.5, -28.5], 10.0, 8),
    ]
    for s in (-1, 1):
        items += [
            ellipsoid([s * 10.5, -88.5, -31.5], [7.4, 8.5, 6.8], 6),
            cut(ellipsoid([s * 5.4, -95, -38.5], [3.0, 4.4, 3.8]), 2.0),
        ]
    return items


def _mouth() -> list[Item]:
    """Closed, stubborn lips, the corners pressed in."""
    y = -85.0
    items = [
        ellipsoid([0, y + 11, -55], [22, 13, 17], 14),
        cut(curve([[0, y - 10, -42], [0, y - 7, -47]], 2.0, 2.4, 0, 3), 4.0),
        curve(
            [
                [-19, y + 5, -56],
                [-7, y - 2.6, -51.6],
                [0, y - 3.4, -53],
                [7, y - 2.6, -51.6],
                [19, y + 5, -56],
            ],
            2.4,
            2.4,
            4.5,
            11,
            2.6,
        ),
        curve([[-15, y + 4, -61], [0, y - 2.4, -63.2], [15, y + 4, -61]], 3.0, 3.0, 4.5, 9, 3.0),
        cut(
            curve(
                [
                    [-21, y + 2, -57.6],
                    [-8, y - 6, -56.6],
                    [0, y - 7.2, -57.6],
                    [8, y - 6, -56.6],
                    [22, y + 2, -56.4],
                ],
                1.3,
                1.3,
                0,
                11,
            ),
            2.4,
        ),
        cut(curve([[-9, y - 1, -70], [9, y - 1, -70]], 2.5, 2.5, 0, 3), 8.0),
    ]
    items += [cut(ball([s * 23.5, y + 2.5, -57 + s * 0.6], 2.4), 6.0) for s in (-1, 1)]
    return items


def _ear(s: int) -> list[Item]:
    """One ear, standing out a little under the hat."""
    R = rot("z", s * 22.0)
    c = np.array([s * 74.0, 8.0, -16.0])
    rim = [
        [s * 70, -2, -2],
        [s * 80, 4, 12],
        [s * 86, 20, 12],
        [s * 86, 25, -6],
        [s * 80, 14, -26],
        [s * 71, 1, -36],
    ]
    return [
        ellipsoid(c + [s * 4, 4, 2], [9, 19, 25], 5, R),
        curve(rim, 4.4, 5.4, 2.5, 13),
        cut(ellipsoid(c + [s * 12, 0, 2], [5.5, 9, 12], 0, R), 4),
        ellipsoid(c + [s * 3.0, -11, -6], [5, 5, 7], 3),
    ]


def _lock(points: list[list[float]], r0: float, r1: float, seed: int) -> list[Item]:
    """A lock of hair: a tapering core with finer strands combed over it."""
    rng = np.random.default_rng(seed)
    p = np.array(points, dtype=np.float64)
    out = p - [0.0, 4.0, 10.0]
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    side = np.cross(out, np.gradient(p, axis=0))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    taper = np.linspace(1.0, 0.45, len(p))[:, None]
    items = [curve(p, r0 * 0.95, r1, 3.0, 8, 1.0)]
    for u in (-1.05, -0.4, 0.3, 0.95):
        sway = u * r0 * taper + rng.normal(0.0, 0.8, (len(p), 1))
        lift = (0.62 - 0.35 * u * u) * r0 * taper
        strand = p + side * sway + out * lift
        strand[-1] += (strand[-1] - strand[-2]) * rng.uniform(-0.1, 0.25)
        items.append(curve(strand, r0 * 0.42, r1 * 0.62, 1.2, 8, 0.8))
    return items


def _hair() -> list[Item]:
    """Fringe blown to the figure's right, side locks and hair at the nape."""
    items: list[Item] = [ellipsoid([0, 20, 4], [77, 70, 80], 4)]
    locks = (
        ([[30, -68, 62], [20, -82, 49], [4, -90, 38], [-14, -91, 33]], 9.0, 3.8),
        ([[50, -56, 58], [44, -72, 44], [33, -82, 34], [19, -88, 30]], 8.5, 3.8),
        ([[8, -74, 62], [-8, -84, 48], [-26, -85, 38], [-42, -80, 33]], 9.5, 3.8),
        ([[-22, -70, 60], [-38, -74, 46], [-52, -70, 34], [-66, -62, 29]], 9.0, 3.8),
        ([[-44, -60, 56], [-60, -56, 38], [-69, -51, 18], [-80, -50, 2]], 9.0, 4.2),
        ([[-64, -34, 48], [-76, -32, 22], [-78, -31, -6], [-90, -36, -26]], 9.0, 4.2),
        ([[62, -42, 48], [71, -40, 24], [71, -38, 2], [64, -44, -15]], 8.5, 4.2),
        ([[70, -22, 44], [77, -21, 16], [74, -20, -12], [68, -27, -32]], 8.5, 4.2),
        ([[-70, 30, -10], [-76, 36, -38], [-82, 40, -60], [-98, 44, -72]], 10.5, 5.0),
        ([[-46, 58, -20], [-56, 64, -46], [-68, 68, -66], [-86, 72, -76]], 10.5, 5.0),
        ([[70, 32, -12], [72, 36, -38], [66, 40, -60], [54, 44, -72]], 10.5, 5.0),
        ([[40, 62, -20], [38, 68, -46], [28, 70, -66], [12, 74, -76]], 10.5, 5.0),
        ([[-6, 72, -20], [-14, 76, -46], [-26, 76, -64], [-42, 78, -74]], 10.5, 5.0),
        ([[16, 72, -14], [14, 76, -40], [2, 77, -62], [-14, 78, -74]], 10.5, 5.0),
    )
    for n, (pts, r0, r1) in enumerate(locks):
        items += _lock(pts, r0, r1, 300 + n)
    return items


def _brim() -> Item:
    """The brim: turned up in front, long and drooping behind, with a rolled edge."""

    def fn(P: np.ndarray) -> np.ndarray:
        x, y, z = P[0], P[1] - np.float32(4.0), P[2]
        rho = np.hypot(x, y)
        phi = np.arctan2(x, -y)
        front = np.float32(0.5) + np.float32(0.5) * np.cos(phi)
        back = 1.0 - front
        out = np.maximum(rho - np.float32(80.0), 0.0)
        reach = (
            np.float32(104.0)
            + np.float32(1.0) * front**4
            + np.float32(15.0) * back**1.6
            + np.float32(2.0) * np.cos(phi * 4 + np.float32(0.6))
        )
        rise = np.float32(0.95) * front ** np.float32(2.2) - np.float32(1.10) * back
        sheet = (
            np.float32(40.0)
            + np.float32(10.0) * front**2
            - np.float32(11.0) * back
            + rise * out
            - np.float32(0.010) * back * out * out
            + np.float32(0.14) * np.sin(phi * 5 + np.float32(1.0)) * out
        )
        slope = rise - np.float32(0.020) * back * out
        tilt = np.sqrt(1.0 + slope * slope)
        h = (z - sheet) / tilt
        edge = (rho - reach) * tilt
        thick = np.float32(4.9) + np.float32(3.9) * back
        plate = smax(np.abs(h) - thick, edge, 4.0)
        bead = np.hypot(edge, h) - thick - np.float32(1.1)
        return smin(plate, bead, 3.0) * np.float32(0.62)

    return boxed(fn, [-128, -122, -60], [128, 138, 90], 6.0)


def _crown() -> Item:
    """The hat's soft dome of six stitched panels with a band above the brim."""

    def fn(P: np.ndarray) -> np.ndarray:
        x, y, z = P[0], P[1] - np.float32(4.0), P[2] - np.float32(38.0)
        phi = np.arctan2(x, -y)
        q = np.stack([x / np.float32(84.0), y / np.float32(90.0), z / np.float32(76.0)])
        n = np.sqrt((q * q).sum(axis=0))
        puff = np.float32(3.6) * np.sqrt(np.cos(phi * 3.0) ** 2 + np.float32(0.012))
        dent = fbm(P, 64.0, 2, 12.0) * np.float32(3.4)
        high = step(0.15, 0.5, q[2]) * step(1.02, 0.82, q[2])
        return (n - 1.0) * np.float32(82.0) - (puff + dent) * high

    dome = boxed(fn, [-92, -96, -20], [92, 104, 122], 3.0)
    band = boxed(_band, [-100, -100, 30], [100, 110, 80], 2.5)
    button = ellipsoid([0, 4, 114], [12, 12, 7], 3.0)
    return group([dome, band, button], 4.0)


def _band(P: np.ndarray) -> np.ndarray:
    """A strip around the foot of the dome."""
    x, y, z = P[0], P[1] - np.float32(4.0), P[2] - np.float32(38.0)
    q = np.stack([x / np.float32(84.0), y / np.float32(90.0), z / np.float32(76.0)])
    front = np.float32(0.5) + np.float32(0.5) * np.cos(np.arctan2(x, -y))
    level = np.float32(14.0) + np.float32(14.0) * front**2
    shell = (np.sqrt((q * q).sum(axis=0)) - 1.0) * np.float32(82.0)
    return smax(shell - np.float32(4.0), np.abs(z - level) - np.float32(8.0), 2.5)


def head() -> Item:
    """The whole head with hat, placed in figure coordinates (mm)."""
    face = [*_skull(), *_nose(), *_mouth()]
    for s in (-1, 1):
        face += [*_eye(s), *_ear(s)]
    flesh = group(face)
    hair = group(_hair(), 1.5)
    hat = group([_crown(), _brim()], 2.0)
    neck = tube([[0, 14, -66], [-4, 18, -130]], [44, 46], 16)
    local = group([flesh, neck, hair, hat])
    return placed(local, ORIGIN, TURN, 2.0, SCALE)


def point(x: float, y: float, z: float) -> np.ndarray:
    """Return the figure position (3,) in mm of a point given in head coordinates."""
    return TURN.astype(np.float64) @ np.array([x, y, z]) * SCALE + np.array(ORIGIN)
