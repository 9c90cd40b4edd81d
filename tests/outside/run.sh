#!/usr/bin/env bash
# Runs every outside check: over the case folders under CASES, the folders of reports under REPORTS, pictures of the guide
# made anew in PICTURES, pages of runs in PAGES, and the program TANYARD; exit
# code 0 only if all of them pass.
# Needs node 20 or later, npm, and python3, 3.11 or later, with venv (Debian: nodejs npm python3-venv). Packages go to node_modules
# here and to a virtual environment beside CASES.
set -euo pipefail

if [ $# -ne 5 ] || [ ! -d "$1" ] || [ ! -d "$2" ] || [ ! -d "$3" ] || [ ! -d "$4" ] || [ ! -x "$5" ]; then
    echo "usage: run.sh CASES REPORTS PICTURES PAGES (folders) TANYARD (the program)" >&2
    exit 2
fi
cases=$(cd "$1" && pwd)
reports=$(cd "$2" && pwd)
pictures=$(cd "$3" && pwd)
pages=$(cd "$4" && pwd)
tanyard=$(realpath "$5")
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
venv=$(dirname "$cases")/outside-venv
python=$venv/bin/python

npm ci --prefix "$here" --no-audit --no-fund --loglevel=error

if ! "$python" -c 'import PIL, colorspacious, jsonschema, lxml, numpy, scipy' 2>/dev/null; then
    python3 -m venv --clear "$venv" || {
        echo "cannot make a Python environment in $venv; on Debian: apt-get install python3-venv" >&2
        exit 2
    }
    "$python" -m pip install --quiet --disable-pip-version-check -r "$here/requirements.txt"
fi

failures=0
check() {
    echo "== $1"
    shift
    "$@" || failures=$((failures + 1))
}
check "valid glTF" node "$here/validate.mjs" "$cases"
check "linear-blend skinning" node "$here/three_pose.mjs" "$cases"
check "range of motion" node "$here/three_clip.mjs" "$cases"
check "helper joints in clips" node "$here/three_helpers.mjs" "$cases"
check "delta mush" "$python" "$here/mush.py" "$cases"
check "target shapes from elsewhere" "$python" "$here/targets.py" "$tanyard" "$here/../../demo-data/bog_ox.glb" "$cases.targets"
check "an even ramp of colours" "$python" "$here/ramp.py" "$cases/ramp.json"
check "weights filled in a hole" "$python" "$here/fill.py" "$cases/fill.json"
check "driven helper joints" node "$here/driven.mjs" "$cases/driven.json"
check "pictures of the guide" "$python" "$here/pictures.py" "$here/../../docs/pictures" "$pictures"
if command -v chromium >/dev/null; then
    check "pages in a browser" node "$here/pages.mjs" "$pages"
else
    echo "== no chromium: pages are NOT held against a browser"
fi
check "recipes and their schema" "$python" "$here/recipes.py"
check "valid reports" "$python" "$here/reports.py" "$reports"

if [ "$failures" -gt 0 ]; then
    echo "$failures of 13 outside checks failed" >&2
    exit 1
fi
