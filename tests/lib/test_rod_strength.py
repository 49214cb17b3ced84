"""What rods and magnets do for a joint's strength.

Handbook values beside each: stresses in round bars and bearing pressure by statics.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from seamwright.choice import JointChoice
from seamwright.frame import Frame
from seamwright.interface import Interface, Seat
from seamwright.job import FigureChoice, Job
from seamwright.joint import Joint, Magnet, Peg
from seamwright.loads import Load
from seamwright.mesh import Mesh
from seamwright.outline import Region
from seamwright.printer import MATERIALS, PrinterProfile
from seamwright.rod import Rod
from seamwright.run import make, prepare
from seamwright.seam import Seam
from seamwright.shapes import box
from seamwright.stress import STEEL, Mode, judged, rodded

PROFILE = PrinterProfile(build_volume=(500.0, 500.0, 500.0))
SQUARE = 50 * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
PEG = Peg("square", SQUARE / 10, 10.0, 20.0, 5.0)


def joint(pegs: tuple[Peg, ...] = (), magnets: tuple[Magnet, ...] = ()) -> Joint:
    seam = Seam(1, "seam", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    frame = Frame.on_plane((0, 0, 0), (0, 0, 1))
    region = Region((SQUARE,), (np.arange(4),))
    face = Interface(seam, 1, 2, frame, 1e4, np.zeros(3), Seat(None, None, region))  # type: ignore[arg-type]
    return Joint("A", face, pegs, "A", 0.2, 0.8, 1.0, 1.0, "", magnets=magnets)


def load(force=(0, 0, 0), moment=(0, 0, 0)) -> Load:
    return Load(np.array(force, float), np.array(moment, float), np.zeros(3), np.eye(3), ())


def mode(modes: tuple[Mode, ...], where: str) -> Mode:
    (found,) = (m for m in modes if m.where == where)
    return found


@pytest.mark.parametrize("diameter", [4.0, 8.0, 12.0])
def test_a_rod_bends_as_a_round_bar_does(diameter):
    # Nothing presses the face shut, so all of the bending is the rod's.
    found = rodded(joint(), load(moment=(900.0, -1200.0, 0.0)), diameter, 60.0, PROFILE)
    assert found is not None
    # sigma = M / Z, Z = pi d³ / 32: Shigley, table A-18 (from memory); M = 1500.
    assert mode(found[1], "rod").stress == pytest.approx(1500 / (np.pi * diameter**3 / 32))
    assert mode(found[1], "rod").limit == STEEL
    # Pressure in a channel, evenly growing from one side to the other: 6 M / (d l²), statics.
    channel = mode(found[1], "rod's channel")
    assert channel.stress == pytest.approx(6 * 1500 / (diameter * 60.0**2))
    assert channel.limit == MATERIALS["PLA"].across


def test_a_rod_that_is_pulled_hangs_in_its_glue():
    # A pull is axial load above 0: side A is pulled up, so the joint pulls it down.
    found = rodded(joint(), load(force=(0, 0, -300.0)), 6.0, 50.0, PROFILE)
    assert found is not None
    glue = mode(found[1], "glue round the rod")
    assert glue.stress == pytest.approx(300 / (np.pi * 6 * 50)) and glue.limit == PROFILE.glue
    assert mode(found[1], "rod").stress == pytest.approx(300 / (np.pi * 9))


def test_one_rod_alone_holds_no_twist_but_pegs_beside_it_do():
    twisted = load(force=(40.0, 0, 0), moment=(0, 0, 8000.0))
    assert rodded(joint(), twisted, 8.0, 60.0, PROFILE) is None
    found = rodded(joint((PEG,)), twisted, 8.0, 60.0, PROFILE)
    assert found is not None
    alone = judged(joint((PEG,)), twisted, PROFILE)[1]
    assert mode(found[1], "peg root").stress == pytest.approx(mode(alone, "peg root").stress)


def test_a_rod_takes_the_bending_off_the_pegs():
    bent = load(moment=(20_000.0, 0.0, 0.0))
    pegs = judged(joint((PEG,)), bent, PROFILE)[1]
    with_rod = rodded(joint((PEG,)), bent, 12.0, 80.0, PROFILE)
    assert with_rod is not None
    assert min(m.factor for m in with_rod[1]) > 2 * min(m.factor for m in pegs)
    assert not [m for m in with_rod[1] if m.where == "peg root"]


def test_nothing_is_counted_on_magnets():
    held = joint(magnets=(Magnet(np.zeros(2), 10.0, 3.0, "A", 5.0),))
    hanging = judged(held, load(force=(0, 0, -5.0)), PROFILE)[1]
    assert mode(hanging, "magnets").limit == 0
    # Whatever the glue is like: a joint with magnets is to come apart.
    assert judged(held, load(force=(0, 0, -5.0)), replace(PROFILE, glue=9.0))[1] == hanging
    standing = judged(held, load(force=(0, 0, 5.0)), PROFILE)[1]
    assert [m.where for m in standing] == ["face pressed shut"]


def arm(rods: tuple[Rod, ...], choice: JointChoice) -> tuple[float, str]:
    """The factor of a beam's joint, and where it would give."""
    post, beam = box(60, 60, 300), box(440, 50, 50, (20.0, 5.0, 249.0))
    figure = Mesh.of(
        np.concatenate([post.vertices, beam.vertices]),
        np.concatenate([post.faces, beam.faces + len(post.vertices)]),
    )
    seam = Seam(1, "arm", (90.0, 0.0, 0.0), (1.0, 0.0, 0.0), joint=choice)
    job = Job("beam", FigureChoice(), PROFILE, (seam,), None, (), rods)
    result = make(prepare(figure, "mm", job), job)
    (strength,) = result.strengths
    assert strength.weakest is not None
    return strength.factor, strength.weakest.where


def test_a_rod_through_a_joint_is_reckoned_with():
    weak, _ = arm((), JointChoice(width=6.0))
    held, where = arm(
        (Rod("steel", (20.0, 30.0, 285.0), (220.0, 30.0, 285.0), 8.0),), JointChoice(width=6.0)
    )
    assert held > 2 * weak and where in ("rod", "rod's channel", "glue round the rod", "peg root")
