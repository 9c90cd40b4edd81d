#!/usr/bin/env bash
# Bakes one character with this program and with the numpy yardstick, in turn, and prints the medians of
# wall time and peak memory, their ratios, and both errors.
#
#   benches/yardstick/compare.sh CHARACTER.glb [RUNS]
#
# Set-up: a sweep of ±30° and ±60° about three axes of each joint and 64 blends of up to ±40° about each
# axis; one mush of 20 rounds, pull 0.5; four joints a vertex. Needs python3 with numpy and scipy, GNU
# time, and a release build.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
character=$1
runs=${2:-5}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
python=${PYTHON:-python3}
yardstick=benches/yardstick/yardstick.py

cargo build --release --locked --quiet
"$python" "$yardstick" "$character" --write-poses sweep-blend "$work/fit.json" "$work/held.json" >/dev/null
printf '[poses]\nheld_out = 0\n[[layer]]\nkind = "mush"\nrounds = 20\npull = 0.5\n\
[fit]\nmend = false\nsymmetry = "off"\n[[pieces.rule]]\nkind = "own"\nonly = { meshes = ["*"] }\n' \
    >"$work/recipe.toml"

timed() { # NAME COMMAND...: appends seconds and KiB to NAME.times
    local name=$1
    shift
    /usr/bin/time -f '%e %M' -o "$work/one" "$@" >"$work/$name.out"
    cat "$work/one" >>"$work/$name.times"
}
for ((run = 0; run <= runs; run++)); do
    timed ours target/release/tanyard bake "$character" -o "$work/out.glb" --poses "$work/fit.json" \
        --recipe "$work/recipe.toml"
    timed yardstick "$python" "$yardstick" "$character" "$work/fit.json" --rounds 20 --influences 4
    # The first run of each warms the caches.
    if ((run == 0)); then rm "$work"/*.times; fi
done
"$python" - "$work" <<'PYTHON'
import statistics, sys
def column(name, index):
    with open(f"{sys.argv[1]}/{name}.times", encoding="ascii") as lines:
        return statistics.median(float(line.split()[index]) for line in lines)
for label, index in (("wall time", 0), ("peak memory", 1)):
    ours, theirs = column("ours", index), column("yardstick", index)
    print(f"{label}: yardstick / ours = {theirs / max(ours, 1e-9):.1f}")
PYTHON
echo "ours:"
grep -E 'baked|floor ' "$work/ours.out" | tail -n 2
echo "yardstick:"
grep -E '^(K=4|floor)' "$work/yardstick.out"
