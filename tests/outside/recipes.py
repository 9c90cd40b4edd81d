"""Recipes against docs/recipe.schema.json: a validator and a TOML reader of their own.

The starter (as it stands, and with its settings and examples uncommented) and every recipe of the documents must
pass; each with one thing broken must not.
"""

import json
import re
import sys
import tomllib
from pathlib import Path

from jsonschema import Draft202012Validator

ROOT = Path(__file__).resolve().parents[2]
FENCE = re.compile(r"^```toml\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LEAST = 12  # recipes; fewer means that the documents were not found

BROKEN = {
    "a key that is none": "[fit]\ninfluence = 3\n",
    "a section that is none": "[fits]\ninfluences = 3\n",
    "a word for a number": "[fit]\ninfluences = 'four'\n",
    "a word that is none": "[write]\nweights = 'u4'\n",
    "a layer without kind": "[[layer]]\nradius = 2\n",
    "a finding that is none": "limits.inspect.torn_seam = 0\n",
    "an override without path": "[[character]]\nfit.influences = 2\n",
    "an override with a key that is none": "[[character]]\npath = 'a'\nfit.influence = 2\n",
    "an override of a section that is none": "[[character]]\npath = 'a'\nfits = {}\n",
}


def recipes():
    starter = (ROOT / "src/recipe/starter.toml").read_text()
    yield "the starter", starter
    yield "the starter, uncommented", re.sub(r"^#(?=  |[^ \n])", "", starter, flags=re.MULTILINE)
    for name in ["README.md", *sorted(str(path.relative_to(ROOT)) for path in ROOT.glob("docs/*.md"))]:
        for index, fence in enumerate(FENCE.findall((ROOT / name).read_text())):
            yield f"{name}, recipe {index + 1}", fence


def main():
    schema = json.loads((ROOT / "docs/recipe.schema.json").read_text())
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    faults, passed = [], 0
    for name, text in recipes():
        errors = [f"{name}: {error.json_path}: {error.message}" for error in validator.iter_errors(tomllib.loads(text))]
        faults += errors
        passed += not errors
    if passed < LEAST and not faults:
        faults.append(f"only {passed} recipes were found")
    for name, text in BROKEN.items():
        if validator.is_valid(tomllib.loads(text)):
            faults.append(f"the schema takes {name}")
    for fault in faults:
        print(fault, file=sys.stderr)
    print(f"{passed} recipes pass, {len(BROKEN)} broken ones are told")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
