#!/usr/bin/env bash
# Runs the scripts of docs/farm.md as they stand there over a small folder of characters, and holds their results and
# reports against those of one plain run.
#
#   tests/farm/run.sh TANYARD
#
# TANYARD is the program. Needs GNU make and python3; without GNU parallel (Debian: parallel) or yaml for python3, what
# needs them is passed over, and a line says so.
set -euo pipefail

if [ $# -ne 1 ] || [ ! -x "$1" ]; then
    echo "usage: run.sh TANYARD (the program)" >&2
    exit 2
fi
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
guide=$here/../../docs/farm.md
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/bin" "$work/guide"
ln -s "$(realpath "$1")" "$work/bin/tanyard"
PATH=$work/bin:$PATH

# All that the guide shows under a name, but for recipes: what each holds against others, the folder here has no room for.
python3 "$here/../docs/pages.py" "$guide" "$work/guide"
rm -r "$work/guide/characters"

# Six characters: documents with their bytes inside, binary ones, and one with its bytes in a file beside.
tree=$work/tree
mkdir -p "$tree/characters/crowd" "$tree/characters/heroes"
printf '[poses]\nsweep_steps = 1\nblends = 8\nheld_out = 8\n' >"$tree/characters/tanyard.toml"
for name in crowd/1 crowd/2 crowd/3 heroes/lone 5 6; do
    sed "s,\"number\": 0,\"number\": \"$name\"," "$here/arm.gltf" >"$tree/characters/$name.gltf"
done
cd "$tree/characters"
grep -q '"number": "crowd/1"' crowd/1.gltf
for name in crowd/1 crowd/2 5; do
    tanyard bake $name.gltf -o $name.glb --quiet
    rm $name.gltf
done
tanyard bake crowd/1.glb -o heroes/guard.gltf --quiet
test -n "$(ls heroes/*.bin)"

stage() { # NAME: a copy of the folder, with the scripts of the guide, to work in
    rm -rf "${work:?}/$1"
    cp -r "$tree" "$work/$1"
    cp "$work/guide/"* "$work/$1"
    cd "$work/$1"
}

inputs() { # REPORT: the files that it speaks of, with what became of them
    grep -E '^      "(input|status)": ' "$1" | sort
}

failures=0
check() { # SCRIPT COMMAND…: the command does well, and results and report are those of the plain run
    local script=$1
    shift
    if "$@" >log 2>&1 &&
        diff -r -x .tanyard "$work/plain/baked" baked &&
        diff <(inputs "$work/plain/night.json") <(inputs night.json) &&
        grep -q '"shard": null' night.json && grep -q '"end": "complete"' night.json &&
        [ -s night.xml ]; then
        echo "$script: as one plain run"
    else
        echo "$script: not as one plain run" >&2
        cat log >&2
        failures=$((failures + 1))
    fi
}
fails() { # CODE SCRIPT COMMAND…: with one broken character it ends with that code, and all others are there
    local code=0 expected=$1 script=$2
    shift 2
    echo junk >characters/crowd/broken.glb
    "$@" >log 2>&1 || code=$?
    if [ "$code" -ne "$expected" ] || ! grep -q '"failed": 1' night.json || ! grep -q '"files": 8' night.json; then
        echo "$script: one broken character among eight, and exit code $code in place of $expected" >&2
        cat log >&2
        failures=$((failures + 1))
    fi
}

# The plain run.
stage plain
tanyard bake characters -o baked --report night.json --quiet
test "$(inputs night.json | grep -c '"status": "baked"')" = 7

stage one_call
check Makefile make --silent
fails 2 Makefile make --silent

stage each
check each.mk make --silent --jobs 4 -f each.mk
# What make takes for changed, content tells from what has.
touch characters/tanyard.toml
make --silent --jobs 4 -f each.mk >log 2>&1 || true
if ! grep -q '"unchanged": 7' night.json; then
    echo "each.mk: what only looks newer is not 'unchanged'" >&2
    failures=$((failures + 1))
fi
fails 2 each.mk make --silent --jobs 4 -f each.mk

if command -v parallel >/dev/null; then
    stage parallel
    check parallel.sh sh parallel.sh
    fails 3 parallel.sh sh parallel.sh
else
    echo "GNU parallel is not here: parallel.sh is passed over"
fi

# Each part in a folder of its own, as on machines of its own; then all in one place.
matrix() {
    local part
    for part in 1 2 3 4 5 6 7 8; do
        mkdir -p "part_$part"
        cp -r characters shard.sh "part_$part"
        # What it comes to, the join says.
        (cd "part_$part" && SHARD=$part SHARDS=8 sh shard.sh >log 2>&1) || true
        mkdir -p baked reports
        cp -r "part_$part/reports" .
        [ ! -d "part_$part/baked" ] || cp -r "part_$part/baked" .
    done
    sh join.sh
}
stage matrix
check "shard.sh, join.sh" matrix
fails 3 "shard.sh, join.sh" matrix

# The cluster's own command, as far as submit.sh needs it: runs the tasks at once, and says the number of the job.
cat >"$work/bin/sbatch" <<'STUB'
#!/bin/sh
set -u
case $1 in
--parsable) echo 77 ;;
--dependency=afterany:77) ;;
*) echo "sbatch: $1" >&2 && exit 9 ;;
esac
shift
script=$1
shift
option() { sed -n "s/^#SBATCH --$1=//p" "$script"; }
array=$(option array)
if [ -z "$array" ]; then
    sh "$script" "$@"
    exit
fi
for task in $(seq "${array%-*}" "${array#*-}"); do
    SLURM_ARRAY_JOB_ID=77 SLURM_ARRAY_TASK_ID=$task SLURM_CPUS_PER_TASK=$(option cpus-per-task) sh "$script" "$@" >&2
done
exit 0
STUB
chmod +x "$work/bin/sbatch"
stage slurm
check "bake.sbatch, join.sbatch, submit.sh" sh submit.sh
fails 3 "bake.sbatch, join.sbatch, submit.sh" sh submit.sh

# The manifests: each index in turn, in the working folder; what the cluster would give is set here.
pods() {
    local index
    for ((index = 0; index < $(cat completions); index++)); do
        JOB_COMPLETION_INDEX=$index sh -c "$(cat bake.args)" || return
    done
    sh -c "$(cat join.args)"
}
if python3 -c 'import yaml' 2>/dev/null; then
    stage pods
    python3 - <<'PYTHON'
import yaml

for name in ("bake", "join"):
    with open(f"{name}.yaml", encoding="utf-8") as file:
        job = yaml.safe_load(file)
    assert (job["apiVersion"], job["kind"], job["metadata"]["name"]) == ("batch/v1", "Job", name), job
    pod = job["spec"]["template"]["spec"]
    assert pod["restartPolicy"] == "Never", pod
    [container] = pod["containers"]
    assert container["command"] == ["sh", "-c"], container
    [mount], [volume] = container["volumeMounts"], pod["volumes"]
    assert mount["name"] == volume["name"] and mount["mountPath"] == container["workingDir"], pod
    [script] = container["args"]
    with open(f"{name}.args", "w", encoding="utf-8") as file:
        file.write(script)
    if name == "bake":
        assert job["spec"]["completionMode"] == "Indexed", job
        with open("completions", "w", encoding="utf-8") as file:
            file.write(str(job["spec"]["completions"]))
PYTHON
    check "bake.yaml, join.yaml" pods
    fails 3 "bake.yaml, join.yaml" pods
else
    echo "python3 has no yaml here: bake.yaml and join.yaml are passed over"
fi

# The whole guide was seen.
cd "$work/guide"
expected="Makefile bake.sbatch bake.yaml each.mk join.sbatch join.sh join.yaml parallel.sh shard.sh submit.sh"
found=$(LC_ALL=C ls | tr '\n' ' ')
if [ "$found" != "$expected " ]; then
    echo "docs/farm.md holds other scripts than are run here: $found" >&2
    failures=$((failures + 1))
fi
if [ "$failures" -gt 0 ]; then
    echo "$failures checks of docs/farm.md failed" >&2
    exit 1
fi
