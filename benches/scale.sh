#!/usr/bin/env bash
# How time and memory grow: bakes a person of four sizes and three skeletons, and prints tables of ratios
# to the smallest cell, with the exponent of growth between neighbouring sizes.
#
#   benches/scale.sh [RUNS [FOLDER]]
#
# A time is the median of RUNS (3) sums of the stages in the report. FOLDER keeps characters and reports;
# characters that are in it already are used again. Without it all is made anew in a temporary folder,
# which takes minutes. Needs python3 and a release build.
#
# Recipes: `radius` and `rounds` are sweeps alone with one mush, of the default radius and of 20 rounds;
# `default` is sweeps with the default layers, without the largest size. Then peak memory with 100 and
# with 5,000 blends.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
runs=${1:-3}
if [ $# -ge 2 ]; then
    work=$2
    mkdir -p "$work"
else
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT
fi

# Bodies of so many vertices: with what is worn on them about 5,000, 20,000, 80,000 and 320,000.
sizes=(3000 15000 68000 290000)
joints=(20 60 200)

cargo build --release --locked --quiet --bin tanyard --example make_characters
target=${CARGO_TARGET_DIR:-target}/release

sweeps='[poses]\nblends = 0\nclips = false\nheld_out = 0\n'
printf "$sweeps"'[[layer]]\nkind = "mush"\n' >"$work/radius.toml"
printf "$sweeps"'[[layer]]\nkind = "mush"\nrounds = 20\n' >"$work/rounds.toml"
printf "$sweeps" >"$work/default.toml"
for blends in 100 5000; do
    printf '[poses]\nsweep_steps = 0\nclips = false\nheld_out = 0\nblends = %s\n' $blends >"$work/blends_$blends.toml"
done

bake() { # CHARACTER RECIPE RUN: a report beside the character
    "$target/tanyard" bake "$work/$1/marsh_tanner.glb" -o "$work/out.glb" --quiet \
        --recipe "$work/$2.toml" --report "$work/$1/$2.$3.json"
}
for size in "${sizes[@]}"; do
    for count in "${joints[@]}"; do
        cell=$size.$count
        if [ ! -f "$work/$cell/marsh_tanner.glb" ]; then
            "$target/examples/make_characters" "$work/$cell" --only marsh_tanner --vertices "$size" \
                --joints "$count" >/dev/null
        fi
        rm -f "$work/$cell"/*.json
        for ((run = 1; run <= runs; run++)); do
            bake "$cell" radius $run
            bake "$cell" rounds $run
            if [ "$size" != "${sizes[-1]}" ]; then bake "$cell" default $run; fi
        done
    done
done
for blends in 100 5000; do
    for ((run = 1; run <= runs; run++)); do bake "${sizes[1]}.${joints[1]}" "blends_$blends" $run; done
done

python3 - "$work" "${sizes[*]}" "${joints[*]}" <<'PYTHON'
import glob, json, math, statistics, sys

work, sizes, joints = sys.argv[1], sys.argv[2].split(), sys.argv[3].split()


def reports(cell, recipe):
    found = []
    for path in sorted(glob.glob(f"{work}/{cell}/{recipe}.*.json")):
        with open(path, encoding="utf-8") as file:
            report = json.load(file)
            found.append(report["files"][0]["characters"][0] | {"run": report["run"]})
    return found


def median(cell, recipe, value):
    return statistics.median(value(report) for report in reports(cell, recipe))


def seconds(report):
    return sum(report["timings"].values())


def vertices(report):
    return report["surface"]["welded_vertices"]


def peak(report):
    return report["run"]["peak_memory_bytes"]


for recipe in ("radius", "rounds", "default"):
    rows = [size for size in sizes if reports(f"{size}.{joints[0]}", recipe)]
    smallest = f"{rows[0]}.{joints[0]}"
    for name, value in (("time", seconds), ("peak memory", peak)):
        unit = median(smallest, recipe, value)
        print(f"\n{recipe}: {name} as a multiple of the smallest cell; in brackets, growth's exponent\n")
        print("| vertices | " + " | ".join(f"{count} joints" for count in joints) + " | poses |")
        print("| --- " * (len(joints) + 2) + "|")
        for place, size in enumerate(rows):
            cells = []
            for count in joints:
                here = f"{size}.{count}"
                text = f"{median(here, recipe, value) / unit:.2f}"
                if place > 0:
                    before = f"{rows[place - 1]}.{count}"
                    growth = [
                        math.log(median(here, recipe, of) / median(before, recipe, of))
                        for of in (value, vertices)
                    ]
                    text += f" ({growth[0] / growth[1]:.2f})"
                cells.append(text)
            poses = [reports(f"{size}.{count}", recipe)[0]["poses"]["fit"] for count in joints]
            print(
                f"| {median(f'{size}.{joints[0]}', recipe, vertices):,.0f} | "
                + " | ".join(cells)
                + " | "
                + ", ".join(f"{count:,}" for count in poses)
                + " |"
            )
    print(f"\n{recipe}: share of each stage in the time of the largest size\n")
    stages = [key for key in reports(smallest, recipe)[0]["timings"]]
    print("| joints | " + " | ".join(stage.removesuffix("_s") for stage in stages) + " |")
    print("| --- " * (len(stages) + 1) + "|")
    for count in joints:
        here = f"{rows[-1]}.{count}"
        whole = median(here, recipe, seconds)
        shares = (median(here, recipe, lambda r: r["timings"][stage]) / whole for stage in stages)
        print(f"| {count} | " + " | ".join(f"{100 * share:.0f} %" for share in shares) + " |")

few, many = (median(f"{sizes[1]}.{joints[1]}", f"blends_{n}", peak) for n in (100, 5000))
print(f"\npeak memory, 5,000 blends / 100 blends: {many / few:.3f}")
PYTHON
