"""What the add-on's own work cost in the window, of the lines that `clock.py` wrote."""

import json
from statistics import median

PANEL = 1.0
"""Milliseconds that a redraw of all panels may take in the middle."""


def read(path):
    """Counts, medians and worst of all that was timed, in milliseconds, by what it was."""
    found, parts, moves, vertices = {}, {}, [], 0
    for line in path.read_text(encoding="utf-8").splitlines():
        read = json.loads(line)
        found.setdefault(read["what"], []).append(read["ms"])
        vertices = max(vertices, read.get("vertices", 0))
        for name, took in read.get("parts", {}).items():
            parts.setdefault(name, []).append(took)
        if read.get("moved"):
            moves.append(read["ms"])
    found["moves"] = moves
    return {
        "of": {what: of(some) for what, some in found.items() if some},
        "parts": {name: of(some) for name, some in parts.items()},
        "vertices": vertices,
    }


def of(some):
    """How often, the median and the worst."""
    return [len(some), round(median(some), 3), round(max(some), 3)]


def lines(found):
    """Sentences for the log."""
    known = found["of"]
    count, middle, worst = known["panel"]
    missed = "" if middle < PANEL else ", missed"
    yield (
        f"Panel: {count} redraws, median {middle:.2f} ms (asked {PANEL:g}{missed}), "
        f"worst {worst:.2f} ms."
    )
    for name, (often, usual, most) in sorted(found["parts"].items(), key=lambda p: -p[1][1]):
        yield f"      {name}: {often} times, median {usual:.3f} ms, worst {most:.2f} ms"
    reading = known["foreach_get"][1]
    yield f"Reading the figure's {found['vertices']} vertices once: median {reading:.3f} ms."
    if "moves" in known:
        count, middle, worst = known["moves"]
        yield (
            f"Following a seam as it is moved: {count} times, median {middle:.2f} ms, worst "
            f"{worst:.2f} ms; that is {1000 / middle:.0f} a second at most, each "
            f"{middle / reading:.1f} readings of the vertices."
        )
    for what in ("changed", "lines", "words"):
        if what in known:
            count, middle, worst = known[what]
            yield f"      {what}: {count} times, median {middle:.3f} ms, worst {worst:.2f} ms"
