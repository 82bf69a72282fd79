"""What users read is the English of a US garage: its spelling, its words, and no names from inside the code."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from logan.model.estimator import PLAIN_NAMES
from logan.model.parameters import PARAMETER_NAMES
from logan.wording import parameter_words

ROOT = Path(__file__).parents[1]
LOGAN = ROOT / "logan"

BRITISH = (
    "tyre saloon ageing aluminium weighbridge colour behaviour neighbour favour labour centre metre kilometre "
    "litre licence grey kerb petrol programme catalogue de-energised recognised organised analysed analyse summarised "
    "labelled travelled modelled cancelled levelled whilst learnt judgement fulfil tonne bonnet lorry windscreen"
)
OTHER_TRADE = (
    "held for ever", "for ever", "came to rest", "hangs on", "unseen error", "own level", "pulse resistance",
    "prior-dominated", "steepest start", "traction-idle", "drag area", "rolling coefficient", "kilonewton",
    "warm up rise", "Lift at once", "put back", "state of charge", "grade A",
)  # fmt: skip
WRONG = re.compile(rf"\b({'|'.join((*BRITISH.split(), *OTHER_TRADE))})s?\b", re.IGNORECASE)
IN_MESSAGES = re.compile(r"\b(mass|course|skew|plateau|state-of-charge|prior)\b", re.IGNORECASE)
"""Good words of the method's chapters, and of keys, that no message, table or page says."""
READ_ONLY_BY_CODE = {"channels/concepts.py", "channels/profiles.py", "units/algebra.py", "configuration/declared.py"}
"""Words in which strangers' files are written: read, never shown."""


def texts_of(path: Path) -> list[tuple[int, str]]:
    """Strings of a module that hold words; docstrings only where a command's are its help."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    hidden = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list) and not (
            isinstance(node, ast.FunctionDef) and node.decorator_list and "cli" in path.parts
        ):
            hidden |= {id(part.value) for part in body if isinstance(part, ast.Expr)}
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and " " in node.value
        and id(node) not in hidden
    ]


def user_texts() -> list[tuple[str, str]]:
    """Every text that a user may read, with its place."""
    found = []
    for path in sorted(LOGAN.rglob("*.py")):
        name = path.relative_to(LOGAN).as_posix()
        if name not in READ_ONLY_BY_CODE:
            found += [(f"{name}:{line}", text) for line, text in texts_of(path)]
    pages = [
        *LOGAN.rglob("*.html"),
        *LOGAN.rglob("*.js"),
        *(LOGAN / "configuration").rglob("*.toml"),
        *(LOGAN / "method").glob("*.md"),
    ]
    for path in [ROOT / "README.md", *sorted(pages)]:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            # Of a script only what stands in quotes is read by people.
            told = (
                " ".join(words for words in re.findall(r'"([^"]*)"', line) if " " in words)
                if path.suffix == ".js"
                else line
            )
            found.append((f"{path.relative_to(ROOT)}:{number}", told))
    return found


def test_user_texts_are_spelled_and_worded_as_in_a_us_garage():
    wrong = [
        f"{place}: {match[0]}: {text.strip()[:90]}" for place, text in user_texts() if (match := WRONG.search(text))
    ]
    assert not wrong, f"{len(wrong)}\n" + "\n".join(wrong)


def test_messages_say_weight_heading_and_soc():
    wrong = [
        f"{place}: {match[0]}: {text.strip()[:90]}"
        for place, text in user_texts()
        if re.match(r"[^:]*\.(py|html|js):", place) and (match := IN_MESSAGES.search(text))
    ]
    assert not wrong, "\n".join(wrong)
    assert not IN_MESSAGES.search(", ".join((*PLAIN_NAMES, *map(parameter_words, PARAMETER_NAMES))))
