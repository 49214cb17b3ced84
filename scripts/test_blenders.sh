#!/usr/bin/env bash
# The add-on's tests in several Blenders as Python modules, each with its own Python, numpy and
# the versions of the wheels that go with it.
#
#     bash scripts/test_blenders.sh FOLDER [4.2 4.5 5.0 5.2]
#
# FOLDER keeps a virtual environment for each. Python 3.11 and 3.13 must be there, on PATH or
# with pyenv.
set -euo pipefail
cd "$(dirname "$0")/.."

[ $# -ge 1 ] || { echo "Give a folder for the virtual environments." >&2; exit 2; }
folder=$1
shift
[ $# -gt 0 ] || set -- 4.2 4.5 5.0 5.2

# A Python of that version. One that is on PATH may be pyenv's stand-in, which only says that
# the version is not chosen: so each is tried.
python_of() {
    local found root=${PYENV_ROOT:-$HOME/.pyenv}
    for found in "python$1" "$root/versions/$1".*/bin/"python$1"; do
        if "$found" -c "import ensurepip" 2>/dev/null; then
            echo "$found"
            return
        fi
    done
    echo "Python $1 is neither on PATH nor in $root/versions; install it." >&2
    return 1
}

for version in "$@"; do
    # numpy as each Blender has it: 1.24 in 4.2 (from memory), else as its module asks.
    case $version in
        4.2) python=3.11 packages=(bpy==4.2.0 numpy==1.24.3 scipy==1.15.3) ;;
        4.5) python=3.11 packages=(bpy==4.5.15 numpy==1.26.4 scipy==1.15.3) ;;
        5.0) python=3.11 packages=(bpy==5.0.1 numpy==1.26.4 scipy==1.15.3) ;;
        5.2) python=3.13 packages=(bpy==5.2.3 numpy==2.3.5 scipy==1.16.3) ;;
        *) echo "There is no test for Blender $version." >&2; exit 2 ;;
    esac
    packages+=(manifold3d==3.5.4 lib3mf==2.5.0 tomli-w==1.2.0)
    own="$folder/blender-$version"
    printf '\n== Blender %s\n' "$version"
    python=$(python_of "$python")
    "$python" -m venv "$own"
    "$own/bin/pip" install --quiet --disable-pip-version-check "${packages[@]}" \
        "trimesh>=4.4,<6" "plyfile>=1.0,<2" "pytest>=8,<10"
    "$own/bin/python" -m pytest -p no:cacheprovider tests/addon
done
