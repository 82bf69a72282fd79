"""The chapters of the method: every equation is numbered once and cited from the code that works it out."""

import re
from pathlib import Path

import pytest

from logan.pipeline.method import chapters

CITED = re.compile(r"Method:\s+(\w+)\s+(\(\d+[a-z]?\)(?:(?:,| to|, and)\s+\(\d+[a-z]?\))*)")
CODE = {path: path.read_text(encoding="utf-8") for path in Path("logan").rglob("*.py")}
CHAPTERS = ("admission", "fit", "heat", "measured", "plan", "sensors")


def numbered(chapter):
    """Numbers that stand where an equation is set: at a line's or a sentence's begin, or behind a displayed one."""
    text = chapters()[chapter]
    if chapter == "plan":
        lines = "\n".join(re.findall("^    .*$", text, re.M))
        return re.findall(r"(?:  |, )\((\d+[a-z]?)\)(?=$|,|  )", lines, re.M)
    return re.findall(r"(?:^|\. )\((\d+[a-z]?)\) ", text, re.M)


def cited():
    """Chapter and number of every citation, such as ``Method: fit (1) to (3)`` or ``Method: plan (4), (5)``."""
    found = {
        (match[1], number)
        for text in CODE.values()
        for match in re.finditer(r"method/(\w+)\.md, eq\. (\d+[a-z]?(?:,\s+\d+[a-z]?)*)", text)
        for number in re.split(r",\s+", match[2])
    }
    for match in (match for text in CODE.values() for match in CITED.finditer(text)):
        for run in re.split(r",\s+(?:and\s+)?", match[2]):
            first, *last = re.findall(r"\d+[a-z]?", run)
            found |= (
                {(match[1], str(number)) for number in range(int(first), int(last[0]) + 1)}
                if last
                else {(match[1], first)}
            )
    return found


@pytest.mark.parametrize("chapter", CHAPTERS)
def test_every_equation_is_numbered_once_and_cited_and_every_citation_exists(chapter):
    numbers = numbered(chapter)
    assert len(numbers) == len(set(numbers)) > 3
    assert {number for name, number in cited() if name == chapter} == set(numbers)


def test_no_other_chapter_is_cited():
    assert {name for name, _ in cited()} == set(CHAPTERS)
