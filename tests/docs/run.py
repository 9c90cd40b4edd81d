"""Runs every command of the guide, and holds what the guide quotes against what they print.

    run.py FOLDER [PAGE...]

FOLDER is where `cargo build` puts programs, such as target/debug: `tanyard`, and `examples/make_characters`. PAGEs are
by default README.md and docs/*.md. Each runs in a fresh folder that has `demo-data` and the files that the page shows
above the command; pages.py says how a page is read. All faults are told, and any is exit code 1.

- A command ends with 0, or with what `# exit code N` at its end says.
- Quoted output is that output, but for lines that `…` leaves out. A figure with a decimal point or a % after it may be
  one off in its last digit: sines are those of the system, and another system may round another way. All other
  numbers are counts and must be equal.
- A recipe is one, also where it has no name: `tanyard recipe --check`.
- A flag in code is a flag of a program: of the command it stands beside, or of some.
- A figure of three decimals with a % in the prose of a page stands in what it quotes.
- Links lead somewhere, also within a page, and docs/README.md leads to every page.

TANYARD_REMAKE=1 writes what the commands print into the pages, in place of what they quote.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pages import Page

ROOT = Path(__file__).resolve().parents[2]

# Commands for somebody with a clone and no program yet, as they are run here.
SAME_AS = {
    "cargo run --release --example make_characters -- ": "make_characters ",
    "cargo run --release -- ": "tanyard ",
}

# What begins so is not run here.
ELSEWHERE = {
    "cargo install": "it would build a release and put it among the programs of this machine",
    "cargo test": "CI runs it by itself",
    "docs/pictures/remake.sh": "it draws the pictures of the guide into the clone",
    "kubectl": "there is no cluster here; tests/farm runs what the manifests would",
}

# Flags of other programs that pages speak of.
FOREIGN = {"--version", "--path", "--release", "--jobs", "--sshloginfile", "--workdir", "--array", "--test", "--nocapture", "--bench", "--features"}

FAILED = object()  # the output of a command that ended otherwise than the page says, which is told already
SECONDS = 300  # a command that takes longer hangs
NUMBER = re.compile(r"\d+(?:\.\d+)?(?: ?%)?")
EXIT = re.compile(r"\s+# exit code (\d+)$")
SPAN = re.compile(r"`([^`]+)`")
FLAG = re.compile(r"(?<![\w-])--[a-z][a-z-]+")
FIGURE = re.compile(r"\d\.\d{3}(?= %)")


def commands(block):
    """(line, command, exit code) of a block."""
    held, start = "", 0
    for number, line in enumerate(block.lines, block.line + 1):
        start = start or number
        if line.endswith("\\"):
            held += line[:-1]
            continue
        line = held + line
        held, first, start = "", start, 0
        code = EXIT.search(line)
        line = EXIT.sub("", line)
        if line.strip() and not line.lstrip().startswith("#"):
            yield first, line, int(code[1]) if code else 0


def same_line(quoted, found):
    """Whether a printed line is the quoted one."""
    if "…" in quoted:
        parts = [re.escape(part) for part in quoted.split("…")]
        return re.fullmatch(".*".join(parts), found) is not None
    if quoted == found:
        return True
    ours, theirs = NUMBER.findall(quoted), NUMBER.findall(found)
    if len(ours) != len(theirs) or not all(map(same_number, ours, theirs)):
        return False
    # Columns move only where a figure has another width.
    between = [NUMBER.sub("0", line) for line in (quoted, found)]
    if list(map(len, ours)) != list(map(len, theirs)):
        between = [re.sub(r" +", " ", line) for line in between]
    return between[0] == between[1]


def same_number(ours, theirs):
    if ours == theirs:
        return True
    ours_digits, theirs_digits = ours.rstrip(" %"), theirs.rstrip(" %")
    if ours.endswith("%") != theirs.endswith("%") or not (ours.endswith("%") or "." in ours):
        return False
    decimals = len(ours_digits.partition(".")[2])
    if decimals != len(theirs_digits.partition(".")[2]):
        return False
    steps = abs(int(ours_digits.replace(".", "")) - int(theirs_digits.replace(".", "")))
    return steps <= 1


def compare(quoted, found):
    """The first quoted line (from 0) that is not in its place in the output, or None. Gaps are `…` lines."""
    places = {0}  # lines of the output that may come next
    for index, line in enumerate(quoted):
        if line.strip() == "…":
            places = set(range(min(places), len(found) + 1))
            continue
        after = {place + 1 for place in places if place < len(found) and same_line(line, found[place])}
        if not after:
            return index
        places = after
    return None if len(found) in places else len(quoted)


def remade(quoted, found):
    """The quoted lines with the figures of the output: the same gaps, lines matched by their words."""
    if not any("…" in line for line in quoted):
        return found
    words = lambda line: re.sub(r"\s+", " ", NUMBER.sub("0", line))
    result, place = [], 0
    for line in quoted:
        if "…" not in line:
            at = next((at for at in range(place, len(found)) if words(found[at]) == words(line)), None)
            if at is not None:
                place, line = at + 1, found[at]
        result.append(line)
    return result


class Run:
    """One page."""

    def __init__(self, path, programs, flags):
        self.page = Page(path)
        self.programs, self.flags = programs, flags
        self.name = os.path.relpath(path, ROOT) if path.is_relative_to(ROOT) else str(path)
        self.faults = list(self.page.faults)
        self.ran = self.quotes = 0
        self.fresh = {}  # blocks to write anew, by line

    def fault(self, line, words):
        self.faults.append((line, words))

    def go(self, scratch):
        shutil.copytree(ROOT / "demo-data", scratch / "demo-data")
        output = None
        for block in self.page.blocks:
            if block.name:
                path = scratch / block.name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(block.text, encoding="utf-8")
            if block.word == "toml":
                self.recipe(block)
            elif block.word == "json":
                self.document(block)
            elif block.word == "sh" and not block.name:
                for line, command, code in commands(block):
                    if not any(command.startswith(start) for start in ELSEWHERE):
                        output = self.command(line, command, code, scratch)
            elif block.word == "text":
                self.quote(block, output)
            elif block.word == "":
                if re.search(r"^(\$ |tanyard |cargo )", block.text, re.MULTILINE):
                    self.fault(block.line, "commands stand in a fence without a word: write sh")
            elif not block.name:
                self.fault(block.line, f"what is a fence `{block.word}`, without the name of a file above it?")
        self.prose()
        self.links()

    def command(self, line, command, code, scratch):
        """Runs it. What it prints."""
        for shown, run in SAME_AS.items():
            if command.startswith(shown):
                command = run + command.removeprefix(shown)
        words = {"PATH": f"{self.programs}:{os.environ['PATH']}", "HOME": str(scratch), "LC_ALL": "C.UTF-8"}
        try:
            done = subprocess.run(
                ["bash", "-c", command], cwd=scratch, env=words, stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=SECONDS,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            self.fault(line, f"takes longer than {SECONDS} s: {command}")
            return FAILED
        self.ran += 1
        output = done.stdout.decode(errors="replace")
        if done.returncode != code:
            self.fault(line, f"exit code {done.returncode}, the page says {code}: {command}\n{output}")
            return FAILED
        return output

    def quote(self, block, output):
        self.quotes += 1
        if output is None:
            self.fault(block.line, "no command was run whose output this could be; a fence without a word is for the rest")
        if output in (None, FAILED):
            return
        found = [line.rstrip() for line in output.rstrip("\n").split("\n")]
        quoted = [line.rstrip() for line in block.lines]
        at = compare(quoted, found)
        if at is not None:
            shown = quoted[at] if at < len(quoted) else "nothing more"
            self.fault(block.line + 1 + at, f"the page quotes: {shown}\nthe command prints:\n" + "\n".join(found))
            self.fresh[block.line] = remade(quoted, found)

    def recipe(self, block):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "tanyard.toml"
            path.write_text(block.text, encoding="utf-8")
            done = subprocess.run([f"{self.programs}/tanyard", "recipe", "--check", path], capture_output=True)
            if done.returncode:
                self.fault(block.line, f"is no recipe: {done.stderr.decode()}")

    def document(self, block):
        try:
            json.loads(block.text)
        except ValueError as error:
            self.fault(block.line, f"is no JSON: {error}")

    def prose(self):
        quoted = "\n".join(block.text for block in self.page.blocks if block.word == "text")
        for number, line in self.page.prose:
            for span in SPAN.findall(line):
                self.flagged(number, span)
            for figure in FIGURE.findall(line) if quoted else []:
                if figure not in quoted:
                    self.fault(number, f"{figure} % stands in no output that the page quotes")

    def flagged(self, number, span):
        """Holds flags in a span of code against the help of its command; of any, if it names none."""
        words = span.removeprefix("tanyard ").split()
        known = self.flags.get(words[0] if words else "") or set.union(*self.flags.values())
        for flag in FLAG.findall(span):
            if flag not in known and flag not in FOREIGN:
                self.fault(number, f"{flag} is no flag: `{span}`")

    def links(self):
        for number, target in self.page.links():
            if re.match(r"[a-z]+:", target):
                continue  # to the outside: nothing is fetched
            path, _, anchor = target.partition("#")
            path = (self.page.path.parent / path).resolve() if path else self.page.path
            if not path.exists():
                self.fault(number, f"leads nowhere: {target}")
            elif anchor and anchor not in Page(path).anchors():
                self.fault(number, f"there is no such heading: {target}")

    def remake(self):
        lines = self.page.path.read_text(encoding="utf-8").split("\n")
        # From the end, so that lines above keep their numbers.
        for block in reversed(self.page.blocks):
            if block.line in self.fresh:
                lines[block.line : block.line + len(block.lines)] = self.fresh[block.line]
        self.page.path.write_text("\n".join(lines), encoding="utf-8")


def help_flags(programs):
    """The flags of each subcommand, by its name."""

    def text(*words):
        return subprocess.run([f"{programs}/tanyard", *words, "--help"], capture_output=True, check=True).stdout.decode()

    names = re.findall(r"^  ([a-z]+) +\S", text().partition("Commands:")[2].partition("Options:")[0], re.MULTILINE)
    flags = {name: set(FLAG.findall(text(name))) for name in names if name != "help"}
    for name in ("merge", "show"):
        flags["report"] |= set(FLAG.findall(text("report", name)))
    flags["make_characters"] = set(
        FLAG.findall(subprocess.run([f"{programs}/make_characters", "--help"], capture_output=True, check=True).stdout.decode())
    )
    return flags


def index_faults(guide):
    """Pages that the index does not lead to."""
    index = guide / "README.md"
    led = {(guide / target.partition("#")[0]).resolve() for _, target in Page(index).links()}
    for page in sorted(guide.glob("*.md")):
        if page != index and page.resolve() not in led:
            yield f"docs/README.md does not lead to {page.name}"


def main():
    if len(sys.argv) < 2 or not (Path(sys.argv[1]) / "tanyard").exists():
        sys.exit("usage: run.py FOLDER [PAGE...] (FOLDER has the program: target/debug)")
    built = Path(sys.argv[1]).resolve()
    named = [Path(name).resolve() for name in sys.argv[2:]]
    paths = named or [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    remake = bool(os.environ.get("TANYARD_REMAKE"))
    failed = False
    with tempfile.TemporaryDirectory() as folder:
        programs = Path(folder) / "programs"
        programs.mkdir()
        (programs / "tanyard").symlink_to(built / "tanyard")
        (programs / "make_characters").symlink_to(built / "examples/make_characters")
        flags = help_flags(programs)
        begun = time.monotonic()
        for number, path in enumerate(paths):
            scratch = Path(folder) / f"page_{number}"
            scratch.mkdir()
            run, start = Run(path, programs, flags), time.monotonic()
            run.go(scratch)
            shutil.rmtree(scratch)
            print(f"{run.name}: {run.ran} commands, {run.quotes} quotes, {time.monotonic() - start:.1f} s", flush=True)
            if remake:
                run.remake()
            for line, words in sorted(run.faults):
                failed = True
                print(f"{run.name}:{line}: {words}", file=sys.stderr)
        print(f"{len(paths)} pages, {time.monotonic() - begun:.0f} s")
    for fault in index_faults(ROOT / "docs") if not named else []:
        failed = True
        print(fault, file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
