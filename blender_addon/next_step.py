"""What each step of the panel says first: in a line, what it found and what is next.

Plain functions of plain values, so that they cost nothing to ask at every redraw.
"""

from typing import NamedTuple

NO_FIGURE = "Choose a figure first."
NO_SEAM = "No seam yet. Next: add one."


class Line(NamedTuple):
    """The line; whether something is amiss, which is marked by an icon as well."""

    words: str
    is_amiss: bool = False


def counted(number: int, noun: str) -> str:
    """`1 seam`, `2 seams`."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def figure_line(height: float | None, is_inspected: bool) -> Line:
    """On the figure; `height` is in mm at true size, None with no figure."""
    if height is None:
        return Line("None yet. Next: select the sculpt, Use Selected.")
    tall = f"{height:.0f}" if height >= 10 else f"{height:.2g}"
    if is_inspected:
        return Line(f"{tall} mm tall, inspected. Next: seams.")
    return Line(f"{tall} mm tall. Next: Inspect Figure.")


def seams_line(states: dict[str, str] | None, has_pieces: bool) -> Line:
    """On the seams by how each is, see `lists.SEAM_ICONS`; None with no figure.

    has_pieces : whether the pieces are made as everything is now.
    """
    if not states:
        return Line("No seam yet. Next: Draw Seam across a limb." if states == {} else NO_FIGURE)
    seams, found = counted(len(states), "seam"), list(states.values())
    missing = [name for name, state in states.items() if state in ("misses", "no line")]
    if missing:
        which = f"'{missing[0]}' parts" if len(missing) == 1 else f"{len(missing)} part"
        return Line(f"{seams}, {which} nothing. Next: move {_them(missing)}.", True)
    weak = found.count("weak")
    if weak:
        return Line(f"{seams}, {weak} with weak joints. Next: see Joints.", True)
    if "unsized" in found:
        return Line(f"{seams}. Next: Size Joints.")
    if has_pieces:
        return Line(f"{seams}, the figure is parted. Next: Pieces.")
    return Line(f"{seams}, all joints sized. Next: Make Pieces.")


def _them(some: list[str]) -> str:
    return "it" if len(some) == 1 else "them"


def joints_line(seams: int, states: list[str], is_new: bool, has_pieces: bool) -> Line:
    """On the joints by how each is, see `lists.ICONS`.

    is_new : whether they were sized as everything is now.
    has_pieces : whether the pieces are made as everything is now.
    """
    if not seams:
        return Line(NO_SEAM)
    if not states:
        return Line("Not sized yet. Next: Size Joints.")
    joints = counted(len(states), "joint")
    if not is_new:
        return Line(f"{joints}, out of date. Next: Size Joints again.", True)
    weak, plain = states.count("weak"), states.count("plain")
    if weak:
        return Line(f"{joints}, {weak} weak. Next: click one for what would hold.", True)
    told = f"{joints}, {plain} of them plain" if plain else f"{joints}, none weak"
    return Line(f"{told}. Next: {'Pieces' if has_pieces else 'Make Pieces'}.")


def pieces_line(seams: int, states: list[str]) -> Line:
    """On the pieces by how each is, see `lists.PIECE_ICONS`."""
    if not states:
        return Line("None yet. Next: Make Pieces." if seams else NO_SEAM)
    count = len(states)
    if "old" in states:
        return Line(f"{counted(count, 'piece')}, out of date. Next: Make Pieces again.", True)
    misfits = states.count("misfit")
    if misfits:
        others = "misfit" if misfits == 1 else "misfits"
        told = f"{count - misfits} of {count} fit the printer"
        return Line(f"{told}. Next: part the {others} further.", True)
    fits = "1 piece, which fits" if count == 1 else f"All {count} pieces fit"
    return Line(f"{fits} the printer. Next: Plan Builds.")


def builds_line(pieces: int, misfits: int, printed: int, builds: int, is_new: bool) -> Line:
    """On the builds, by how many pieces there are, fit no printer and are ticked off as printed.

    is_new : whether they were planned as everything is now.
    """
    if pieces and printed == pieces:
        return Line(f"All {counted(pieces, 'piece')} printed. Next: the assembly book.")
    if misfits:
        return _misfits(misfits)
    if not builds:
        return Line("None planned. Next: Plan Builds.")
    planned = counted(builds, "build")
    if not is_new:
        return Line(f"{planned}, out of date. Next: Plan Builds again.", True)
    if printed:
        return Line(f"{planned} left, {printed} of {pieces} pieces printed. Next: print on.")
    return Line(f"{planned}. Next: Write Files.")


def files_line(misfits: int, folder: str, is_there: bool, is_new: bool) -> Line:
    """On the result folder that was last written.

    folder : its name, empty if there is none.
    is_there : whether it still is where it was written.
    is_new : whether it was written as everything is now.
    """
    if misfits:
        return _misfits(misfits)
    if not folder:
        return Line("Not written yet. Next: Write Files.")
    if not is_there:
        return Line(f"'{folder}' is gone. Next: Write Files.", True)
    if not is_new:
        return Line(f"'{folder}' is out of date. Next: Write Files again.", True)
    return Line(f"'{folder}' is written. Next: the assembly book.")


def _misfits(misfits: int) -> Line:
    fit = "1 piece does not fit" if misfits == 1 else f"{misfits} pieces do not fit"
    return Line(f"{fit} the printer. Next: see Pieces.", True)
