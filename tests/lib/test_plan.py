"""The plan: poses, builds, estimates and stance of a whole figure, as one."""

from __future__ import annotations

import csv
import io
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache, partial
from itertools import combinations

import manifold3d
import numpy as np
import pytest
import shapely

import seamwright.plan
from seamwright.build_choice import BuildChoice, Group, OtherPrinter
from seamwright.builds import item_of
from seamwright.choice import JointChoice
from seamwright.errors import BadInput, Cancelled, CheckFailed, Misfit
from seamwright.estimate import Estimate, on_one_build, one_after_another, quantities
from seamwright.estimate import estimate as estimated
from seamwright.job import FigureChoice, Job
from seamwright.loads import weight
from seamwright.mesh import Mesh
from seamwright.plan import STEEL, Plan, planned
from seamwright.platform import platform_of
from seamwright.pose import PARALLEL, poses
from seamwright.printer import PrinterProfile, printer
from seamwright.results import write
from seamwright.rod import Rod
from seamwright.run import Result, make, prepare
from seamwright.seam import Seam
from seamwright.shapes import box, revolved

SMALL = printer("filament-180")
LARGE = printer("filament-300", layer_height=0.3, infill=0.3)
UP = (0.0, 0.0, 1.0)
LOOSE = JointChoice("loose pegs")


@pytest.fixture(autouse=True)
def few_poses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Judge few poses of each piece, which is quicker; how they are judged is tested elsewhere."""
    monkeypatch.setattr(seamwright.plan, "poses", partial(poses, count=1))


def one_sentence(error: pytest.ExceptionInfo[Exception]) -> str:
    text = str(error.value)
    assert text.endswith(".") and ". " not in text and "\n" not in text
    return text


def union(*parts: Mesh) -> Mesh:
    solids = [
        manifold3d.Manifold(
            manifold3d.Mesh64(np.ascontiguousarray(m.vertices), m.faces.astype(np.uint64))
        )
        for m in parts
    ]
    out = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add).to_mesh64()
    return Mesh.of(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts))


def leaning_limb() -> Mesh:
    """A square bar set on edge, 100 mm long, that leaves (20, 30, 130) slanting up."""
    bar = box(100, 24, 24, (-10, -12, -12)).vertices
    about_x = np.array([[1, 0, 0], [0, 0.8, -0.6], [0, 0.6, 0.8]])
    about_y = np.array([[0.8, 0, -0.6], [0, 1, 0], [0.6, 0, 0.8]])
    return Mesh(bar @ about_x.T @ about_y.T + [30.0, 30.0, 130.0], box(1, 1, 1).faces, np.zeros(12))


def cone(tip_down: bool) -> Mesh:
    radius = np.array([0.0, 40.0, 0.0]) if tip_down else np.array([0.0, 40.0, 40.0])
    return revolved(radius, np.array([0.0, 70.0, 120.0]), 24)


FIGURES = {
    "cross": lambda: union(box(80, 60, 200), box(160, 30, 30, (-40, 15, 150))),
    "post": lambda: box(60, 60, 120),
    "tall": lambda: box(80, 80, 300),
    "giant": lambda: box(80, 80, 700),
    "limb": lambda: union(box(60, 60, 150), leaning_limb()),
    "top": lambda: cone(tip_down=True),
}
WAIST = Seam(1, "waist", (40.0, 30.0, 90.0), UP)
SEAMS = {
    "cross": (
        replace(WAIST, joint=LOOSE),
        Seam(2, "left", (-2.0, 30.0, 165.0), (1.0, 0.0, 0.0)),
        Seam(3, "right", (82.0, 30.0, 165.0), (1.0, 0.0, 0.0)),
    ),
    "post": (Seam(1, "waist", (30.0, 30.0, 60.0), UP),),
    "tall": (Seam(1, "waist", (40.0, 40.0, 60.0), UP),),
    "giant": (Seam(1, "waist", (40.0, 40.0, 60.0), UP),),
    "limb": (Seam(1, "shoulder", (75.0, 30.0, 163.75), (0.8, 0.0, 0.6)),),
    "top": (Seam(1, "waist", (0.0, 0.0, 70.0), UP),),
}


@cache
def made(
    name: str,
    builds: BuildChoice | None = None,
    profile: PrinterProfile = SMALL,
    rods: tuple[Rod, ...] = (),
) -> Result:
    job = Job(name, FigureChoice(), profile, SEAMS[name], rods=rods, builds=builds or BuildChoice())
    return make(prepare(FIGURES[name](), "mm", job), job)


PLANS: dict[tuple[object, ...], Plan] = {}


def plan_of(name: str, *more: object) -> Plan:
    """The plan of a figure as `made`, made once."""
    key = (name, *more)
    if key not in PLANS:
        PLANS[key] = planned(made(name, *more))
    return PLANS[key]


def outlines(plan: Plan, build_number: int) -> list[shapely.Geometry]:
    """The silhouettes of a build's parts where they stand."""
    (build,) = (b for b in plan.packing.builds if b.number == build_number)
    found = []
    for placed in build.placed:
        whole = shapely.Polygon()
        for loop in placed.outline(plan.items[placed.item]):
            whole = whole.symmetric_difference(shapely.Polygon(loop))
        found.append(whole)
    return found


# --- every part on a build ----------------------------------------------------------------------


def test_every_part_stands_on_one_build_inside_the_platform():
    result, plan = made("cross"), plan_of("cross")
    assert [p.number for p in plan.parts] == [1, 2, 3, 4, 5]
    lying = sorted(p.item for b in plan.packing.builds for p in b.placed)
    assert lying == [1, 2, 3, 4, 5]
    assert plan.build_of == dict.fromkeys(lying, 1)
    x, y, z = platform_of(result.job.printer).size
    of = {p.number: p for p in plan.parts}
    for placed in plan.packing.builds[0].placed:
        part = of[placed.item]
        there = placed.transform(part.mesh, part.rotation)
        points = part.mesh.vertices @ there[:3] + there[3]
        assert points.min() >= -1e-6 and (points <= [x + 1e-6, y + 1e-6, z + 1e-6]).all()
        assert points[:, 2].min() == pytest.approx(0, abs=1e-9)
        # A proper turn of the pose: no length changes, and up in the pose is up on the platform.
        assert np.linalg.det(there[:3]) == pytest.approx(1)
        assert there[:3].T[2] == pytest.approx(part.rotation[2])
    for a, b in combinations(outlines(plan, 1), 2):
        assert a.distance(b) >= 5.0 - 1e-6
    assert plan.checks[0].found == "4 pieces on 1 build"


def test_a_piece_lies_as_its_best_pose_says():
    result, plan = made("cross"), plan_of("cross")
    for piece, part in zip(result.pieces, plan.parts, strict=False):
        assert part.name == piece.name and part.mesh is piece.mesh
        assert part.rotation is part.pose.rotation and part.pose.fits
        assert np.ptp(piece.mesh.vertices @ part.rotation[2]) == pytest.approx(
            part.pose.terms.height
        )
        assert plan.items[part.number].height == pytest.approx(part.pose.terms.height)
        assert plan.items[part.number].mass == pytest.approx(result.weights[piece.id].mass)


def test_loose_pegs_come_after_the_pieces_and_lie_down():
    result, plan = made("cross"), plan_of("cross")
    peg = plan.parts[-1]
    (loose,) = result.loose
    assert (peg.number, peg.name, peg.pose) == (5, "loose peg A", None)
    assert peg.mesh is loose.mesh
    assert np.ptp(peg.mesh.vertices @ peg.rotation[2]) == pytest.approx(loose.laid.size[2])
    assert loose.laid.size[2] < loose.length
    assert plan.build_of[5] == 1
    assert peg.estimate.material_g == pytest.approx(weight(peg.mesh, SMALL).mass)
    # Where it is put in is where assembly needs it, with the pieces of its joint.
    first = [n for n, s in enumerate(result.order.steps, start=1) if "A" in s.joints]
    assert plan.items[5].needed == first[0]
    assert min(plan.items[n].needed for n in (1, 2)) <= first[0]


def test_the_same_plan_each_time_and_side_by_side():
    result, plan = made("cross"), plan_of("cross")
    with ProcessPoolExecutor(2) as executor:
        beside = planned(result, executor=executor)
    for other in (planned(result), beside):
        assert other.table() == plan.table() and other.lines() == plan.lines()
        for a, b in zip(plan.parts, other.parts, strict=True):
            assert np.array_equal(a.rotation, b.rotation) and a.quantities == b.quantities
        assert other.packing == plan.packing and other.estimates == plan.estimates


def test_the_table_has_a_line_for_each_part_and_places_on_the_platform():
    plan = plan_of("cross")
    rows = list(csv.DictReader(io.StringIO(plan.table(), newline="")))
    assert [r["part"] for r in rows] == [
        plan.parts[p.item - 1].name for p in plan.packing.builds[0].placed
    ]
    assert {r["printer"] for r in rows} == {"filament-180"}
    for row, outline in zip(rows, outlines(plan, 1), strict=True):
        x0, y0, x1, y1 = outline.bounds
        middle = [(x0 + x1) / 2, (y0 + y1) / 2]
        assert [float(row["x_mm"]), float(row["y_mm"])] == pytest.approx(middle, abs=1e-3)


def test_progress_grows_and_can_cancel():
    told: list[tuple[float, str]] = []
    planned(made("post"), progress=lambda done, what: told.append((done, what)))
    amounts = [done for done, _ in told]
    assert amounts == sorted(amounts) and amounts[0] >= 0 and amounts[-1] <= 1
    assert {"choosing poses", "packing builds"} <= {what for _, what in told}

    def stop(_done: float, what: str) -> None:
        if what == "packing builds":
            raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        planned(made("post"), progress=stop)


def test_every_pose_that_is_judged_is_told_of():
    told: list[str] = []
    result = made("post")
    plan = planned(result, progress=lambda _, what: told.append(what))
    assert told.count("drawing silhouettes") == len(plan.parts)
    assert told.count("estimating parts") == len(result.pieces) + len(plan.parts)
    for piece in result.pieces:
        shares: list[float] = []
        found = poses(piece.mesh, result.job.printer, told=shares.append)
        assert shares == sorted(shares) and shares[0] == 0 and shares[-1] < 1
        # Four words while it is made ready, then one for each pose.
        assert len(shares) == 4 + len(found)
        assert told.count(f"choosing the pose of piece {piece.id}") > 5


# --- choices ------------------------------------------------------------------------------------


def test_groups_never_share_a_build():
    groups = (Group("gold", (3, 4)), Group("grey", (1,)))
    plan = plan_of("cross", BuildChoice(groups=groups))
    held = {b.group: {p.item for p in b.placed} for b in plan.packing.builds}
    assert held == {"gold": {3, 4}, "grey": {1}, "": {2, 5}}
    assert len(plan.estimates) == len(plan.packing.builds) == 3
    # Printed in the order in which assembly wants them.
    firsts = [min(plan.items[p.item].needed for p in b.placed) for b in plan.packing.builds]
    assert firsts == sorted(firsts)
    assert [b.number for b in plan.packing.builds] == [1, 2, 3]


def test_a_loose_peg_can_be_kept_apart_by_its_number():
    plan = plan_of("cross", BuildChoice(groups=(Group("strong", (5,)),)))
    held = {b.group: {p.item for p in b.placed} for b in plan.packing.builds}
    assert held == {"strong": {5}, "": {1, 2, 3, 4}}


def test_a_piece_too_large_for_one_printer_goes_to_the_other():
    builds = BuildChoice(printers=(OtherPrinter(LARGE),))
    with pytest.raises(CheckFailed, match="1 of 2 pieces do not fit filament-180"):
        made("tall")
    result, plan = made("tall", builds), plan_of("tall", builds)
    (fits,) = (c.found for c in result.checks if c.name == "fit")
    assert fits.startswith("2 pieces fit 174 × 174 × 177 mm or 294 × 294 × 297 mm: ")
    where = {p.item: b.printer for b in plan.packing.builds for p in b.placed}
    assert where[2] == "filament-300"
    assert {p.name for p in plan.printers} == {"filament-180", "filament-300"}
    # Estimated with the layers and infill of the printer that it goes to.
    long = plan.parts[1]
    own = quantities(
        long.mesh, LARGE, height=long.pose.terms.height,
        support=1000 * long.pose.terms.support, pegs=long.quantities.pegs,
    )  # fmt: skip
    assert long.quantities == own and long.estimate == estimated(own, LARGE)
    assert own.layers == int(np.ceil(long.pose.terms.height / 0.3 - 1e-6))
    # And the job's own clearance, whatever the other printer's is.
    assert {j.clearance for j in result.joints} == {SMALL.clearance}


def test_the_own_printer_takes_what_fits_it_where_the_other_is_no_larger():
    twin = replace(SMALL, name="twin")
    plan = plan_of("post", BuildChoice(printers=(OtherPrinter(twin, 2),)))
    assert {b.printer for b in plan.packing.builds} == {"filament-180"}


def test_what_fits_no_printer_names_them_all():
    with pytest.raises(CheckFailed) as error:
        made("giant", BuildChoice(printers=(OtherPrinter(LARGE),)))
    text = str(error.value)
    assert text.startswith(
        "1 of 2 pieces do not fit filament-180, which has 174 × 174 × 177 mm inside its margins, "
        "nor filament-300, which has 294 × 294 × 297 mm inside its margins: piece 2 misses by "
    )
    # What it misses by, and what would cure it, is of the printer that comes nearest.
    assert float(text.split("misses by ")[1].split(" mm", maxsplit=1)[0]) < 640 - 294 + 1
    assert "seam" in text and "\n" not in text


def test_misfits_can_be_looked_at_but_neither_planned_nor_written(tmp_path):
    job = Job("giant", FigureChoice(), SMALL, SEAMS["giant"])
    figure = prepare(FIGURES["giant"](), "mm", job)
    with pytest.raises(Misfit) as refused:
        make(figure, job)
    result = make(figure, job, keep_misfits=True)
    assert str(result.misfit) == str(refused.value)
    assert set(result.misfit.pieces) == {2} and len(result.pieces) == 2
    assert result.misfit.pieces[2] in str(refused.value)
    assert "fit" not in {check.name for check in result.checks} and len(result.checks) == 4
    with pytest.raises(Misfit, match="1 of 2 pieces do not fit filament-180"):
        planned(result)
    with pytest.raises(Misfit, match="1 of 2 pieces do not fit filament-180"):
        write(result, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    well = Job("post", FigureChoice(), SMALL, SEAMS["post"])
    fitting = make(prepare(FIGURES["post"](), "mm", well), well, keep_misfits=True)
    assert fitting.misfit is None and {c.name for c in fitting.checks} > {"fit"}


def test_pegs_that_only_fit_the_other_printer_stay():
    """A peg that makes a piece too tall for its printer is no trouble if another takes it."""
    own = replace(SMALL, build_volume=(66.0, 66.0, 66.0), wall=2.0)
    high = replace(own, name="high", build_volume=(66.0, 66.0, 120.0))
    both = BuildChoice(printers=(OtherPrinter(high),))
    (joint,) = made("post", both, own).joints
    assert joint.pegs
    sizes = [p.mesh.size[2] for p in made("post", both, own).pieces]
    assert max(sizes) > own.usable[2] >= min(sizes)


def test_seams_to_match_get_layers_alike():
    free, alike = plan_of("limb"), plan_of("limb", BuildChoice(match=("shoulder",)))

    def between(plan: Plan) -> float:
        one, other = (p.pose.down for p in plan.parts)
        return float(np.degrees(np.arccos(min(1.0, abs(one @ other)))))

    assert between(free) > 2 * PARALLEL
    assert between(alike) <= PARALLEL
    assert sum(p.pose.score for p in alike.parts) >= sum(p.pose.score for p in free.parts)


def test_brims_add_to_the_gap():
    profile = replace(SMALL, brim=6.0)
    choice = BuildChoice(gap=3.0)
    plan = plan_of("post", choice, profile)
    assert plan.packing.gap == 15.0
    (build,) = plan.packing.builds
    a, b = outlines(plan, build.number)
    assert a.distance(b) >= 15.0 - 1e-6
    # Without brims they may go nearer than that.
    assert plan_of("post", choice).packing.gap == 3.0
    c, d = outlines(plan_of("post", choice), 1)
    assert c.distance(d) >= 3.0 - 1e-6
    # The widest brim counts: which printer a piece goes to is not known before.
    other = BuildChoice(gap=3.0, printers=(OtherPrinter(replace(profile, name="brimmed")),))
    assert plan_of("post", other).packing.gap == 15.0


def test_poses_and_places_keep_off_excluded_corners_and_the_rim():
    disc = replace(
        SMALL,
        shape="round",
        build_volume=(150.0, 150.0, 150.0),
        excluded=((60.0, 0.0, 90.0, 12.0),),
    )
    plan = plan_of("post", BuildChoice(), disc)
    platform = platform_of(disc)
    free = shapely.Point(*platform.centre).buffer(platform.size[0] / 2, 256)
    for corner in platform.excluded:
        free = free.difference(shapely.box(*corner))
    for build in plan.packing.builds:
        for outline in outlines(plan, build.number):
            assert free.buffer(1e-3).contains(outline)


# --- what is printed already --------------------------------------------------------------------


def test_what_is_printed_is_left_out():
    result, plan = made("cross"), planned(made("cross"), done=[1, 3])
    assert sorted(plan.build_of) == [2, 4, 5]
    assert plan.checks[0].found == "2 pieces on 1 build, 2 of 4 printed"
    assert {e.piece: (e.build, e.printed) for e in plan.entries} == {
        1: (None, True), 2: (1, False), 3: (None, True), 4: (1, False),
    }  # fmt: skip
    assert plan.whole.material_g < plan_of("cross").whole.material_g
    everything = planned(result, done=[1, 2, 3, 4, 5])
    assert everything.packing.builds == () and everything.estimates == ()
    assert everything.whole == Estimate()
    assert everything.lines()[0] == "Builds: Nothing is left to print."
    # The figure stands the same, whatever is printed.
    assert everything.stands == plan_of("cross").stands


# --- estimates ----------------------------------------------------------------------------------


def test_builds_take_what_their_parts_take():
    plan = plan_of("cross", BuildChoice(groups=(Group("gold", (3, 4)),)))
    of = {p.number: p for p in plan.parts}
    assert any(p.estimate.support_g > 0 for p in plan.parts)
    for build, needs in zip(plan.packing.builds, plan.estimates, strict=True):
        parts = [of[p.item] for p in build.placed]
        assert needs == estimated(on_one_build(p.quantities for p in parts), SMALL)
        assert needs.material_g == pytest.approx(sum(p.estimate.material_g for p in parts))
        assert needs.support_g == pytest.approx(sum(p.estimate.support_g for p in parts))
        # Together, only the tallest one's layers take their time.
        layers = [p.quantities.layers for p in parts]
        saved = (sum(layers) - max(layers)) * SMALL.layer_time / 3600
        assert needs.time_h == pytest.approx(sum(p.estimate.time_h for p in parts) - saved)
        assert max(layers) == int(np.ceil(build.height / SMALL.layer_height - 1e-6))
    assert plan.whole == one_after_another(plan.estimates)
    # Each piece takes what it weighs and its supports, by the volume found for its pose.
    for part in plan.parts[:4]:
        support = SMALL.support_density * part.pose.terms.support * SMALL.density
        assert part.estimate.support_g == pytest.approx(support)
        solid = weight(part.mesh, SMALL).mass
        assert part.estimate.material_g == pytest.approx(solid + support)


# --- stance -------------------------------------------------------------------------------------


def test_rods_and_loose_pegs_weigh_down_the_figure():
    spine = Rod("spine", (30.0, 30.0, 20.0), (30.0, 30.0, 100.0), 8.0)
    bare, rodded = plan_of("post"), plan_of("post", BuildChoice(), SMALL, (spine,))
    result = made("post", BuildChoice(), SMALL, (spine,))
    steel = STEEL * np.pi / 4 * 8.0**2 * 80.0
    assert steel == pytest.approx(31.6, abs=0.1)
    pieces = sum(w.mass for w in result.weights.values())
    assert rodded.stance.mass == pytest.approx(pieces + steel)
    heights = sum(w.mass * w.centre[2] for w in result.weights.values()) + steel * 60.0
    assert rodded.stance.centre[2] == pytest.approx(heights / (pieces + steel))
    assert bare.stance.mass == pytest.approx(sum(w.mass for w in made("post").weights.values()))
    cross = made("cross")
    pegs = sum(weight(p.mesh, SMALL).mass for p in cross.loose)
    assert plan_of("cross").stance.mass == pytest.approx(
        sum(w.mass for w in cross.weights.values()) + pegs
    )


def test_the_angle_asked_for_is_the_job_s():
    steep = plan_of("post", BuildChoice(tipping=30.0))
    assert plan_of("post").stance.stands and plan_of("post").warnings == ()
    assert steep.stance.wanted == 30.0 and not steep.stance.stands
    assert steep.warnings == (steep.stance.warning,) and steep.stands == steep.stance.sentence


def test_a_figure_on_a_point_is_planned_and_warned_of():
    plan = plan_of("top")
    assert plan.stance is None
    assert plan.stands.startswith("The figure stands on a point at (0.0, 0.0, 0.0) mm")
    assert plan.warnings == (plan.stands,)
    assert plan.lines()[-1] == f"Stance: {plan.stands}"
    assert sorted(plan.build_of) == [1, 2]


# --- refusals -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("choice", "done", "says"),
    [
        (BuildChoice(groups=(Group("gold", (2, 9)),)), (),
         "Group 'gold' names piece 9, but parts go from 1 to 2"),
        (BuildChoice(gap=174.0), (), "gap of 174 mm between pieces is larger than the largest"),
        (BuildChoice(gap=float("inf")), (), "gap between pieces is inf mm"),
        (BuildChoice(), (7,), "Piece 7 is ticked off as printed, but there is no such piece"),
    ],
)  # fmt: skip
def test_what_cannot_be_planned_is_told_in_one_sentence(choice, done, says):
    result = made("post")
    result = replace(result, job=replace(result.job, builds=choice))
    with pytest.raises(BadInput) as error:
        planned(result, done=done)
    assert says in one_sentence(error)


def test_items_are_what_packing_would_make_of_the_parts():
    plan = plan_of("post")
    for part in plan.parts:
        own = item_of(part.mesh, part.rotation, id=part.number, name=part.name)
        item = plan.items[part.number]
        assert (item.id, item.name, item.height) == (own.id, own.name, own.height)
        assert all(np.array_equal(a, b) for a, b in zip(item.outline, own.outline, strict=True))
