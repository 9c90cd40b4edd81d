"""Pages of the guide, read for their fenced blocks, links and anchors.

    pages.py PAGE FOLDER    writes the files that a page shows into a folder

What a fence is:

| fence | is |
| --- | --- |
| sh | commands, one a line (a backslash at the end goes on); `# exit code 1` at the end of one, where it is not 0 |
| text | what the last command before it on the page prints, or some lines of it: a line `…` stands for any lines, `…` in a line for any words |
| toml, json, yaml, make, sh under a line such as "`crowd/tanyard.toml`, for the crowd:" | a file of that name |
| without a word | neither: formulas, drawings |
"""

import re
import sys
from dataclasses import dataclass
from pathlib import Path

# A line of its own that begins with a file's name in code and ends with a colon.
NAMES_FILE = re.compile(r"`((?:[\w-]+/)*(?:[\w-]+\.(?:toml|json|yaml|mk|sh|sbatch)|Makefile))`.*:$")
FENCE = re.compile(r"\s*```(.*)$")
LINK = re.compile(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)|!\[[^\]]*\]\(([^)\s]+)\)")
HEADING = re.compile(r"#{1,6} +(.*?)\s*$")


@dataclass
class Block:
    line: int  # of the opening fence, from 1
    word: str  # after the fence; empty for none
    name: str | None  # of the file that it shows
    lines: list[str]

    @property
    def text(self):
        return "".join(f"{line}\n" for line in self.lines)


class Page:
    """A page: `blocks`, and `prose` as (number, line), which has all other lines. Faults are (line, words)."""

    def __init__(self, path):
        self.path = path
        self.blocks, self.prose, self.faults = [], [], []
        block = None
        for number, line in enumerate(path.read_text(encoding="utf-8").split("\n"), 1):
            fence = FENCE.match(line)
            if block is None and not fence:
                self.prose.append((number, line))
            elif block is None:
                if not line.startswith("```"):
                    self.faults.append((number, "a fence that is set in is not run: begin it at the margin"))
                block = Block(number, fence[1].strip(), self._name(number), [])
            elif line == "```":
                self.blocks.append(block)
                block = None
            else:
                block.lines.append(line)
        if block is not None:
            self.faults.append((block.line, "this fence does not end"))

    def _name(self, fence):
        """The name in the line before the fence at that line, if that line is a paragraph by itself."""
        before = {number: line for number, line in self.prose[-3:]}
        last = fence - 1 if before.get(fence - 1) else fence - 2
        found = NAMES_FILE.fullmatch(before.get(last, ""))
        return found[1] if found and not before.get(last - 1) else None

    def files(self):
        return [block for block in self.blocks if block.name]

    def links(self):
        """(line, target) of links and images, without those in code."""
        for number, line in self.prose:
            for match in LINK.finditer(re.sub(r"`[^`]*`", "``", line)):
                yield number, match[1] or match[2]

    def anchors(self):
        """Names of the page's headings, as the usual hosts make them."""
        seen, anchors = {}, set()
        for _, line in self.prose:
            if heading := HEADING.match(line):
                words = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading[1]).lower()
                slug = re.sub(r"[^\w\- ]", "", words).replace(" ", "-")
                count = seen.get(slug, 0)
                seen[slug] = count + 1
                anchors.add(f"{slug}-{count}" if count else slug)
        return anchors


def main():
    if len(sys.argv) != 3:
        sys.exit("usage: pages.py PAGE FOLDER")
    for block in Page(Path(sys.argv[1])).files():
        path = Path(sys.argv[2]) / block.name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(block.text, encoding="utf-8")


if __name__ == "__main__":
    main()
