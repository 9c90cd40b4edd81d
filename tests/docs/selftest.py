"""Checks run.py: a page with one thing broken must fail, and say what; one without must pass.

Needs no build: programs are stubs here.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent

TANYARD = """#!/bin/sh
case "$*" in
--help) printf 'Commands:\\n  bake    Bakes\\n  report  Reports\\n\\nOptions:\\n  -h, --help\\n' ;;
"bake --help") echo '  --quiet  Less' ;;
*--help) echo '  --junit  More' ;;
"recipe --check "*) ! grep -q wrong "$3" ;;
"bake fails") exit 3 ;;
"bake limit") exit 1 ;;
*) printf 'name: 0.112 %% rms, 54 %% below rigid\\n  1234 vertices\\n\\n  baked  0.042   0.186\\n  note: left out\\n' ;;
esac
"""

BAKE = "```sh\ntanyard bake it\n```\n\n```text\n"
WHOLE = "name: 0.112 % rms, 54 % below rigid\n  1234 vertices\n\n  baked  0.042   0.186\n  note: left out\n"

GOOD = f"""# A page

## A heading, with `code`

`crowd/tanyard.toml`, for the crowd:

```toml
[fit]
```

```sh
# A comment.
cat crowd/tanyard.toml \\
    demo-data/README.md
tanyard bake limit # exit code 1
cargo install --path .
cargo run --release -- bake it
```

```text
{WHOLE}```

{BAKE}name: 0.112 % rms, …
…
  baked  0.042   0.186
…
```

0.112 % is quoted above. [Here](#a-heading-with-code), `--quiet`, `tanyard bake it --quiet`.

```
pixels = error
```
"""

# What is broken, the page, and what is said of it.
BROKEN = {
    "a command that fails": ("```sh\ntanyard bake fails\n```\n", ":2: exit code 3, the page says 0"),
    "a limit that is not exceeded": ("```sh\ntanyard bake it # exit code 1\n```\n", ":2: exit code 0, the page says 1"),
    "a program that is none": ("```sh\ntanyart bake it\n```\n", ":2: exit code 127"),
    "a file that no page shows": ("```sh\ncat crowd.toml\n```\n", "exit code 1"),
    "a stale figure": (BAKE + WHOLE.replace("0.186", "0.188") + "```\n", ":9: the page quotes"),
    "a stale percentage": (BAKE + WHOLE.replace("54 %", "56 %") + "```\n", ":6: the page quotes"),
    "a stale count": (BAKE + WHOLE.replace("1234", "1235") + "```\n", ":7: the page quotes"),
    "a stale word": (BAKE + WHOLE.replace("rms", "mean") + "```\n", ":6: the page quotes"),
    "columns that moved": (BAKE + WHOLE.replace("baked  0", "baked   0") + "```\n", ":9: the page quotes"),
    "a line that is gone": (BAKE + WHOLE + "  one more\n```\n", ":11: the page quotes:   one more"),
    "a line left out in silence": (BAKE + WHOLE.replace("  1234 vertices\n", "") + "```\n", ":7: the page quotes"),
    "lines left out at the end in silence": (BAKE + "name: 0.112 % rms, 54 % below rigid\n```\n", "quotes: nothing more"),
    "lines in another order": (BAKE + "…\n  baked  0.042   0.186\n…\n  1234 vertices\n…\n```\n", "the page quotes"),
    "output of nothing": ("```text\nname\n```\n", "no command was run"),
    "a figure of no output": (BAKE + "…\n```\n\nIt lies 0.113 % off.\n", ":9: 0.113 % stands in no output"),
    "a recipe that is none": ("```toml\nwrong = 1\n```\n", ":1: is no recipe"),
    "broken JSON": ("`a.json`:\n\n```json\n{\n```\n", ":3: is no JSON"),
    "a flag that is none": ("Give `tanyard bake it --quite`.\n", ":1: --quite is no flag"),
    "a flag of another command": ("Give `tanyard bake it --junit FILE`.\n", ":1: --junit is no flag"),
    "a dead link": ("[It](nowhere.md)\n", ":1: leads nowhere: nowhere.md"),
    "a dead picture": ("![It](nowhere.png)\n", ":1: leads nowhere: nowhere.png"),
    "a dead anchor": ("# Here\n\n[It](#there)\n", ":3: there is no such heading: #there"),
    "a command in a fence without a word": ("```\ntanyard bake fails\n```\n", ":1: commands stand in a fence"),
    "a fence of an unknown word": ("```shell\ntanyard bake fails\n```\n", ":1: what is a fence `shell`"),
    "a fence that is set in": ("- It:\n\n  ```sh\n  tanyard bake fails\n  ```\n", ":3: a fence that is set in"),
    "a fence without end": ("```sh\ntanyard bake it\n", ":1: this fence does not end"),
}


def run(programs, page, **words):
    return subprocess.run(
        [sys.executable, HERE / "run.py", programs, page], capture_output=True, text=True, env=os.environ | words
    )


def main():
    failures = []
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        (folder / "examples").mkdir()
        for path, text in [("tanyard", TANYARD), ("examples/make_characters", "#!/bin/sh\necho '  --vertices  So many'\n")]:
            (folder / path).write_text(text)
            (folder / path).chmod(0o755)
        page = folder / "page.md"

        page.write_text(GOOD)
        done = run(folder, page)
        if done.returncode or "4 commands, 2 quotes" not in done.stdout:
            failures.append(f"a page without faults: {done.stdout}{done.stderr}")

        # One step in the last digit is rounding.
        page.write_text(GOOD.replace("0.186", "0.187").replace("54 %", "55 %"))
        done = run(folder, page)
        if done.returncode:
            failures.append(f"one step in a last digit: {done.stderr}")

        for what, (text, said) in BROKEN.items():
            page.write_text(text)
            done = run(folder, page)
            if done.returncode != 1 or said not in done.stderr:
                failures.append(f"{what}: exit code {done.returncode}, and this is said: {done.stderr}")

        # Remade quotes keep their gaps, and hold.
        page.write_text(GOOD.replace("0.186", "0.999").replace("1234", "999"))
        run(folder, page, TANYARD_REMAKE="1")
        if page.read_text() != GOOD:
            failures.append(f"a page made again: {page.read_text()}")
    for failure in failures:
        print(failure, file=sys.stderr)
    print(f"{len(BROKEN)} broken pages are told")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
