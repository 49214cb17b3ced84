"""Run a job inside Blender, on an object of the open .blend or on a figure file.

With Blender:          blender -b figure.blend -P scripts/batch.py -- job.toml [options]
With the bpy package:  python scripts/batch.py [figure.blend] -- job.toml [options]

What stands after `--` is what `python -m seamwright` takes; `-- --help` lists it. A job
whose figure names an object takes it from the .blend as evaluated, with its modifiers and
its transform, hidden or not, together with the keep-clear area and the natural lines marked
on it; any other job takes its figure from the file it names.
Exit codes are those of the command: 0 done, 2 bad input, 3 a check of the result failed.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
RUNTIME = ("bpy", "numpy", "scipy", "manifold3d", "lib3mf", "trimesh", "tomli_w")


def main(argv: list[str]) -> int:
    """Run the job named in `argv`, which is all of the process's arguments.

    Returns
    -------
    The exit code.
    """
    # First, so that the script runs what lies beside it and not another release.
    sys.path[:0] = [str(ROOT), str(ROOT / "lib")]
    try:
        return _run(argv)
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        if package not in RUNTIME:
            raise
        print(
            f"seamwright: Python package '{package}' is missing; install the Seamwright extension "
            "in this Blender, or put the package where PYTHONPATH points and start blender with "
            "--python-use-system-env.",
            file=sys.stderr,
        )
        return 2


def _run(argv: list[str]) -> int:
    import bpy  # noqa: PLC0415  (so that a missing package can be told from a mistake)
    from blender_addon import conversion  # noqa: PLC0415

    from seamwright.__main__ import main as command  # noqa: PLC0415
    from seamwright.errors import SeamwrightError  # noqa: PLC0415
    from seamwright.job import Job  # noqa: PLC0415
    from seamwright.markings import Markings  # noqa: PLC0415
    from seamwright.mesh import Mesh  # noqa: PLC0415
    from seamwright.run import load_marked  # noqa: PLC0415

    def from_scene(job: Job, folder: Path) -> tuple[Mesh, str, Markings]:
        choice = job.figure
        if choice.object is None:
            return load_marked(job, folder)
        conversion.require_scene_choice(job)
        figure = conversion.named_object(choice.object, bpy.context.scene)
        return conversion.marked_mesh_of(
            figure, bpy.context, choice.keep_clear, choice.natural_lines
        )

    before, options = _parted(argv)
    try:
        _open(before)
    except SeamwrightError as error:
        print(f"seamwright: {error}", file=sys.stderr)
        return error.exit_code
    return command(options, source=from_scene)


def _parted(argv: list[str]) -> tuple[list[str], list[str]]:
    """What stands before and after `--`; Blender's own arguments are Blender's business."""
    at = argv.index("--") if "--" in argv else len(argv)
    # Blender starts with its own name, Python with the script's.
    started_by_python = Path(argv[0]).name == Path(__file__).name
    return (argv[1:at] if started_by_python else []), argv[at + 1 :]


def _open(before: list[str]) -> None:
    """Open the .blend that stands before `--`, if one does."""
    import bpy  # noqa: PLC0415

    from seamwright.errors import BadInput  # noqa: PLC0415

    if not before:
        return
    if len(before) > 1 or Path(before[0]).suffix.lower() != ".blend":
        raise BadInput(
            f"'{' '.join(before)}' is not one .blend file; put the job and its options after --."
        )
    if not Path(before[0]).is_file():
        raise BadInput(f"'{before[0]}' does not exist; check the path.")
    try:
        bpy.ops.wm.open_mainfile(filepath=str(Path(before[0]).resolve()))
    except RuntimeError as error:
        raise BadInput(f"'{before[0]}' cannot be opened ({str(error).strip()}).") from error


if __name__ == "__main__":
    sys.exit(main(sys.argv))
