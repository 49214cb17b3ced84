#!/usr/bin/env bash
# A folder with a Debian of its own that has a real Blender, a screen without a monitor, and
# what moves the mouse on it, for the window test.
#
#     scripts/window_env.sh make trixie|sid FOLDER          make it, or leave a finished one be
#     scripts/window_env.sh run FOLDER SHARED COMMAND ...   run a command in it
#
# trixie has Blender 4.3 on Python 3.13, sid Blender 5.2 LTS on Python 3.14. `run` sees the
# folder SHARED as /shared, works there, and ends everything that the command started as soon
# as the command ends. Both need root, and `make` needs debootstrap and Debian's packages.
set -euo pipefail

PACKAGES=(
    blender python3 python3-numpy
    # Debian's Blender wants these for its extensions, but does not name all of them.
    python3-requests python3-zstandard python3-cattr
    xvfb xauth xdotool imagemagick libgl1-mesa-dri tesseract-ocr tesseract-ocr-eng
)
KEYRING=/usr/share/keyrings/debian-archive-keyring.gpg
MIRROR=http://deb.debian.org/debian

fail() { echo "$*" >&2; exit 2; }

[ "$(id -u)" = 0 ] || fail "A folder with a Debian of its own needs root; run this as root."

# What the finished folder holds; a change of it makes `make` install what is new.
said() { printf '%s\n' "$1" "${PACKAGES[@]}"; }

make() {
    local suite=$1 folder=$2
    case $suite in trixie | sid) ;; *) fail "'$suite' is neither trixie nor sid." ;; esac
    if [ -f "$folder/.ready" ] && said "$suite" | cmp -s - "$folder/.ready"; then
        return
    fi
    if ! [ -f "$folder/.base" ]; then
        command -v debootstrap > /dev/null || fail "debootstrap is missing; apt-get install it."
        # What an earlier try left half done would stop debootstrap.
        rm -rf --one-file-system "$folder"
        mkdir -p "$folder"
        debootstrap --variant=minbase --keyring="$KEYRING" "$suite" "$folder" "$MIRROR"
        touch "$folder/.base"
    fi
    cp /etc/resolv.conf "$folder/etc/resolv.conf"
    # Root in the folder is root outside: no service is to start, nothing is to be asked.
    printf '#!/bin/sh\nexit 101\n' > "$folder/usr/sbin/policy-rc.d"
    chmod +x "$folder/usr/sbin/policy-rc.d"
    # A mirror may lag behind sid, whose lists are signed for some days only; the packages'
    # signatures are checked all the same.
    local apt=(env DEBIAN_FRONTEND=noninteractive apt-get -q -o Acquire::Check-Valid-Until=false)
    inside "$folder" "${apt[@]}" update
    inside "$folder" "${apt[@]}" install --yes --no-install-recommends "${PACKAGES[@]}"
    inside "$folder" apt-get clean
    said "$suite" > "$folder/.ready"
}

# The mounts are of this process and its children alone, so none is left behind; and as it is
# the first in its process namespace, all that it started ends with it.
inside() {
    local folder=$1
    shift
    unshare --mount --pid --fork --kill-child bash -euc '
        mount --bind /dev "$0/dev"
        mount -t proc proc "$0/proc"
        mount -t tmpfs tmpfs "$0/tmp"
        exec chroot "$0" "$@"
    ' "$folder" "$@"
}

run() {
    local folder=$1 shared=$2
    shift 2
    [ -f "$folder/.ready" ] || fail "'$folder' is not finished; make it first."
    mkdir -p "$folder/shared"
    unshare --mount --pid --fork --kill-child bash -euc '
        mount --bind /dev "$0/dev"
        mount -t proc proc "$0/proc"
        mount -t tmpfs tmpfs "$0/tmp"
        mount --bind "$1" "$0/shared"
        shift
        exec chroot "$0" sh -c "cd /shared && exec \"\$@\"" sh "$@"
    ' "$folder" "$shared" "$@"
}

case ${1:-} in
    make) [ $# = 3 ] || fail "Give make a suite and a folder."; make "$2" "$3" ;;
    run) [ $# -ge 4 ] || fail "Give run a folder, a folder to share and a command."; shift; run "$@" ;;
    *) fail "Say make or run; see the head of this script." ;;
esac
