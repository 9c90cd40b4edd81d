"""Runs one check over every case folder under CASES and tallies the outcomes; shared by the Python checks."""

import sys
from pathlib import Path


def run_cases(check):
    """Calls `check(folder)` for every folder under the command's only argument, and exits.

    A check returns what it found and raises an exception when the case is wrong. Nothing checked is a failure too.
    """
    if len(sys.argv) != 2:
        sys.exit(f"usage: python3 {Path(sys.argv[0]).name} CASES")
    cases = Path(sys.argv[1])
    passed = failed = 0
    for folder in sorted(path for path in cases.iterdir() if path.is_dir()):
        try:
            print(f"ok {folder.name}: {check(folder)}", flush=True)
            passed += 1
        except Exception as error:  # one broken case must not hide the others
            print(f"FAILED {folder.name}: {type(error).__name__}: {error}", flush=True)
            failed += 1
    if passed + failed == 0:
        print(f"nothing was checked: no case in {cases}")
    print(f"{passed} passed, {failed} failed")
    sys.exit(0 if passed > 0 and failed == 0 else 1)
