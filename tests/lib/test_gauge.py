"""The fit gauge: what it measures, whether it can be read, and the job it leads to."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from seamwright.__main__ import main
from seamwright.errors import BadInput, CheckFailed
from seamwright.files import read_mesh, write_stl
from seamwright.footprint import offset
from seamwright.gauge import Gauge, checked, fitted, gauge, hundredths, typical_width
from seamwright.job import job_from_toml, read_job
from seamwright.joint import Joint
from seamwright.mesh import Mesh
from seamwright.printer import PrinterProfile, printer
from seamwright.shapes import box
from seamwright.wall import least_distance

FILAMENT = PrinterProfile()
RESIN = printer("resin-218")
SMALL = printer("filament-180", build_volume=(76, 120, 100))
CASES = [
    (FILAMENT, 12.0), (FILAMENT, 5.0), (RESIN, 12.0), (RESIN, 3.0), (SMALL, 12.0),
    (replace(FILAMENT, clearance=0.5, draft=3.0, lead_in=0.0), 25.0),
]  # fmt: skip
EACH = pytest.mark.parametrize(("profile", "width"), CASES)


@cache
def made(profile: PrinterProfile, width: float) -> Gauge:
    return gauge(profile, width)


def solid(mesh: Mesh) -> manifold3d.Manifold:
    vertices = np.ascontiguousarray(mesh.vertices)
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, mesh.faces.astype(np.uint64)))


def top(g: Gauge) -> float:
    return float(g.joints[0].frame.origin[2])


# --- meshes -----------------------------------------------------------------------------


@EACH
def test_both_halves_are_closed_lie_on_the_platform_and_fit(
    profile: PrinterProfile, width: float
) -> None:
    g = made(profile, width)
    for mesh in (g.bar, g.peg):
        assert mesh.is_closed
        read = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        assert read.is_watertight and read.is_winding_consistent and read.volume > 0
        assert solid(mesh).status() == manifold3d.Error.NoError
        assert len(np.unique(mesh.shell_of_face)) == 1
        np.testing.assert_allclose(mesh.bounds[0], 0, atol=1e-9)
        across, usable = sorted(mesh.size[:2]), sorted(profile.usable[:2])
        assert across[0] <= usable[0] and across[1] <= usable[1]
        assert mesh.size[2] <= profile.usable[2]


def body_volume(joint: Joint, rings) -> float:
    # A mouth is flared, so it is convex from each ring to the next only.
    placed = [joint.placed_ring(r) for r in rings]
    hulls = [manifold3d.Manifold.hull_points(np.concatenate(pair)) for pair in pairwise(placed)]
    return sum(float(hull.volume()) for hull in hulls)


@EACH
def test_volumes_are_those_of_what_was_added_and_taken(
    profile: PrinterProfile, width: float
) -> None:
    g = made(profile, width)
    x, y, z = g.bar.size
    sockets = sum(body_volume(j, j.socket_rings(j.pegs[0])) for j in g.joints)
    marks = sum(p.area for p in engraved(g)) * 1.0  # mm deep
    assert g.bar.volume == pytest.approx(x * y * z - sockets - marks, rel=1e-6)
    joint = g.joints[0]
    outline = shapely.Polygon(offset(joint.pegs[0].outline, profile.wall))
    handle = outline.area * max(width, 10.0)
    peg = body_volume(joint, joint.peg_rings(joint.pegs[0]))
    assert g.peg.volume == pytest.approx(handle + peg, rel=1e-6)
    assert g.mass == pytest.approx((g.bar.volume + g.peg.volume) / 1000 * profile.density)


# --- gaps ---------------------------------------------------------------------------------


def below(mesh: Mesh, height: float, joint: Joint) -> np.ndarray:
    """(N, 3, 3) triangles of one socket or peg: near it, not all in the top, nor underneath."""
    corners = mesh.vertices[mesh.faces]
    outline = joint.placed_ring((joint.pegs[0].outline, 0.0))[:, :2]
    low, high = outline.min(axis=0) - 1.0, outline.max(axis=0) + 1.0
    near = ((corners[..., :2] > low) & (corners[..., :2] < high)).all(axis=(1, 2))
    deep = (corners[..., 2].min(axis=1) < height - 1e-6) & (corners[..., 2].min(axis=1) > 1e-6)
    return corners[near & deep]


@EACH
def test_every_socket_has_the_clearance_it_is_marked_with(
    profile: PrinterProfile, width: float
) -> None:
    g = made(profile, width)
    for k, (joint, mark) in enumerate(zip(g.joints, read_marks(g), strict=True)):
        asked = int(mark) / 100
        peg, socket = (below(m, top(g), joint) for m in (g.seated(k), g.bar))
        assert least_distance(peg, socket)[0] == pytest.approx(asked, abs=1e-6)
        # Another way: samples of the peg's sides and end to the socket's surface.
        surface = trimesh.Trimesh(socket.reshape(-1, 3), np.arange(3 * len(socket)).reshape(-1, 3))
        body = trimesh.Trimesh(peg.reshape(-1, 3), np.arange(3 * len(peg)).reshape(-1, 3))
        points = np.concatenate([body.triangles_center, body.vertices])
        _, distance, _ = trimesh.proximity.closest_point(surface, points)
        assert distance.min() == pytest.approx(asked, abs=1e-6)
        end = points[points[:, 2] < points[:, 2].min() + 1e-6]
        floor = socket[..., 2].min()
        np.testing.assert_allclose(end[:, 2] - floor, profile.seating_gap, atol=1e-6)


@EACH
def test_the_peg_sits_on_the_bar_and_in_nothing(profile: PrinterProfile, width: float) -> None:
    g = made(profile, width)
    bar = solid(g.bar)
    for k in (0, len(g.joints) - 1):
        seated = g.seated(k)
        assert (solid(seated) ^ bar).volume() < 1e-6
        level = np.abs(seated.vertices[:, 2] - top(g)) < 1e-9
        peg = g.joints[0].pegs[0]
        # The rim of the handle's underside, and the root of the peg in it.
        assert level.sum() == len(peg.outline) + len(peg.solid)
        assert seated.volume == pytest.approx(g.peg.volume)


def test_a_spoilt_gauge_is_found_out() -> None:
    g = made(FILAMENT, 12.0)
    wrong = replace(g.joints[2], clearance=g.joints[2].clearance + 0.01)
    with pytest.raises(CheckFailed, match=r"joint C at a peg's side is 0\.1500 mm where 0\.1600"):
        checked(replace(g, joints=(*g.joints[:2], wrong, *g.joints[3:])))
    assert [c.name for c in checked(g)] == ["closed", "gaps"]


@EACH
def test_the_peg_is_made_as_real_ones_are(profile: PrinterProfile, width: float) -> None:
    for joint in made(profile, width).joints:
        assert (joint.draft, joint.seating_gap) == (profile.draft, profile.seating_gap)
        assert joint.lead_in == min(profile.lead_in, width / 6)
        assert joint.pegs[0].shape == ("D" if width < 6 else "square")


# --- marks ----------------------------------------------------------------------------------


@cache
def engraved(g: Gauge) -> list[shapely.Polygon]:
    """What is engraved, half a millimetre under the top, without the sockets."""
    mesh = trimesh.Trimesh(g.bar.vertices, g.bar.faces, process=False)
    lines = trimesh.intersections.mesh_plane(mesh, (0, 0, 1.0), (0, 0, top(g) - 0.5))
    strings = [shapely.LineString(np.round(s[:, :2], 7)) for s in lines]
    _, *holes = sorted(shapely.polygonize(strings).geoms, key=lambda p: -p.area)
    places = [shapely.Polygon(j.pegs[0].outline).centroid for j in g.joints]
    found = [p for p in holes if not any(p.contains(q) for q in places)]
    # The islands in 0, 6, 8 and 9 come as polygons of their own: they are not engraved.
    return [p for p in found if not is_island(p, found)]


def is_island(p: shapely.Polygon, others: list[shapely.Polygon]) -> bool:
    return any(
        shapely.Polygon(hole).equals(shapely.Polygon(p.exterior))
        for q in others
        for hole in q.interiors
    )


def of_socket(g: Gauge, k: int) -> tuple[list[shapely.Polygon], list[shapely.Polygon]]:
    """The digits and dots in front of one socket, each from left to right."""
    centres = np.array([j.pegs[0].outline.mean(axis=0) for j in g.joints])
    digits, dots = [], []
    for p in engraved(g):
        at = np.array(p.centroid.coords[0])
        ahead = np.where(centres[:, 1] > at[1], centres[:, 1] - at[1], np.inf)
        row = np.isclose(ahead, ahead.min())
        nearest = np.argmin(np.where(row, np.abs(centres[:, 0] - at[0]), np.inf))
        if nearest == k:
            round_ = p.area < 2.0
            (dots if round_ else digits).append(p)
    return sorted(digits, key=lambda p: p.bounds[0]), sorted(dots, key=lambda p: p.bounds[0])


ART = {
    "0": "### #.# #.# #.# ###", "1": "#", "2": "### ..# ### #.. ###",
    "3": "### ..# ### ..# ###", "4": "#.# #.# ### ..# ..#", "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###", "7": "### ..# ..# ..# ..#", "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
}  # fmt: skip


def read_digit(p: shapely.Polygon) -> str:
    """A digit by sight: three columns and five rows of points seen from above."""
    x0, y0, x1, y1 = p.bounds
    if x1 - x0 < 0.3 * (y1 - y0):
        return next(d for d, art in ART.items() if art == "#")
    columns = (x0 + 0.1, (x0 + x1) / 2, x1 - 0.1)
    rows = y1 - (y1 - y0) * np.array([0.02, 0.3, 0.5, 0.7, 0.98])
    seen = " ".join(
        "".join("#" if p.covers(shapely.Point(x, y)) else "." for x in columns) for y in rows
    )
    return next(d for d, art in ART.items() if art == seen)


def read_marks(g: Gauge) -> list[str]:
    return ["".join(map(read_digit, of_socket(g, k)[0])) for k in range(len(g.joints))]


@EACH
def test_the_numbers_read_the_right_way_round_and_differ(
    profile: PrinterProfile, width: float
) -> None:
    marks = read_marks(made(profile, width))
    assert marks == [str(n) for n in hundredths(profile)]
    assert len(set(marks)) == len(marks)


@EACH
def test_dots_count_the_sockets_too(profile: PrinterProfile, width: float) -> None:
    g = made(profile, width)
    for k in range(len(g.joints)):
        digits, dots = of_socket(g, k)
        assert len(dots) == k + 1
        assert max(d.bounds[3] for d in dots) < min(d.bounds[1] for d in digits)


def test_every_digit_is_told_apart() -> None:
    assert len(set(ART.values())) == 10
    seen = set()
    for clearance in (0.27, 0.53, 0.95):
        g = made(replace(FILAMENT, clearance=clearance), 20.0)
        assert read_marks(g) == [str(n) for n in hundredths(g.profile)]
        seen |= set("".join(read_marks(g)))
    assert seen == set("0123456789")


@EACH
def test_strokes_and_what_stands_between_can_be_printed(
    profile: PrinterProfile, width: float
) -> None:
    drawn = engraved(made(profile, width))
    for p in drawn:
        # Wide enough for two nozzles: it vanishes when shrunk by half a stroke, not before.
        assert not p.buffer(-(0.95 * profile.nozzle)).is_empty
        assert not p.buffer(-0.49).is_empty
    for k, p in enumerate(drawn):
        assert min(p.distance(q) for j, q in enumerate(drawn) if j != k) > 2 * profile.nozzle


@EACH
def test_walls_are_kept_between_sockets_and_to_the_outside(
    profile: PrinterProfile, width: float
) -> None:
    g = made(profile, width)
    mouths = [shapely.Polygon(j.socket_rings(j.pegs[0])[0][0]) for j in g.joints]
    rim = shapely.box(0, 0, *g.bar.size[:2]).exterior
    for k, mouth in enumerate(mouths):
        assert mouth.distance(rim) >= profile.wall - 1e-9
        assert min(mouth.distance(m) for j, m in enumerate(mouths) if j != k) >= profile.wall - 1e-9
        assert min(mouth.distance(p) for p in engraved(g)) >= profile.wall - 1e-9
    for joint in g.joints:
        assert top(g) - joint.socket_rings(joint.pegs[0])[-1][1] >= profile.wall - 1e-9


def test_a_small_printer_gets_rows_that_read_like_text() -> None:
    g = made(SMALL, 12.0)
    centres = [j.pegs[0].outline.mean(axis=0) for j in g.joints]
    assert len({round(float(y), 6) for _, y in centres}) > 1
    for (x, y), (x2, y2) in pairwise(centres):
        assert y2 < y - 1 or (y2 == pytest.approx(y) and x2 > x + 1)


# --- choice of sizes and steps -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "expected"),
    [
        (FILAMENT, (5, 10, 15, 20, 25, 30, 35)),
        (RESIN, (4, 6, 8, 10, 12, 14, 16)),
        (replace(FILAMENT, clearance=0.3), (15, 20, 25, 30, 35, 40, 45)),
        (replace(FILAMENT, clearance=0.0), (5, 10, 15, 20, 25, 30, 35)),
        (replace(RESIN, clearance=0.03), (2, 4, 6, 8, 10, 12, 14)),
    ],
)
def test_steps_by_process(profile: PrinterProfile, expected: tuple[int, ...]) -> None:
    assert hundredths(profile) == expected


@pytest.mark.parametrize(
    ("profile", "width", "says"),
    [
        (FILAMENT, 2.0, "makes pegs of 2.4 to 30 mm"),
        (FILAMENT, 31.0, "makes pegs of 2.4 to 30 mm"),
        (FILAMENT, float("nan"), "makes pegs of"),
        (replace(FILAMENT, draft=15.0), 12.0, "to a point"),
        (replace(FILAMENT, clearance=1.0), 12.0, "more than one way"),
        (printer("filament-180", build_volume=(40, 40, 40)), 12.0, "does not fit filament-180"),
        (printer("filament-180", build_volume=(180, 180, 20)), 12.0, "does not fit filament-180"),
    ],
)
def test_gauges_that_would_tell_nothing_are_refused(
    profile: PrinterProfile, width: float, says: str
) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        gauge(profile, width)
    assert "\n" not in str(caught.value)


def test_typical_width_is_the_middle_one() -> None:
    joint = made(FILAMENT, 12.0).joints[0]

    def with_widths(*widths: float) -> Joint:
        return replace(joint, pegs=tuple(replace(joint.pegs[0], width=w) for w in widths))

    assert typical_width((with_widths(20.04, 5.0), with_widths(9.0), with_widths())) == 9.0
    with pytest.raises(BadInput, match="no pegs to size the gauge by"):
        typical_width((with_widths(),))


# --- the command --------------------------------------------------------------------------------

JOB = """seamwright = 1
name = "Post"
[figure]
file = "post.stl"
unit = "mm"
[printer]
profile = "filament-180"
wall = 2.5
[[seam]]
point = [0, 0, 60]
normal = [0, 0, 1]
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "post.toml").write_text(JOB)
    return tmp_path / "post.toml"


def test_the_gauge_is_written_beside_the_job(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(job), "--gauge"]) == 0
    said = capsys.readouterr().out
    assert "--fitted 0.20" in said and "12 mm peg" in said
    out = job.parent / "post-gauge"
    files = sorted(str(p.relative_to(out)) for p in out.rglob("*") if p.is_file())
    assert files == [
        "3mf/gauge-bar.3mf", "3mf/gauge-peg.3mf", "report.json", "stl/gauge-bar.stl",
        "stl/gauge-peg.stl", "what-to-do.txt",
    ]  # fmt: skip
    g = gauge(read_job(job).printer)
    for stem, mesh in (("gauge-bar", g.bar), ("gauge-peg", g.peg)):
        for kind in ("stl", "3mf"):
            read = read_mesh(out / kind / f"{stem}.{kind}")
            assert read.is_closed
            assert read.volume == pytest.approx(mesh.volume, rel=1e-5)
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert [s["mark"] for s in report["sockets"]] == [str(n) for n in hundredths(g.profile)]
    assert [s["clearance_mm"] * 100 for s in report["sockets"]] == pytest.approx(
        [int(s["mark"]) for s in report["sockets"]]
    )
    assert report["sockets"][3]["clearance_grade"] == "IT14"
    assert [c["check"] for c in report["checks"]] == ["closed", "gaps", "files"]
    assert (out / "what-to-do.txt").read_text(encoding="utf-8").strip() in said


def test_an_earlier_gauge_is_only_replaced_when_asked(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(job), "--gauge", "--quiet"]) == 0
    out = job.parent / "post-gauge"
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    assert main([str(job), "--gauge", "--quiet", "--peg-width", "9"]) == 2
    assert "--replace" in capsys.readouterr().err
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
    assert main([str(job), "--gauge", "--quiet", "--replace"]) == 0
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
    assert main([str(job), "--gauge", "--quiet", "--peg-width", "9", "--replace"]) == 0
    assert json.loads((out / "report.json").read_text(encoding="utf-8"))["peg"]["width_mm"] == 9.0


def test_the_peg_can_be_as_wide_as_the_job_s(job: Path) -> None:
    write_stl(box(60, 60, 120), job.parent / "post.stl", "post")
    assert main([str(job), "--quiet"]) == 0
    pieces = json.loads((job.parent / "post-pieces" / "report.json").read_text(encoding="utf-8"))
    assert main([str(job), "--gauge", "--peg-width", "job", "--quiet"]) == 0
    report = json.loads((job.parent / "post-gauge" / "report.json").read_text(encoding="utf-8"))
    width = pieces["joints"][0]["pegs"][0]["width_mm"]
    assert report["peg"]["width_mm"] == pytest.approx(width, abs=0.051)


def test_the_number_that_fitted_goes_into_a_new_job(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = job.read_bytes()
    assert main([str(job), "--fitted", "0.30"]) == 0
    assert "0.3 mm, where it was 0.2 mm" in capsys.readouterr().out
    assert job.read_bytes() == before
    old, new = read_job(job), read_job(job.parent / "post-fitted.toml")
    assert new.printer.clearance == 0.3
    assert replace(new, printer=replace(new.printer, clearance=0.2)) == old
    assert new == fitted(old, 0.3)
    assert hundredths(new.printer)[3] == 30
    assert main([str(job), "--fitted", "0.25"]) == 2
    assert "give another name with --fitted-job" in capsys.readouterr().err
    assert read_job(job.parent / "post-fitted.toml") == new
    other = job.parent / "mine.toml"
    assert main([str(job), "--fitted", "0.25", "--fitted-job", str(other), "--quiet"]) == 0
    assert read_job(other).printer.clearance == 0.25


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--fitted", "30"], "30 is 0.3"),
        (["--fitted", "0"], "above 0"),
        (["--fitted", "-0.1"], "above 0"),
        (["--fitted", "nan"], "above 0"),
        (["--fitted", "0.3", "--fitted-job", "elsewhere/x.toml"], "does not lie beside"),
        (["--fitted", "0.3", "--fitted-job", "x.txt"], "ends in .toml"),
        (["--fitted-job", "x.toml"], "give --fitted too"),
        (["--peg-width", "9"], "give --gauge too"),
        (["--gauge", "--fitted", "0.3"], "--gauge and --fitted are different work"),
        (["--gauge", "--inspect"], "--gauge and --inspect are different work"),
        (["--fitted", "0.3", "--nudge"], "--nudge and --fitted are different work"),
        (["--gauge", "--peg-width", "50"], "2.4 to 30 mm"),
        (["--gauge", "--out", "none/gauge"], "no folder"),
        (["--gauge", "--peg-width", "job"], "post.stl"),
    ],
)
def test_refusals_are_one_sentence_and_leave_nothing(
    job: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    says: str,
) -> None:
    monkeypatch.chdir(job.parent)
    assert main([str(job), *words]) == 2
    said = capsys.readouterr()
    assert said.out == "" and says in said.err and said.err.count("\n") == 1
    assert [p.name for p in job.parent.iterdir()] == ["post.toml"]


def test_trying_out_writes_nothing(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["--gauge"], ["--fitted", "0.3"]):
        assert main([str(job), *words, "--dry-run"]) == 0
        assert "nothing written" in capsys.readouterr().out
    assert [p.name for p in job.parent.iterdir()] == ["post.toml"]


def test_fitted_keeps_everything_else() -> None:
    old = job_from_toml(JOB)
    assert fitted(old, 0.15) == replace(old, printer=replace(old.printer, clearance=0.15))
