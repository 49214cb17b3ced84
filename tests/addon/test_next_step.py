"""The first line of each step: what it found, and what is next, in every state."""

from __future__ import annotations

import pytest

pytest.importorskip("bpy")


@pytest.fixture
def next_step(registered):
    from blender_addon import next_step  # noqa: PLC0415

    return next_step


@pytest.mark.parametrize(
    ("height", "is_inspected", "words"),
    [
        (None, False, "None yet. Next: select the sculpt, Use Selected."),
        (976.9, False, "977 mm tall. Next: Inspect Figure."),
        (0.9769, False, "0.98 mm tall. Next: Inspect Figure."),
        (976.9, True, "977 mm tall, inspected. Next: seams."),
    ],
)
def test_the_figure(next_step, height, is_inspected, words):
    assert next_step.figure_line(height, is_inspected) == (words, False)


@pytest.mark.parametrize(
    ("states", "words", "is_amiss"),
    [
        (None, "Choose a figure first.", False),
        ([], "No seam yet. Next: Draw Seam across a limb.", False),
        (["unsized"], "1 seam. Next: Size Joints.", False),
        (["holds", "unsized"], "2 seams. Next: Size Joints.", False),
        (["holds", "plain"], "2 seams, all joints sized. Next: Make Pieces.", False),
        (["holds", "weak"], "2 seams, 1 with weak joints. Next: see Joints.", True),
        (["weak", "misses"], "2 seams, 's1' parts nothing. Next: move it.", True),
        (["no line", "misses"], "2 seams, 2 part nothing. Next: move them.", True),
    ],
)
def test_the_seams(next_step, states, words, is_amiss):
    named = None if states is None else {f"s{n}": state for n, state in enumerate(states)}
    assert next_step.seams_line(named, has_pieces=False) == (words, is_amiss)


def test_the_seams_of_a_parted_figure(next_step):
    said = next_step.seams_line({"one": "holds"}, has_pieces=True)
    assert said == ("1 seam, the figure is parted. Next: Pieces.", False)
    assert next_step.seams_line({"one": "weak"}, has_pieces=True).is_amiss


@pytest.mark.parametrize(
    ("seams", "states", "is_new", "has_pieces", "words", "is_amiss"),
    [
        (0, [], False, False, "No seam yet. Next: add one.", False),
        (2, [], False, False, "Not sized yet. Next: Size Joints.", False),
        (2, ["holds"], False, False, "1 joint, out of date. Next: Size Joints again.", True),
        (2, ["holds"] * 3, True, False, "3 joints, none weak. Next: Make Pieces.", False),
        (2, ["holds", "plain"], True, True, "2 joints, 1 of them plain. Next: Pieces.", False),
        (
            2, ["holds", "weak"], True, True,
            "2 joints, 1 weak. Next: click one for what would hold.", True,
        ),
    ],
)  # fmt: skip
def test_the_joints(next_step, seams, states, is_new, has_pieces, words, is_amiss):
    assert next_step.joints_line(seams, states, is_new, has_pieces) == (words, is_amiss)


@pytest.mark.parametrize(
    ("seams", "states", "words", "is_amiss"),
    [
        (0, [], "No seam yet. Next: add one.", False),
        (1, [], "None yet. Next: Make Pieces.", False),
        (1, ["old", "old"], "2 pieces, out of date. Next: Make Pieces again.", True),
        (1, ["fits"], "1 piece, which fits the printer. Next: Plan Builds.", False),
        (1, ["fits"] * 3, "All 3 pieces fit the printer. Next: Plan Builds.", False),
        (1, ["fits", "misfit"], "1 of 2 fit the printer. Next: part the misfit further.", True),
        (1, ["misfit"] * 2, "0 of 2 fit the printer. Next: part the misfits further.", True),
    ],
)
def test_the_pieces(next_step, seams, states, words, is_amiss):
    assert next_step.pieces_line(seams, states) == (words, is_amiss)


@pytest.mark.parametrize(
    ("pieces", "misfits", "printed", "builds", "is_new", "words", "is_amiss"),
    [
        (0, 0, 0, 0, False, "None planned. Next: Plan Builds.", False),
        (3, 1, 0, 0, False, "1 piece does not fit the printer. Next: see Pieces.", True),
        (3, 2, 0, 0, False, "2 pieces do not fit the printer. Next: see Pieces.", True),
        (3, 0, 0, 2, True, "2 builds. Next: Write Files.", False),
        (3, 0, 1, 2, False, "2 builds, out of date. Next: Plan Builds again.", True),
        (3, 0, 1, 1, True, "1 build left, 1 of 3 pieces printed. Next: print on.", False),
        (3, 0, 3, 1, False, "All 3 pieces printed. Next: the assembly book.", False),
    ],
)
def test_the_builds(next_step, pieces, misfits, printed, builds, is_new, words, is_amiss):
    assert next_step.builds_line(pieces, misfits, printed, builds, is_new) == (words, is_amiss)


@pytest.mark.parametrize(
    ("misfits", "folder", "is_there", "is_new", "words", "is_amiss"),
    [
        (0, "", False, False, "Not written yet. Next: Write Files.", False),
        (1, "out", True, True, "1 piece does not fit the printer. Next: see Pieces.", True),
        (0, "out", False, False, "'out' is gone. Next: Write Files.", True),
        (0, "out", True, False, "'out' is out of date. Next: Write Files again.", True),
        (0, "out", True, True, "'out' is written. Next: the assembly book.", False),
    ],
)
def test_the_files(next_step, misfits, folder, is_there, is_new, words, is_amiss):
    assert next_step.files_line(misfits, folder, is_there, is_new) == (words, is_amiss)
