"""Where on the figure the test points: places in its box as seen from the front."""

from dataclasses import dataclass

from panel import state

HEIGHT = 320.0
"""Height of the figure as `figure.py` makes it, Blender units."""
TALL = 300.0
"""Height the figure is to be printed at, mm."""


@dataclass(frozen=True)
class Places:
    """Each is (across, up) in shares of the figure's box from its lower left, or two such.

    body : on the figure; ring : what a line seam goes round.
    limb : a stroke across one limb, free of all else on both sides.
    legs : another stroke, across what holds on to the ground.
    moved : how far the limb's seam is moved up, as a share of the height.
    """

    body: tuple[float, float]
    ring: tuple[float, float]
    limb: tuple[float, float, float, float]
    legs: tuple[float, float, float, float]
    moved: float


SMALL = Places(
    (0.5, 0.62), (0.5, 0.83), (0.815, 0.5, 1.015, 0.5), (0.2, 0.1, 0.46, 0.1), moved=0.02
)
"""On the figure of `figure.py`: a hand, and one foot."""
KEEPER = Places(
    (0.5, 0.62), (0.84, 0.36), (0.77, 0.78, 0.99, 0.78), (0.2, 0.16, 0.92, 0.16), moved=0.02
)
"""On that of `scripts/demo.py`: the lantern, both legs with the staff, and the staff between."""

_chosen = [SMALL]


def choose(some):
    """Point at these places from now on."""
    _chosen[:] = [some]


def places():
    """The places that are pointed at."""
    return _chosen[0]


def at(u, v, name="Figure"):
    """A place on the window, from a place in an object's box as seen from the front."""
    points = state()["points"][name]
    (left, foot), (right, head) = points["low"], points["high"]
    return (left + u * (right - left), foot + v * (head - foot))
