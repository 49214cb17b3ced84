"""The gauge in the panel: written for the panel's printer, and what fitted taken over."""

from __future__ import annotations

import json

import pytest

bpy = pytest.importorskip("bpy")

from seamwright.shapes import box  # noqa: E402


def settings():
    return bpy.context.scene.seamwright


def refused(operator, **options) -> str:
    with pytest.raises(RuntimeError) as raised:
        operator(**options)
    said = str(raised.value).strip()
    assert said.startswith("Error: ") and "Traceback" not in said
    return said.removeprefix("Error: ")


def test_the_gauge_is_written_for_the_printer_without_a_figure(scene, tmp_path):
    settings().profile, settings().clearance = "filament-300", 0.25
    bpy.ops.seamwright.make_gauge(directory=str(tmp_path))
    folder = tmp_path / "gauge"
    assert {p.name for p in folder.iterdir()} == {"stl", "3mf", "what-to-do.txt", "report.json"}
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    assert report["printer"] == "filament-300" and report["peg"]["width_mm"] == 12
    text = (folder / "what-to-do.txt").read_text(encoding="utf-8")
    # What to do next is said of the panel, not of the command.
    assert "press It Fitted in Blender" in text and "0.25 for 25" in text
    assert "python -m" not in text and "--fitted" not in text
    assert text.strip() in settings().gauge_found
    assert "exists" in refused(bpy.ops.seamwright.make_gauge, directory=str(tmp_path))
    bpy.ops.seamwright.make_gauge(directory=str(tmp_path), replace=True, width=8.5)
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    assert report["peg"]["width_mm"] == 8.5


def test_the_gauges_peg_is_as_wide_as_the_figures(scene, add, tmp_path):
    add(box(100, 100, 300))
    bpy.ops.seamwright.use_selected()
    bpy.ops.seamwright.add_seam(at="MIDDLE")
    bpy.ops.seamwright.size_joints()
    bpy.ops.seamwright.make_gauge(directory=str(tmp_path), folder="one")
    report = json.loads((tmp_path / "one" / "report.json").read_text(encoding="utf-8"))
    from blender_addon.joints import drawn_of  # noqa: PLC0415

    (joint,) = drawn_of(settings().figure).joints
    assert report["peg"]["width_mm"] in {round(peg.width, 1) for peg in joint.pegs}


def test_what_cannot_be_written_is_refused(scene, tmp_path):
    assert "No directory is given" in refused(bpy.ops.seamwright.make_gauge)
    said = refused(bpy.ops.seamwright.make_gauge, directory=str(tmp_path), width=400.0)
    assert "mm wide" in said and not list(tmp_path.iterdir())


def test_what_fitted_is_the_printers_clearance(scene):
    settings().printer_name = "mine"
    bpy.ops.seamwright.it_fitted(number=0.3)
    assert settings().clearance == pytest.approx(0.3) and settings().printer_name == "mine"
    for wrong in (0.0, 30.0):
        assert "cannot be" in refused(bpy.ops.seamwright.it_fitted, number=wrong)
    assert settings().clearance == pytest.approx(0.3)
