"""No remedy of the library reaches the page with a command, an option or a path in it."""

import ast
import re
import tomllib
from pathlib import Path

import pytest

import logan
from logan.errors import ConfigurationError
from logan.web.words import in_page_words, refusal_words

SOURCES = Path(logan.__file__).parent
PACKAGES = ("pipeline", "logs", "quality", "drive", "admission", "configuration", "channels", "dbc", "drive_library",
            "metrics", "model", "heat", "driving_range", "frames")  # fmt: skip
STRANGE = re.compile(
    r"--[a-z]|\blogan (new|plan|look|channels|import|drives?|fit|range|library|report)\b|\.incoming|\.toml"
)


def texts():
    """Every text in the source that mentions a command or an option, with its gaps filled."""
    for package in PACKAGES:
        for path in (SOURCES / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    text = node.value
                elif isinstance(node, ast.JoinedStr):
                    text = "".join(str(part.value) if isinstance(part, ast.Constant) else "7" for part in node.values)
                else:
                    continue
                if STRANGE.search(text) and "\n" not in text and " " in text and "``" not in text:
                    yield text
    for table in ("quality/findings.toml", "metrics/cautions.toml"):
        yield from filter(STRANGE.search, strings(tomllib.loads((SOURCES / table).read_text(encoding="utf-8"))))


def strings(content):
    """Every text within tables and lists."""
    if isinstance(content, str):
        yield content
    else:
        for part in content.values() if isinstance(content, dict) else content:
            yield from strings(part)


def test_every_remedy_can_be_said_without_a_terminal():
    found = sorted(set(texts()))
    assert len(found) > 30
    left = {text: in_page_words(text) for text in found if STRANGE.search(in_page_words(text))}
    assert left == {}


def test_the_pages_own_texts_name_no_command_and_no_file_of_the_build():
    own = [path for kind in ("templates/*.html", "static/*.js") for path in sorted((SOURCES / "web").glob(kind))]
    assert len(own) > 20
    assert {path.name: found for path in own if (found := STRANGE.findall(path.read_text(encoding="utf-8")))} == {}


def test_every_script_takes_what_its_neighbor_gives_and_says_each_name_once():
    texts = {path.name: path.read_text(encoding="utf-8") for path in sorted((SOURCES / "web" / "static").glob("*.js"))}
    given = {name: set(re.findall(r"^export (?:async )?(?:const|function|class) (\w+)", text, re.MULTILINE))
             for name, text in texts.items()}  # fmt: skip
    for name, text in texts.items():
        own = re.findall(r"^(?:export )?(?:async )?(?:const|let|function|class) (\w+)", text, re.MULTILINE)
        for taken, source in re.findall(r"^import \{([^}]*)\} from \"\./([\w.]+)\"", text, re.MULTILINE):
            pairs = [part.strip().split(" as ") for part in taken.split(",") if part.strip()]
            assert {pair[0] for pair in pairs} <= given[source], (name, source)
            own += [pair[-1] for pair in pairs]
        assert len(own) == len(set(own)), (name, sorted(own))


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("Import one with: logan import LOG", "Import one with: the Logs page"),
        ("/home/me/x/.incoming/0123456789abcdef/my log.csv: row 3", "my log.csv: row 3"),
        ("leave out such cells with --skip-text", 'with "Leave out table cells that hold text"'),
        (
            "Map them with 'logan channels LOG', then 'logan library decode'",
            "Map them on the Logs page (drop the log again, then Save the map), "
            'then "Make drives anew" on the Tools page',
        ),
        ("See what it has: logan look --drive 2", "See what it has: the Logs page"),
        ("See logan compare -h", "See the Tools page"),
        ("The method behind it: logan explain fit, logan explain heat", "The method behind it: fit, heat"),
        ("`logan explain` alone lists words", "the page of words and method lists words"),
        ("make a map with 'logan channels'", "make a map with the Logs page"),
        ("with the drives and with measurements.toml", 'with the drives and with "What was measured" in the settings'),
        ("altitude in [build] says otherwise", "altitude in the settings says otherwise"),
        ("a ratio of 3 / 4, 1e-3", "a ratio of 3 / 4, 1e-3"),
    ],
)
def test_words_for_a_terminal_are_turned_into_the_pages(said, shown):
    assert in_page_words(said) == shown


def test_a_refused_question_says_what_was_wrong_with_it():
    fault = 'speed: cannot read "x"; write it like --speed 65mph'
    error = ConfigurationError("the scenario cannot be used", "run logan range --help again", problems=(fault,))
    said = refusal_words(error)
    assert said.startswith('the scenario cannot be used. speed: cannot read "x"; write it like "speed"')
    assert ". Run the Range page" in said


@pytest.mark.parametrize(
    ("system", "load", "foreign"),
    [
        ("us", "such as 300 lb", r"\d (kg|km/h|km|kPa|°C)\b"),
        ("metric", "such as 150 kg", r"\d (lb|mph|mi|psi|°F)\b"),
    ],
)
def test_examples_in_the_fields_are_in_the_units_of_the_build(client, workspace, system, load, foreign):
    settings = workspace / "van" / "build.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace('units = "us"', f'units = "{system}"'), encoding="utf-8")
    for page in ("logs", "drives/1", "range"):
        shown = client.get(f"/builds/van/{page}").text
        assert page == "range" or load in shown
        assert not re.findall(foreign, shown), page
