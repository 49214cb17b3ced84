"""What the library says about a job, without Blender: `python3 library.py JOB.toml FIGURE.stl`.

The figure is read from a plain binary STL; the job is the one that the add-on wrote. What
comes out is printed as JSON.
"""

import json
import sys
from pathlib import Path

import numpy as np

from seamwright.job import job_from_toml
from seamwright.mesh import Mesh
from seamwright.run import make, prepare

RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def read_stl(path):
    """The mesh of a binary STL, equal corners made one."""
    data = Path(path).read_bytes()
    corners = np.frombuffer(data, RECORD, offset=84)["corners"].reshape(-1, 3)
    vertices, index = np.unique(corners, axis=0, return_inverse=True)
    return Mesh.of(vertices, index.reshape(-1, 3))


def main():
    """Run the job and print what came of it."""
    job = job_from_toml(Path(sys.argv[1]).read_text(encoding="utf-8"))
    result = make(prepare(read_stl(sys.argv[2]), "mm", job), job)
    volumes = {str(piece.id): piece.mesh.volume for piece in result.pieces}
    pegs = {joint.letter: len(joint.pegs) for joint in result.joints}
    print(json.dumps({"pieces": len(result.pieces), "volumes": volumes, "pegs": pegs}))


main()
