"""What the library says to users of a terminal, in the page's words: no commands, no options, no paths."""

import re
from typing import Any, Final

from logan.errors import LoganError

_PLACES: Final = (
    (r"channels|look|import|library decode", "the Logs page"),
    (r"drives?|library|limits", "the Drives page"),
    (r"plan|gearing|trend|effect|compare|export", "the Tools page"),
    (r"fit|range", "the Range page"),
    (r"report", "the Report page"),
    (r"new|fleet(?: \w+)?|demo|serve", "the start page"),
)
_SPAN: Final = r"\s+\S+\.\.\S+"
_RULES: Final = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"\.?/?(?:[\w.~ -]*/)*\.incoming/[0-9a-f]{16}/", ""),
        (r"(?<![\w.])/(?:[\w.~-]+/)+", ""),
        (r",? ?with --why( \"[^\"]*\"?)?", " with its reason"),
        (r" --why( \"[^\"]*\"?)?", ", with the reason"),
        (r"logan drive \w+ --(?:trim|mask)" + _SPAN, "mark that span on the drive's timeline"),
        (r"logan drive \w+ --untrim", "take it back on the drive's page"),
        (r"logan drive (?:\w+|\S+)(?: --\S+)*", "the drive's page"),
        (r"(?:with|leave out such cells with) --skip-text", 'with "Leave out table cells that hold text"'),
        (r"with --anyway", 'with "Keep a log with lost lines"'),
        (r"with --without-energy", 'with "Keep a drive without pack current"'),
        (r"with --one-drive", "as one drive"),
        (r"with --columns [^;,.)]+", "in the file's first line"),
        (r"[Ss]ay it with --dbc FILE|with --dbc FILE", "by dropping it on the Logs page"),
        (r"`?logan plan --freeze`?", "Freeze the plan, on the Tools page"),
        (r"`logan explain` alone lists", "the page of words and method lists"),
        (r"`?\blogan explain (\w+)`?", r"\1"),
        (r"with '?logan channels LOG'?", "on the Logs page (drop the log again, then Save the map)"),
        (r"['`]?\blogan library decode['`]?", '"Make drives anew" on the Tools page'),
        *((rf"['`]?\blogan (?:{names})\b(?: (?:-h\b|--[\w-]+|\d+\b|[A-Z]{{1,6}}\b|[a-z]+(?= --)))*['`]?", place)
          for names, place in _PLACES),
        (r"\bmeasurements\.toml", '"What was measured" in the settings'),
        (r"build\.toml|channels\.toml", "the settings"),
        (r"\s*\(else: --[^)]*\)", ""),
        (r"in \[build\]", "in the settings"),
    )
)  # fmt: skip


_OPTION: Final = re.compile(r"--([a-z][a-z-]*)(?:=\S+| [A-Z]{2,}\S*)?")


def in_page_words(text: str) -> str:
    """A text for a terminal as the page says it."""
    if "--" in text or "logan " in text or "/" in text or ".toml" in text or "[build]" in text:
        for pattern, words in _RULES:
            text = pattern.sub(words, text)
        text = _OPTION.sub(lambda found: f'"{found[1].replace("-", " ")}"', text)
    return text


def refusal_words(error: LoganError) -> str:
    """Problem and remedy of a refusal, and the first faults found; of its place only the file's own name."""
    problem, remedy = in_page_words(error.problem), in_page_words(error.remedy)
    problem = ". ".join([problem, *map(in_page_words, getattr(error, "problems", ())[:5])])
    name = "" if error.path is None or error.path.suffix == ".toml" or error.path.is_dir() else f"{error.path.name}: "
    line = f"line {error.line}: " if error.line is not None else ""
    return f"{name}{line}{problem}. {remedy[:1].upper()}{remedy[1:]}".strip()


def worded(content: Any, is_words: bool = False) -> Any:
    """JSON with every remedy, reason, line and table in the page's words; ``is_words`` where all of it is words."""
    if isinstance(content, dict):
        return {key: worded(item, key in _WORDED_KEYS) for key, item in content.items()}
    if isinstance(content, list | tuple):
        return [worded(item, is_words) for item in content]
    return in_page_words(content) if is_words and isinstance(content, str) else content


_WORDED_KEYS: Final = (
    *("remedy", "reason", "text", "note", "evidence", "detail", "caution", "remark"),
    *("lines", "rows", "title", "notes", "cautions", "help", "about"),
)
