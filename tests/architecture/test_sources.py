"""What is called published was read; every text that is named stands in the chapter of sources."""

import ast
import re
from pathlib import Path

import pytest

from logan.pipeline.method import chapters

ROOT = Path(__file__).parents[2]
ROWS = re.findall(
    r"^\| ([^|]+) \| (read|second-hand|from memory|given|named) \| [^|]+ \|$", chapters()["sources"], re.M
)
STATES = dict(ROWS)
CITATION = re.compile(
    r"\b(?:\d+ CFR \d+(?:\.\d+(?:-\d+)?)?|IEC \d+(?:-\d+)*|ISO \d+|SAE J\d+|UN R\d+|UN Regulation|UN GTR \d+"
    r"|NIST SP \d+|ASTM \w+|ETRTO|TRB SR \d+|FMVSS \d+|CIPM-2007|EPA)\b"
)
MARKS = ("published", "recomputed", "from_memory", "common_practice")
FILES = [
    path
    for path in sorted((ROOT / "logan").rglob("*"))
    if path.suffix in (".py", ".md", ".toml") and path.name not in ("sources.md", "SOURCES.md")
]


def marks():
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in MARKS:
                yield f"{path.name}:{node.lineno}", node.func.attr, ast.literal_eval(node.args[0])


def test_published_names_a_text_that_was_read_and_nothing_else():
    found = list(marks())
    assert {mark for _, mark, _ in found} == set(MARKS)
    for place, mark, source in found:
        texts = [text for text in STATES if source.startswith(text)]
        if mark == "published":
            assert texts, f"{place}: {source}"
            assert STATES[max(texts, key=len)] in ("read", "given"), f"{place}: {source}"
            assert not re.search("from memory|common practice|computed|by hand", source), place
        if mark == "from_memory":
            assert not texts or STATES[max(texts, key=len)] not in ("read",), f"{place}: {source} was read"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_text_that_was_not_read_is_not_cited_as_if_it_were(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        for text in CITATION.findall(line):
            assert text in STATES, f"line {number + 1}: {text} is not in method/sources.md"
            beside = " ".join(lines[max(number - 2, 0) : number + 3])
            honest = STATES[text] in ("read", "given", "named") or re.search("from memory|second-hand", beside)
            assert honest, f"line {number + 1}: {text} is {STATES[text]}; say so"
