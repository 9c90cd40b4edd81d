"""Holds every report in a case to what is published: JSON and lines to the JSON Schemas in docs, JUnit XML to an XSD.

Source:    junit-10.xsd, the schema of the xUnit plugin of a common build server (copyright 2014 Gregory Boissinot, MIT
           licence, in the file), as it is in the source package of pytest 8.3.4 on PyPI,
           testing/example_scripts/junit-10.xsd; unchanged. XML is read by libxml2, JSON by Python.
Tolerance: none.
"""

import json
from pathlib import Path

from jsonschema import Draft202012Validator
from lxml import etree

from cases import run_cases

HERE = Path(__file__).resolve().parent
DOCS = HERE.parent.parent / "docs"


def validator(name):
    schema = json.loads((DOCS / name).read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


DOCUMENT, LINE = validator("report.schema.json"), validator("report-line.schema.json")
JUNIT = etree.XMLSchema(etree.parse(HERE / "junit-10.xsd"))


def no_number(text):
    raise ValueError(f"{text} is not JSON")


def strictly(text):
    return json.loads(text, parse_constant=no_number)


def check_document(path):
    DOCUMENT.validate(strictly(path.read_text(encoding="utf-8")))
    return 1


def check_lines(path):
    lines = [strictly(line) for line in path.read_text(encoding="utf-8").splitlines() if line]
    for line in lines:
        LINE.validate(line)
    *files, run = lines
    if run["run"] is None or any(line["file"] is None for line in files):
        raise ValueError("not lines of files and then one of the run")
    if run["run"]["counts"]["files"] != len(files):
        raise ValueError(f"{len(files)} lines of files, the run counts {run['run']['counts']['files']}")
    return len(lines)


def check_junit(path):
    document = etree.parse(path)
    JUNIT.assertValid(document)
    root = document.getroot()
    counts = {"tests": "testcase", "failures": "failure", "errors": "error"}
    for suite in [root, *root.iter("testsuite")]:
        for attribute, element in counts.items():
            found = sum(1 for _ in suite.iter(element))
            if int(suite.get(attribute)) != found:
                raise ValueError(f"{suite.get('name')}: {attribute} = {suite.get(attribute)}, {found} are there")
    names = [(case.get("classname"), case.get("name")) for case in root.iter("testcase")]
    if len(names) != len(set(names)):
        raise ValueError("two cases of one name")
    return len(names)


FORMS = {".json": check_document, ".jsonl": check_lines, ".xml": check_junit}


def check(folder):
    found = []
    for suffix, check_form in FORMS.items():
        files = sorted(folder.glob(f"*{suffix}"))
        if not files:
            raise ValueError(f"no report that ends in {suffix}")
        found += [f"{path.name} ({check_form(path)})" for path in files]
    return ", ".join(found)


if __name__ == "__main__":
    run_cases(check)
