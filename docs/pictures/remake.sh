#!/usr/bin/env bash
# Makes every picture of the guide anew, from demo-data and the recipes that the guide shows.
#
#   docs/pictures/remake.sh [TANYARD [FOLDER]]
#
# TANYARD is the program (default: the one on the PATH), FOLDER gets the pictures (default: here). The same program gives
# the same bytes, so CI makes them in another folder and compares.
set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
root=$(cd "$here/../.." && pwd)
tanyard=$(realpath "$(command -v "${1:-tanyard}")")
mkdir -p "${2:-$here}"
folder=$(realpath "${2:-$here}")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
cp -r "$root/demo-data" .
python3 "$root/tests/docs/pages.py" "$root/docs/tasks.md" .

bake() { # NAME CHARACTER [OPTION…]
    "$tanyard" bake "demo-data/$2.glb" -o "$1.glb" --quiet "${@:3}"
}
picture() { # PICTURE FILE [OPTION…]
    "$tanyard" picture "$2" -o "$folder/$1.png" --size 1280x720 --quiet "${@:3}"
}

# README.md: what it is all about.
bake tanner marsh_tanner
picture tanner.pose tanner.glb --source demo-data/marsh_tanner.glb --pose "held-out 12"

# report.md: a great maximum that no weights avoid.
picture tanner.elbow tanner.glb --source demo-data/marsh_tanner.glb --pose "sweep forearm_l x +125" --close

# first-bake.md: the first look.
bake newt mire_eel_newt
picture newt.pose newt.glb --source demo-data/mire_eel_newt.glb --pose "held-out 35"

# binding.md: the bind, and what pieces do.
picture cutter.regions demo-data/reed_cutter.glb --show regions

# tasks.md: straps that cling to an arm, and the rules that mend them.
picture cutter.pieces demo-data/reed_cutter.glb --show pieces
bake cutter reed_cutter
picture cutter.strap cutter.glb --source demo-data/reed_cutter.glb --pose "held-out 12" --from front
bake mended reed_cutter --recipe costume.toml
picture cutter.mended mended.glb --source demo-data/reed_cutter.glb --recipe costume.toml --pose "held-out 12" --from front
