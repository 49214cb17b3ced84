"""Fetch the wheels that go into the extension: by name, and only with the hashes known here.

    python scripts/fetch_wheels.py [--out dist/wheels] [--python 3.11] [--platform linux-x64]
    python scripts/fetch_wheels.py --lock

What is fetched stands in `scripts/wheels.toml`, one set for each Python that a Blender has,
with every file's name and SHA-256. `--lock` asks the package index for the versions named
there and writes file names and hashes anew; look at what changed before you keep it.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCK = Path(__file__).with_name("wheels.toml")
FETCHED = ROOT / "dist" / "wheels"

TAGS = {
    "linux-x64": (
        "manylinux_2_28_x86_64", "manylinux_2_27_x86_64", "manylinux_2_17_x86_64",
        "manylinux2014_x86_64",
    ),
    "windows-x64": ("win_amd64",),
    "macos-arm64": ("macosx_12_0_arm64",),
    "macos-x64": ("macosx_12_0_x86_64",),
}  # fmt: skip
"""Blender's names of platforms, and the wheels' names of what runs on each. glibc 2.28 is what
Blender 4.2 and later ask of Linux; macOS 12 is older than what scipy's wheels need anyway."""


@dataclass(frozen=True)
class WheelSet:
    """The wheels for one Python.

    python : as "3.11"
    blender_version_min : the first Blender that the set is for, as the manifest has it
    packages : version by name
    files : SHA-256 by file name, by platform
    """

    python: str
    blender_version_min: str
    packages: dict[str, str]
    files: dict[str, dict[str, str]]


def wheel_sets(lock: Path = LOCK) -> dict[str, WheelSet]:
    """The sets of the lock file, by Python."""
    read = tomllib.loads(lock.read_text(encoding="utf-8"))
    return {
        python: WheelSet(
            python, entry["blender_version_min"], entry["packages"], dict(entry["platform"])
        )
        for python, entry in read["python"].items()
    }


def fetched(wheels: WheelSet, platform: str, folder: Path = FETCHED) -> list[Path]:
    """One platform's wheels of a set, fetched into a folder where they are not there already.

    Raises
    ------
    SystemExit
        If the index does not give a file with the hash of the lock file.
    """
    wanted = wheels.files[platform]
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / name for name in sorted(wanted)]
    if not all(path.is_file() and sha256(path) == wanted[path.name] for path in paths):
        hashes = {name.partition("-")[0].lower(): wanted[name] for name in wanted}
        lines = [
            f"{name}=={version} --hash=sha256:{hashes[name.replace('-', '_').lower()]}"
            for name, version in wheels.packages.items()
        ]
        download(lines, wheels.python, platform, folder)
    for path in paths:
        if not path.is_file() or sha256(path) != wanted[path.name]:
            raise SystemExit(f"'{path.name}' is not what {LOCK.name} says; it is not used.")
    return paths


def download(lines: Iterable[str], python: str, platform: str, folder: Path) -> None:
    """Let pip download wheels for another Python and platform than its own."""
    with tempfile.TemporaryDirectory() as temporary:
        requirements = Path(temporary) / "requirements.txt"
        requirements.write_text("\n".join([*lines, ""]), encoding="utf-8")
        command = [
            sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check",
            "--no-deps", "--only-binary=:all:", "--implementation", "cp",
            "--python-version", python, "--dest", str(folder), "--requirement", str(requirements),
        ]  # fmt: skip
        for tag in TAGS[platform]:
            command += ["--platform", tag]
        if subprocess.run(command, check=False).returncode:
            raise SystemExit(f"The wheels of Python {python} for {platform} could not be fetched.")


def sha256(path: Path) -> str:
    """A file's SHA-256 in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def relocked(sets: dict[str, WheelSet]) -> str:
    """The lock file's text below its head, with file names and hashes asked for anew."""
    text = ""
    for wheels in sets.values():
        text += f'\n[python."{wheels.python}"]\n'
        text += f'blender_version_min = "{wheels.blender_version_min}"\n'
        pairs = ", ".join(f'{name} = "{version}"' for name, version in wheels.packages.items())
        text += f"packages = {{ {pairs} }}\n"
        for platform in wheels.files:
            with tempfile.TemporaryDirectory() as temporary:
                folder = Path(temporary)
                lines = [f"{name}=={version}" for name, version in wheels.packages.items()]
                download(lines, wheels.python, platform, folder)
                text += f'\n[python."{wheels.python}".platform.{platform}]\n'
                for path in sorted(folder.glob("*.whl")):
                    text += f'"{path.name}" = "{sha256(path)}"\n'
    return text


def main(argv: list[str] | None = None) -> int:
    """Fetch the wheels, or renew the lock file. Returns the exit code: 0 done."""
    sets = wheel_sets()
    parser = argparse.ArgumentParser(description="Fetch the wheels that the extension brings.")
    parser.add_argument("--out", type=Path, default=FETCHED, help="folder for the wheels")
    parser.add_argument("--python", choices=sorted(sets), help="for this Python alone")
    parser.add_argument("--platform", choices=sorted(TAGS), help="for this platform alone")
    parser.add_argument("--lock", action="store_true", help="write names and hashes anew")
    options = parser.parse_args(argv)
    if options.lock:
        text = LOCK.read_text(encoding="utf-8")
        head = text.partition("\n[")[0].rstrip("\n") + "\n"
        new = LOCK.with_suffix(".new")
        new.write_text(head + relocked(sets), encoding="utf-8")
        os.replace(new, LOCK)
        return 0
    for wheels in sets.values():
        for platform in wheels.files:
            if options.python in (None, wheels.python) and options.platform in (None, platform):
                for path in fetched(wheels, platform, options.out):
                    print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
