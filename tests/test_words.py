"""What users read is the English of a US garage: its spelling, its words, and no names from inside the code."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from logan.channels.vocabulary import CHANNEL_KINDS
from logan.model.estimator import PLAIN_NAMES
from logan.model.parameters import PARAMETER_NAMES
from logan.units import DisplayUnits
from logan.wording import parameter_words, told_apart

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
READ_ONLY_BY_CODE = {"units/algebra.py", "configuration/declared.py"}
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


def test_advice_names_settings_as_they_are_typed():
    """ "Give cell_voltage_floor_v" once named the field of the code: a build has no such key."""
    field = re.compile(
        r"\b(?:[Gg]ive|[Ee]nter|[Ss]et) [a-z]+(?:_[a-z]+)*_(?:w|v|a|kg|wh|m|m2|ohm|pa|ratio|degc|k|n|nm)\b"
    )
    assert [found for found in user_texts() if field.search(found[1])] == []


def test_percent_stands_apart_from_its_number_everywhere():
    """As the terminal has it everywhere: f"{x:.1%}" once wrote "4.6% more" beside "a change of 5 %"."""
    glued = [
        f"{path.relative_to(LOGAN)}:{node.lineno}"
        for path in sorted(LOGAN.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FormattedValue)
        and node.format_spec is not None
        and any(isinstance(part, ast.Constant) and str(part.value).endswith("%") for part in node.format_spec.values)
    ]
    assert glued == []


def user_texts() -> list[tuple[str, str]]:
    """Every text that a user may read, with its place."""
    found = []
    for path in sorted(LOGAN.rglob("*.py")):
        name = path.relative_to(LOGAN).as_posix()
        if name not in READ_ONLY_BY_CODE:
            found += [(f"{name}:{line}", text) for line, text in texts_of(path)]
    found += [(f"channels/vocabulary.py:{kind.name}", kind.meaning) for kind in CHANNEL_KINDS]
    pages = [
        *LOGAN.rglob("*.html"),
        *LOGAN.rglob("*.js"),
        *(LOGAN / "configuration").rglob("*.toml"),
        LOGAN / "metrics" / "cautions.toml",
        LOGAN / "quality" / "findings.toml",
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
        if re.match(r"[^:]*(\.(py|html|js)|cautions\.toml|findings\.toml):", place)
        and (match := IN_MESSAGES.search(text))
    ]
    assert not wrong, "\n".join(wrong)
    assert not IN_MESSAGES.search(", ".join((*PLAIN_NAMES, *map(parameter_words, PARAMETER_NAMES))))


READ_AS_TYPED = ("configuration/", "channels/", "dbc/", "demo/", "logs/", "units/", "cli/", "report/", "web/",
                 "pipeline/demo_run")  # fmt: skip
"""What reads units, gives examples of them, or formats for a reader whose units it knows; the demo is a US build."""
BARE_SI = re.compile(
    r"(?:\d|\{\})[ \u00a0]?(?:°C|°F|K|m/s|km/h|mph|mi|km|m|mm|kg|lb|Wh/km|Wh/mi|kN|N·m|N|kPa|Pa|N/\(m/s\))(?![\w/·°²³])"
)


def written_texts(tree: ast.AST) -> list[tuple[int, str]]:
    """Strings that are no docstrings, with ``{}`` for what is filled in."""
    hidden = {
        id(part.value)
        for node in ast.walk(tree)
        if isinstance(body := getattr(node, "body", None), list)
        for part in body
        if isinstance(part, ast.Expr)
    }
    texts = []
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            hidden |= {id(part) for part in node.values}
            parts = (part.value if isinstance(part, ast.Constant) else "{}" for part in node.values)
            texts.append((node.lineno, "".join(map(str, parts))))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in hidden:
            texts.append((node.lineno, node.value))
    return texts


def bare_units(source: str) -> list[str]:
    """Quantities of a module that no reader's units would reach."""
    return [
        f"{line}: {text}"
        for line, text in written_texts(ast.parse(source))
        # A quantity alone is what somebody may type; a distance to keep from a burning pack is said twice.
        if not re.fullmatch(r"(\d+|\{\}) \S+", text)
        and BARE_SI.search(re.sub(r"\d+ ft \(\d+ m\)|\w+=\d+ \S+|\(\?.*", "", text))
    ]


def test_no_sentence_of_the_core_carries_a_quantity_that_its_reader_could_not_read():
    assert bare_units('f"it falls by {fall:.1f} K"\nf"above {8} m/s"\nx = "more than 8 m/s of speed"')
    assert not bare_units("f\"it falls by {measure(fall, 'K', '.1f')} in ten minutes\"")
    wrong = [
        f"{name}:{text}"
        for path in sorted(LOGAN.rglob("*.py"))
        if not (name := path.relative_to(LOGAN).as_posix()).startswith(READ_AS_TYPED)
        for text in bare_units(path.read_text(encoding="utf-8"))
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    ("values", "unit", "texts"),
    [
        ((2.997, 3.0), "V", ("2.997 V", "3.000 V")),
        ((2.5, 3.0), "V", ("2.50 V", "3.00 V")),
        ((3.0, 3.0), "V", ("3.00 V", "3.00 V")),
        ((2.997, None, 3.0), "V", ("2.997 V", "–", "3.000 V")),
        ((95.3, 90.0, 95.0), "degC", ("95.3 °C", "90.0 °C", "95.0 °C")),
        ((499.6, 500.0), "kohm", ("499.6 kohm", "500.0 kohm")),
        ((None, 3.0), "V", ("–", "3.00 V")),
    ],
)
def test_a_value_is_told_from_the_limit_that_it_passed(values, unit, texts):
    assert told_apart(*values, unit=unit, units=DisplayUnits.parse("km,C")) == texts
