"""Builds in the panel: planned, ticked off, kept apart, and there and back in a job."""

from __future__ import annotations

import pytest

bpy = pytest.importorskip("bpy")

from seamwright.build_choice import AS_USUAL, BuildChoice, Group, OtherPrinter  # noqa: E402
from seamwright.errors import BadInput  # noqa: E402
from seamwright.job import FigureChoice, Job, job_from_toml, job_to_toml  # noqa: E402
from seamwright.printer import PrinterProfile  # noqa: E402
from seamwright.shapes import box  # noqa: E402


@pytest.fixture
def figure(scene, add):
    obj = add(box(60, 60, 300))
    bpy.ops.seamwright.use_selected()
    for z in (100, 200):
        scene.cursor.location = (0, 0, z)
        bpy.ops.seamwright.add_seam(at="CURSOR")
    return obj


def pieces() -> list:
    from blender_addon.scene import pieces_of  # noqa: PLC0415

    return pieces_of(bpy.context.scene.seamwright.figure, bpy.context.scene)


def select(*numbers: int) -> None:
    for obj in bpy.context.view_layer.objects:
        obj.select_set(obj.seamwright.is_piece and obj.seamwright.number in numbers)


def job() -> Job:
    from blender_addon.quality import job_now  # noqa: PLC0415

    return job_now(bpy.context, bpy.context.scene.seamwright.figure)[0]


def refused(operator, **options) -> str:
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    return str(raised.value)


def test_the_panels_usual_numbers_are_the_librarys(figure):
    assert job().builds == AS_USUAL


def test_builds_are_planned_without_files_and_listed(figure):
    from blender_addon.decisions import builds_mark  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    assert bpy.ops.seamwright.plan_builds() == {"FINISHED"}
    assert len(pieces()) == 3
    assert {p.seamwright.build for p in pieces()} == {b.number for b in settings.builds} == {1}
    (one,) = settings.builds
    assert one.time.endswith(" min") and one.material.endswith(" g")
    assert "piece-01" in one.said and settings.builds_found.startswith("Builds: ")
    assert settings.builds_found.count("The figure weighs ") == 1
    assert settings.builds_mark == builds_mark(figure, bpy.context.scene)
    figure.seamwright.gap = 8.0
    assert settings.builds_mark != builds_mark(figure, bpy.context.scene)
    bpy.context.view_layer.objects.active = figure
    settings.build_index = 0
    assert [p.select_get() for p in pieces()] == [True] * 3


def test_groups_are_kept_apart(figure):
    settings = bpy.context.scene.seamwright
    bpy.ops.seamwright.make_pieces()
    select(2)
    assert bpy.ops.seamwright.keep_apart(name="red") == {"FINISHED"}
    assert job().builds.groups == (Group("red", (2,)),)
    bpy.ops.seamwright.plan_builds()
    assert len(settings.builds) == 2
    assert pieces()[0].seamwright.build == pieces()[2].seamwright.build
    assert pieces()[1].seamwright.build != pieces()[0].seamwright.build
    # A piece goes into one group at a time, and an empty group is none.
    select(2, 3)
    bpy.ops.seamwright.keep_apart(name="blue")
    assert job().builds.groups == (Group("blue", (2, 3)),)
    select(1)
    bpy.ops.seamwright.keep_apart(name="blue")
    assert job().builds.groups == (Group("blue", (1, 2, 3)),)
    bpy.ops.seamwright.remove_group(index=0)
    assert job().builds.groups == ()
    assert "no group 0" in refused(bpy.ops.seamwright.remove_group, index=0)


def test_what_cannot_be_kept_apart_is_refused(figure):
    assert "No piece" in refused(bpy.ops.seamwright.keep_apart, name="red")
    bpy.ops.seamwright.make_pieces()
    select(1)
    assert "no name" in refused(bpy.ops.seamwright.keep_apart, name=" ")
    item = figure.seamwright.groups.add()
    item.name, item.pieces = "red", "one"
    assert "'one'" in refused(bpy.ops.seamwright.plan_builds)
    item.pieces = "9"
    assert "names piece 9" in refused(bpy.ops.seamwright.plan_builds)


def test_pieces_that_are_ticked_off_are_left_out(figure):
    settings = bpy.context.scene.seamwright
    bpy.ops.seamwright.make_pieces()
    pieces()[0].seamwright.printed = True
    bpy.ops.seamwright.plan_builds()
    assert [p.seamwright.build for p in pieces()] == [0, 1, 1]
    assert "piece-01" not in settings.builds[0].said
    # Making the same again keeps the tick; a piece that became another solid loses it.
    bpy.ops.seamwright.make_pieces()
    assert [p.seamwright.printed for p in pieces()] == [True, False, False]
    seam = next(o for o in bpy.context.scene.objects if o.seamwright.is_seam)
    seam.location.z += 10
    bpy.context.view_layer.update()
    bpy.ops.seamwright.make_pieces()
    assert not any(p.seamwright.printed for p in pieces())


def test_ticks_go_to_the_file_beside_the_result_and_back(figure, tmp_path):
    from seamwright.ledger import printed_path, read_printed  # noqa: PLC0415

    def on_file():
        from blender_addon.pieces import _kept  # noqa: PLC0415

        return read_printed(printed_path(tmp_path / "out"), _kept[0].result.pieces).pieces

    def write():
        bpy.ops.seamwright.write_files(directory=str(tmp_path), folder="out", replace=True)

    write()
    assert not printed_path(tmp_path / "out").exists()
    pieces()[1].seamwright.printed = True
    write()
    assert on_file() == {2}
    pieces()[1].seamwright.printed = False
    write()
    assert on_file() == frozenset()
    pieces()[2].seamwright.printed = True
    write()
    # A figure that was not written there yet takes over what is ticked off there.
    figure.seamwright.written = ""
    pieces()[2].seamwright.printed = False
    write()
    assert on_file() == {3} and pieces()[2].seamwright.printed


def test_build_settings_go_to_a_job_and_back(figure):
    from blender_addon.job import apply_job  # noqa: PLC0415

    big = PrinterProfile(name="big", build_volume=(300.0, 300.0, 400.0))
    other = OtherPrinter(big, 2)
    choice = BuildChoice(
        gap=3.2, count=4, tipping=12.5, groups=(Group("red", (1, 3)), Group("blue", (2,))),
        printers=(other,),
    )  # fmt: skip
    wanted = Job("Keeper", FigureChoice(object="Keeper"), job().printer, job().seams, builds=choice)
    said = apply_job(bpy.context, wanted)
    assert "rounded" not in said
    assert job().builds == choice
    assert job_from_toml(job_to_toml(job())).builds == choice
    group = figure.seamwright
    assert (round(group.gap, 4), group.printer_count, len(group.groups)) == (3.2, 4, 2)
    group.gap = 7.5
    assert job().builds.gap == 7.5 and job().builds.printers == (other,)


def test_pieces_may_go_to_other_printers(figure):
    from blender_addon.decisions import mark_of  # noqa: PLC0415

    from seamwright.printer import BUILT_IN  # noqa: PLC0415

    before = mark_of(figure, bpy.context.scene)
    add, remove = bpy.ops.seamwright.add_other_printer, bpy.ops.seamwright.remove_other_printer
    assert add(name="filament-300", count=2) == {"FINISHED"}
    assert job().builds.printers == (OtherPrinter(BUILT_IN["filament-300"], 2),)
    # Which pieces fit, and how large pegs may be, depends on it.
    assert mark_of(figure, bpy.context.scene) != before
    assert "two printers are named 'filament-300'" in refused(add, name="filament-300")
    own = job().printer.name
    assert f"two printers are named '{own}'" in refused(add, name=own)
    assert "no printer profile 'toaster'" in refused(add, name="toaster")
    assert "Own profiles are kept by" in refused(add, name="mine", own=True)
    # The figure's own printer may become one of them later.
    bpy.context.scene.seamwright.printer_name = "filament-300"
    with pytest.raises(BadInput, match="two printers are named 'filament-300'"):
        job()
    bpy.context.scene.seamwright.printer_name = ""
    assert "There is no other printer 4; there are 1." in refused(remove, index=4)
    assert remove(index=0) == {"FINISHED"} and job().builds.printers == ()
    assert mark_of(figure, bpy.context.scene) == before


def test_a_place_that_is_named_is_shown(figure):
    from blender_addon import overlay  # noqa: PLC0415

    settings = bpy.context.scene.seamwright
    seam = next(o for o in bpy.context.scene.objects if o.seamwright.is_seam)
    bpy.context.view_layer.objects.active = figure
    said = f"Seam '{seam.name}': the section is open at (10.0, -2.5, 100.0) mm; mend the figure."
    settings.seam_found = f"Seam Quality\n{said}"
    assert bpy.ops.seamwright.show_place(sentence=said) == {"FINISHED"}
    assert bpy.context.view_layer.objects.active == seam
    assert tuple(settings.place) == pytest.approx((10.0, -2.5, 100.0), rel=1e-6)
    (drawn,) = overlay.places_to_draw(bpy.context)
    assert tuple(drawn) == pytest.approx((10.0, -2.5, 100.0), rel=1e-6)
    settings.seam_found = ""
    assert not overlay.places_to_draw(bpy.context)
    figure.seamwright.size, figure.seamwright.scale = "SCALE", 2.0
    bpy.ops.seamwright.show_place(sentence=said)
    assert tuple(settings.place) == pytest.approx((5.0, -1.25, 50.0), rel=1e-6)
    assert "names a place" in refused(bpy.ops.seamwright.show_place, sentence="nowhere")
