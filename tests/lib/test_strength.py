"""Strength: loads that balance, safe stresses, verdicts that follow, and remedies that hold."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import manifold3d
import numpy as np
import pytest

from seamwright.__main__ import main
from seamwright.choice import PLAIN
from seamwright.errors import BadInput
from seamwright.files import write_stl
from seamwright.footprint import d_shape, square
from seamwright.frame import Frame
from seamwright.interface import Interface, Seat, interfaces
from seamwright.job import job_from_toml, job_to_toml
from seamwright.joint import Joint, Peg
from seamwright.loads import GRAVITY, Load, afloat, loads, weight, weights
from seamwright.mesh import Mesh
from seamwright.moments import eroded
from seamwright.outline import Region
from seamwright.pieces import Piece, take_apart
from seamwright.printer import MATERIALS, PrinterProfile, printer
from seamwright.seam import Reach, Seam
from seamwright.shapes import box, moved, sphere
from seamwright.sizing import joints
from seamwright.strength import Strength, strengths, summary, warnings
from seamwright.stress import Mode, Stresses, judged

SOLID = PrinterProfile(infill=1.0)
LIB = str(Path(__file__).resolve().parents[2] / "lib")
PLAIN_SQUARE = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])


def union(*parts: Mesh) -> Mesh:
    whole = manifold3d.Manifold()
    for part in parts:
        vertices, faces = np.array(part.vertices), np.array(part.faces, dtype=np.uint64)
        whole += manifold3d.Manifold(manifold3d.Mesh64(vertices, faces))
    out = whole.to_mesh64()
    return Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))


def gallows(arm: float = 300.0) -> Mesh:
    """A post 60 × 60 × 300 with an arm 40 × 40 at its top, `arm` mm long beyond it."""
    return union(box(60, 60, 300), box(arm + 60, 40, 40, (0, 10, 260)))


ARM = Seam(1, "arm", (60.0, 0.0, 0.0), (1.0, 0.0, 0.0))


def jointed_up(
    figure: Mesh, profile: PrinterProfile, *seams: Seam
) -> tuple[tuple[Piece, ...], tuple[Joint, ...]]:
    pieces = take_apart(figure, seams)
    return pieces, joints(pieces, interfaces(pieces, seams), profile)


def of(figure: Mesh, profile: PrinterProfile, *seams: Seam) -> tuple[Strength, ...]:
    pieces, made = jointed_up(figure, profile, *seams)
    return strengths(pieces, made, weights(pieces, profile), profile)


# --- a joint made up ------------------------------------------------------------------------


def joint(*outlines: np.ndarray, side: float = 100.0, depth: float = 25.0) -> Joint:
    """Two boxes one on the other, their face a square, with pegs of these outlines."""
    seam = Seam(1, "seam", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    region = Region((side * PLAIN_SQUARE,), (np.arange(4),))
    frame = Frame.on_plane((0, 0, 0), (0, 0, 1))
    face = Interface(seam, 1, 2, frame, side**2, np.zeros(3), Seat(None, None, region))
    pegs = tuple(Peg("square", o, float(np.ptp(o[:, 0])), depth, 5.0) for o in outlines)
    return Joint("A", face, pegs, "A", 0.2, 0.8, 1.0, 1.0, "")


def load(force=(0, 0, 0), moment=(0, 0, 0)) -> Load:
    return Load(np.array(force, float), np.array(moment, float), np.zeros(3), np.eye(3), ())


def mode(modes: tuple[Mode, ...], where: str) -> Mode:
    return max((m for m in modes if m.where == where), key=lambda m: m.stress)


# --- loads ----------------------------------------------------------------------------------


def test_an_arm_hangs_on_its_joint_by_its_mass_and_lever():
    (arm,) = of(gallows(), SOLID, ARM)
    # Without the peg or socket it may have, the arm is 300 × 40 × 40 mm of 1.24 g/cm³.
    assert arm.load.carried == pytest.approx(300 * 1.6 * 1.24, rel=0.02)
    assert arm.load.lever == pytest.approx(150, rel=0.02)
    newtons = arm.load.carried / 1000 * GRAVITY
    assert abs(arm.load.axial) < 1e-9 * newtons
    assert np.hypot(*arm.load.shear) == pytest.approx(newtons)
    assert np.hypot(*arm.load.bending) == pytest.approx(newtons * arm.load.lever)
    assert abs(arm.load.torsion) < 1e-6 * newtons * arm.load.lever
    assert arm.load.outboard == (2,)


def test_an_arm_to_the_side_twists_the_joint_above_the_elbow():
    figure = union(gallows(), box(40, 300, 40, (320, 10, 260)))
    pieces, made = jointed_up(figure, SOLID, ARM)
    (found,) = loads(pieces, made, weights(pieces, SOLID), SOLID)
    whole = weight(pieces[1].mesh, SOLID)
    arm = whole.centre - found.centre
    # What the joint gives must undo what the weight does.
    np.testing.assert_allclose(found.force, [0, 0, whole.newtons], atol=1e-9)
    np.testing.assert_allclose(found.moment, np.cross(arm, found.force), rtol=1e-9, atol=1e-6)
    assert abs(found.torsion) == pytest.approx(whole.newtons * abs(arm[1]), rel=1e-6)
    assert np.hypot(*found.bending) == pytest.approx(whole.newtons * arm[0], rel=1e-6)


def ring() -> tuple[Mesh, tuple[Seam, ...]]:
    """A gate: two posts and a beam that hang together in three places."""
    figure = union(
        box(60, 60, 300), box(40, 60, 300, (260, 0, 0)), box(300, 60, 60, (0, 0, 240)),
        box(300, 30, 30, (0, 10, 100)),
    )  # fmt: skip
    seams = (
        Seam(1, "posts", (0.0, 0.0, 200.0), (0.1, 0.05, 1.0)),
        Seam(2, "rail", (150.0, 0.0, 115.0), (1.0, 0.0, 0.0), Reach("nearest", ((150, 25, 115),))),
        Seam(3, "beam", (170.0, 0.0, 0.0), (1.0, 0.2, 0.1), Reach("nearest", ((170, 30, 270),))),
    )
    return figure, seams


@pytest.mark.parametrize("infill", [0.0, 0.3, 1.0])
def test_every_piece_off_the_ground_is_in_balance(infill):
    profile = replace(SOLID, infill=infill)
    pieces, made = jointed_up(ring()[0], profile, *ring()[1])
    masses = weights(pieces, profile)
    found = loads(pieces, made, masses, profile)
    assert len(pieces) == 4 and len(made) == 4
    assert all(load.outboard == () for load in found)
    off_ground = [p for p in pieces if p.mesh.bounds[0, 2] > 1]
    assert len(off_ground) == 2
    for piece in off_ground:
        force = np.array([0.0, 0.0, -masses[piece.id].newtons])
        moment = np.zeros(3)
        for j, got in zip(made, found, strict=True):
            if piece.id in (j.interface.piece_a, j.interface.piece_b):
                sign = 1.0 if piece.id == j.interface.piece_a else -1.0
                force += sign * got.force
                moment += sign * got.moment
                moment += np.cross(got.centre - masses[piece.id].centre, sign * got.force)
        assert np.abs(force).max() < 1e-6 and np.abs(moment).max() < 1e-4


def test_what_stands_the_same_way_is_loaded_the_same_wherever_it_stands():
    here = of(ring()[0], SOLID, *ring()[1])
    shift = (4000.0, -70.0, 900.0)
    seams = tuple(
        replace(
            s, point=tuple(np.add(s.point, shift)),
            reach=replace(s.reach, points=tuple(tuple(np.add(p, shift)) for p in s.reach.points)),
        )
        for s in ring()[1]
    )  # fmt: skip
    there = of(moved(ring()[0], shift), SOLID, *seams)
    for a, b in zip(here, there, strict=True):
        np.testing.assert_allclose(a.load.force, b.load.force, rtol=1e-4, atol=1e-6)
        # Pegs are placed on a grid of their own, so only nearly the same.
        assert a.factor == pytest.approx(b.factor, rel=0.1)


def test_twice_the_figure_is_under_twice_the_stress():
    # Weight goes with the cube, lever with the size, modulus with the cube: square over cube.
    pieces, made = jointed_up(gallows(), SOLID, ARM)
    masses = weights(pieces, SOLID)
    (small,) = strengths(pieces, made, masses, SOLID)
    face = made[0].interface
    twice = replace(
        made[0],
        interface=replace(
            face, area=4 * face.area, centre=2 * face.centre,
            frame=Frame(2 * face.frame.origin, face.frame.axes),
            seat=Seat(None, None, Region(tuple(2 * x for x in face.region.loops), ())),
        ),
        pegs=tuple(
            replace(p, outline=2 * p.outline, depth=2 * p.depth, groove=2 * p.groove)
            for p in made[0].pegs
        ),
        lead_in=2 * made[0].lead_in,
    )  # fmt: skip
    double = tuple(Piece(p.id, p.mesh.scaled(2)) for p in pieces)
    (large,) = strengths(double, (twice,), weights(double, SOLID), SOLID)
    assert large.stresses.combined == pytest.approx(2 * small.stresses.combined, rel=1e-6)
    assert large.factor == pytest.approx(small.factor / 2, rel=1e-6)


def test_pieces_that_nothing_ties_to_the_ground_are_named():
    figure = Mesh.of(
        np.concatenate([box(50, 50, 50).vertices, moved(gallows(), (0, 0, 500)).vertices]),
        np.concatenate([box(50, 50, 50).faces, gallows().faces + 8]),
    )
    pieces, made = jointed_up(figure, SOLID, ARM)
    (hung,) = afloat(pieces, made)
    assert hung == made[0].interface.piece_b
    found = strengths(pieces, made, weights(pieces, SOLID), SOLID)
    assert found[0].load.lever == pytest.approx(150, rel=0.02)
    assert f"No joint ties piece {hung}" in warnings(found, (hung,))[0]
    assert afloat(*jointed_up(gallows(), SOLID, ARM)) == ()


# --- weights ----------------------------------------------------------------------------------


def test_weight_of_a_shell_and_its_infill():
    cube = box(100, 100, 100)
    profile = PrinterProfile(shell=1.5, infill=0.2, density=1.0)
    shell = 6 * 100**2 * 1.5
    assert weight(cube, profile).mass == pytest.approx((shell + 0.2 * (1e6 - shell)) / 1000)
    np.testing.assert_allclose(weight(cube, profile).centre, 50)
    # Never lighter than a cube with another cut out of it, nor heavier than a solid one.
    assert weight(cube, profile).mass > (1e6 - 0.8 * 97**3) / 1000
    assert weight(box(1, 1, 1), profile).mass == pytest.approx(1e-3)
    assert weight(cube.flipped(), profile).mass == pytest.approx(weight(cube, profile).mass)


def test_resin_is_solid_unless_it_is_hollowed():
    cube = box(40, 40, 40)
    assert weight(cube, printer("resin-218")).mass == pytest.approx(64 * 1.1)
    hollow = printer("resin-218", infill=0.0)
    assert weight(cube, hollow).mass == pytest.approx(6 * 1600 * 2 * 1.1e-3)


def test_nothing_weighs_nothing():
    sheet = Mesh.of([[0, 0, 0], [9, 0, 0], [9, 9, 0]], [[0, 1, 2], [0, 2, 1]])
    assert weight(sheet, SOLID).mass == 0
    np.testing.assert_allclose(weight(sheet, SOLID).centre, [6, 3, 0])


# --- stresses ----------------------------------------------------------------------------------


def test_weight_within_the_core_leaves_the_pegs_alone():
    # The core of a square reaches a sixth of its side from its middle.
    for off, peg_bends in ((16.0, False), (17.0, True), (40.0, True)):
        stresses, modes = judged(
            joint(20 * PLAIN_SQUARE), load((0, 0, 60), (0, -60 * off, 0)), SOLID
        )
        assert (stresses.bending > 0) is peg_bends
        assert mode(modes, "face pressed shut").stress > 0
    # At the core's edge the pressure is twice the mean on one side and nothing on the other.
    _, modes = judged(joint(20 * PLAIN_SQUARE), load((0, 0, 60), (0, -60 * 100 / 6, 0)), SOLID)
    assert mode(modes, "face pressed shut").stress == pytest.approx(2 * 60 / 100**2)


def test_what_the_face_takes_and_what_the_pegs_take_make_up_the_whole():
    moment = 60 * 40.0
    stresses, _ = judged(joint(20 * PLAIN_SQUARE), load((0, 0, 60), (0, moment, 0)), SOLID)
    left = moment - 60 * 100 / 6
    assert stresses.bending == pytest.approx(left / (20**3 / 6))


def test_a_pull_off_the_pegs_middle_bends_them():
    peg = 20 * PLAIN_SQUARE + [30, 0]
    stresses, modes = judged(joint(peg), load((0, 0, -80)), SOLID)
    assert stresses.direct == pytest.approx(80 / 400)
    assert stresses.bending == pytest.approx(80 * 30 / (20**3 / 6))
    assert mode(modes, "glue in the socket").stress == pytest.approx(80 / (80 * 24))
    straight, _ = judged(joint(20 * PLAIN_SQUARE), load((0, 0, -80)), SOLID)
    assert straight.bending == 0
    # A moment that puts the pull in line with the peg takes the bending away again.
    balanced, _ = judged(joint(peg), load((0, 0, -80), (0, 80 * 30, 0)), SOLID)
    assert balanced.bending == pytest.approx(0, abs=1e-9)


def test_shear_beside_the_pegs_twists_them():
    peg = 20 * PLAIN_SQUARE + [30, 0]
    beside, _ = judged(joint(peg), load((0, 80, 0)), SOLID)
    through, _ = judged(joint(peg), load((0, 80, 0), (0, 0, 80 * 30)), SOLID)
    assert beside.shear == through.shear == pytest.approx(1.5 * 80 / 400)
    assert beside.torsion > 0 and through.torsion == pytest.approx(0, abs=1e-12)


def test_two_pegs_apart_bend_as_one_section_only_if_they_are_glued():
    pair = joint(20 * PLAIN_SQUARE - [40, 0], 20 * PLAIN_SQUARE + [40, 0])
    bent = load(moment=(0, 9000, 0))
    glued, _ = judged(pair, bent, SOLID)
    second = 2 * (20**4 / 12 + 400 * 40**2)
    assert glued.bending == pytest.approx(9000 * 50 / second)
    dry, modes = judged(pair, bent, replace(SOLID, glue=0.0))
    assert dry.bending == pytest.approx(9000 * 10 / (2 * 20**4 / 12))
    assert not [m for m in modes if m.where == "glue in the socket"]


def test_a_hollow_peg_is_weaker_and_a_thick_shell_is_solid():
    bent = load((0, 30, 0), (9000, 0, 500))
    solid, _ = judged(joint(square(20.0)), bent, SOLID)
    hollow, _ = judged(joint(square(20.0)), bent, PrinterProfile())
    thick, _ = judged(joint(square(20.0)), bent, PrinterProfile(shell=10.0))
    for name in ("bending", "shear", "torsion"):
        assert getattr(hollow, name) > 1.2 * getattr(solid, name)
        assert getattr(thick, name) == pytest.approx(getattr(solid, name))


@pytest.mark.parametrize("shell", np.linspace(0.2, 12, 30))
@pytest.mark.parametrize("outline", [square(20.0), 4 * d_shape(5.0)], ids=["square", "D"])
def test_eroding_leaves_what_is_deep_enough(outline, shell):
    left = eroded(outline, float(shell))
    points = np.random.default_rng(4).uniform(-11, 11, (4000, 2))
    region = Region((outline,), (np.arange(len(outline)),))
    deep = region.contains(points) & (region.edge_distance(points) > shell)
    kept = (
        Region((left,), (np.arange(len(left)),)).contains(points) if len(left) > 2 else deep & False
    )
    assert (deep == kept).all()


def test_plain_joints_rest_by_weight_slide_or_need_glue():
    flat = joint()
    dry = replace(SOLID, glue=0.0)
    resting = (load((0, 0, 60)), load((10, 0, 60), (0, 300, 0)), load((0, 0, 60), (0, 0, 200)))
    for held in resting:
        stresses, modes = judged(flat, held, dry)
        assert stresses == Stresses() and [m.where for m in modes] == ["face pressed shut"]
    for fails in (load((0, 0, -10)), load((20, 0, 60)), load((0, 0, 60), (0, 60 * 20.0, 0)),
                  load((0, 0, 60), (0, 0, 1000)), load((9, 0, 60), (0, 0, 200))):  # fmt: skip
        _, modes = judged(flat, fails, dry)
        assert min(m.factor for m in modes) == 0
        _, modes = judged(flat, fails, replace(SOLID, glue=2.0))
        assert min(m.factor for m in modes) > 4


def test_von_mises_is_never_less_than_the_greatest_principal_stress():
    for pulled, sheared in np.random.default_rng(1).uniform(0, 9, (50, 2)):
        principal = pulled / 2 + np.hypot(pulled / 2, sheared)
        assert Stresses(pulled, 0.0, 0.0, sheared).combined >= principal


# --- verdicts and remedies ----------------------------------------------------------------------


HEAVY = PrinterProfile(infill=1.0, density=25.0, glue=8.0)


def test_a_weak_joint_says_what_would_make_it_hold():
    (weak,) = of(gallows(), HEAVY, ARM)
    assert not weak.holds and 0 < weak.factor < HEAVY.safety
    (said,) = warnings((weak,))
    assert said == weak.warning
    assert said.startswith("Joint A carries ") and "; it is weak. What would hold: " in said
    assert weak.allowable == pytest.approx(MATERIALS["PLA"].across / 4)
    assert weak.letter in summary((weak,)) and "0 of 1 joints" in summary((weak,))


def test_wider_and_deeper_pegs_that_are_named_do_hold():
    profile = replace(HEAVY, density=6.0)
    pieces, made = jointed_up(gallows(), profile, ARM)
    masses = weights(pieces, profile)
    thin = replace(made[0], pegs=tuple(
        replace(p, outline=square(6.0) + p.outline.mean(axis=0), width=6.0, depth=9.0)
        for p in made[0].pegs[:1]
    ))  # fmt: skip
    (weak,) = strengths(pieces, (thin,), masses, profile)
    wider = next(r for r in weak.remedies if r.startswith("a peg of"))
    width, deep = (float(x) for x in re.findall(r"[\d.]+(?= mm)", wider))
    assert 6.0 < width < 25.0
    for grown, holds in ((width, True), (width - 0.3, False)):
        outline = thin.pegs[0].outline.mean(axis=0) + square(grown)
        peg = replace(thin.pegs[0], outline=outline, depth=deep * grown / width)
        stronger = replace(thin, pegs=(peg,), lead_in=thin.lead_in * grown / 6.0)
        assert strengths(pieces, (stronger,), masses, profile)[0].holds is holds


def test_a_shallow_peg_presses_on_its_socket_and_a_deep_one_bends_at_its_root():
    bent = load((0, 20, 0), (2600, 0, 0))
    for depth, where in ((6.0, "socket wall"), (25.0, "peg root")):
        _, modes = judged(joint(14 * PLAIN_SQUARE, depth=depth), bent, SOLID)
        assert min(modes, key=lambda m: m.factor).where == where


def test_nothing_but_glue_is_asked_for_where_nobody_counts_on_any():
    dry = PrinterProfile(glue=0.0)
    hanging = union(
        box(200, 60, 60, (0, 0, 240)), box(60, 60, 300), box(40, 40, 150, (150, 10, 100))
    )
    seam = Seam(1, "drop", (0.0, 0.0, 200.0), (0.0, 0.0, 1.0), Reach("nearest", ((170, 30, 200),)))
    (weak,) = of(hanging, dry, seam)
    assert weak.factor == 0 and "needs glue" in weak.sentence
    assert len(weak.remedies) == 1 and "glue sure to bear 0.5 MPa" in weak.remedies[0]
    (strong,) = of(hanging, replace(dry, glue=0.5), seam)
    assert strong.holds
    (plain,) = of(hanging, dry, replace(seam, joint=PLAIN))
    assert any('joint = "auto"' in r for r in plain.remedies)


def test_what_is_hardly_stressed_says_so():
    tower = box(60, 60, 200)
    (found,) = of(tower, SOLID, Seam(1, "waist", (0.0, 0.0, 100.0), (0.0, 0.0, 1.0)))
    assert found.holds and found.load.outboard == (2,)
    none = Strength("A", load(), Stresses(), (), 4.0)
    assert none.holds and none.factor == np.inf and "hardly stressed" in none.sentence
    assert summary(()) == "no joints"


# --- through the command --------------------------------------------------------------------------


JOB = """seamwright = 1
name = "Gallows"
[figure]
file = "gallows.stl"
unit = "mm"
[printer]
build_volume = [400, 400, 400]
{printer}
[[seam]]
name = "arm"
point = [60, 0, 0]
normal = [1, 0, 0]
"""


def test_the_command_reports_strength_and_warns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_stl(gallows(), tmp_path / "gallows.stl", "gallows")
    job = tmp_path / "gallows.toml"
    job.write_text(JOB.format(printer="infill = 1\ndensity = 60"))
    assert main([str(job)]) == 0
    said = capsys.readouterr().out
    assert "  strength: 0 of 1 joints hold" in said and "  warning: Joint A carries" in said
    report = json.loads((tmp_path / "gallows-pieces" / "report.json").read_text(encoding="utf-8"))
    (found,) = report["joints"]
    assert found["strength"]["holds"] is False
    assert found["strength"]["factor"] < found["strength"]["wanted_factor"] == 4.0
    assert found["strength"]["remedies"]
    assert found["strength"]["outboard_pieces"] == [2]
    start = found["strength"]["said"].removesuffix(".")
    assert any(w.startswith(start) for w in report["warnings"])
    assert report["pieces"][1]["printed_mass_g"] == report["pieces"][1]["solid_mass_g"]
    job.write_text(JOB.format(printer=""))
    assert main([str(job), "--replace"]) == 0
    said = capsys.readouterr().out
    # It does fall over by itself, of which its stance warns; its joint holds.
    assert "  strength: 1 of 1 joints hold" in said and "warning: Joint" not in said
    report = json.loads((tmp_path / "gallows-pieces" / "report.json").read_text(encoding="utf-8"))
    assert report["pieces"][1]["printed_mass_g"] < 0.5 * report["pieces"][1]["solid_mass_g"]


def test_jobs_keep_what_is_printed_and_how():
    head = 'seamwright = 1\nname = "A"\n[printer]\n'
    job = job_from_toml(head + 'material = "PETG"\nshell = 2\ninfill = 0.3\nglue = 0\nsafety = 6')
    assert job.printer == printer(
        "filament-256", material="PETG", shell=2.0, infill=0.3, glue=0.0, safety=6.0
    )
    assert job_from_toml(job_to_toml(job)) == job
    for bad, says in (
        ('material = "cheese"', "PETG"), ("infill = 1.2", "0 to 1"), ("shell = 0", "above 0"),
        ("glue = -1", "0 or more"), ("safety = 0.5", "1 or more"), ("material = 3", "a text"),
    ):  # fmt: skip
        with pytest.raises(BadInput, match=says):
            job_from_toml(head + bad)


# --- the same on any number of threads ----------------------------------------------------------

WRITE = """
import sys
from pathlib import Path
from seamwright.job import read_job
from seamwright.results import write
from seamwright.run import load, make, prepare
job = read_job(Path("job.toml"))
result = make(prepare(*load(job, Path()), job), job)
write(result, Path(sys.argv[1]))
for each in result.strengths:
    print(each.load.force.tolist(), each.load.moment.tolist())
"""


def seams_toml(*seams: tuple[tuple[float, ...], tuple[float, ...]]) -> str:
    return "".join(
        f'[[seam]]\nname = "{k}"\npoint = {list(point)}\nnormal = {list(normal)}\n'
        f'joint = {{ kind = "plain" }}\n'
        for k, (point, normal) in enumerate(seams)
    )


MIDDLES = [((0.0, 0.0, 0.0), tuple(way)) for way in np.eye(3).tolist()]
RISING = [((0.0, 0.0, 25.0 * k), (0.02 * k % 0.3, 0.1, 1.0)) for k in range(1, 40)]


@pytest.mark.parametrize(
    ("figure", "seams"),
    [
        (Mesh(sphere(200).vertices * [0.6, 0.6, 1.0], sphere(200).faces, sphere(200).tag), MIDDLES),
        (box(60, 60, 1000), RISING),
    ],
    ids=["a symmetric figure, in rings", "a chain of forty pieces"],
)
def test_report_is_the_same_on_any_number_of_threads(tmp_path, figure, seams):
    write_stl(figure, tmp_path / "figure.stl", "figure")
    text = 'seamwright = 1\nname = "figure"\n[figure]\nfile = "figure.stl"\nunit = "mm"\n'
    (tmp_path / "job.toml").write_text(text + seams_toml(*seams), encoding="utf-8")
    reports, digits = [], []
    for threads in ("1", "4"):
        done = subprocess.run(
            [sys.executable, "-c", WRITE, threads],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": LIB, "OPENBLAS_NUM_THREADS": threads},
            capture_output=True,
            text=True,
            encoding="utf-8",
            check=True,
        )
        digits.append(done.stdout)
        reports.append((tmp_path / threads / "report.json").read_bytes())
    assert reports[0] == reports[1]
    # What is rounded there hides most; this is all there is.
    assert digits[0] == digits[1]
    assert len(json.loads(reports[0])["joints"]) >= 12


@pytest.mark.parametrize("count", [2, 40])
def test_a_chain_carries_what_stands_on_it_to_the_last_digit(count):
    # Equilibrium alone: the weight of all above, and its moments about the face.
    steps = [((0.0, 0.0, 25.0 * k), (0.02 * k % 0.3, 0.1, 1.0)) for k in range(1, count)]
    seams = tuple(Seam(k, f"{k}", *s, joint=PLAIN) for k, s in enumerate(steps, start=1))
    pieces, made = jointed_up(box(60, 60, 25.0 * count), SOLID, *seams)
    masses = weights(pieces, SOLID)
    for joint_, found in zip(made, loads(pieces, made, masses, SOLID), strict=True):
        above = [masses[n] for n in found.outboard]
        sign = 1 if joint_.interface.piece_a in found.outboard else -1
        force = sign * sum(m.newtons for m in above)
        arms = sum((m.newtons * (m.centre - found.centre) for m in above), np.zeros(3))
        np.testing.assert_allclose(found.force, [0, 0, force], rtol=1e-13, atol=0)
        moment = sign * np.array([arms[1], -arms[0], 0.0])
        np.testing.assert_allclose(found.moment, moment, rtol=0, atol=1e-11 * max(abs(arms)))
