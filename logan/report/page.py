"""A report as one self-contained HTML file: offline, printable, and readable without JavaScript."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from logan.report.document import Document, FigureBlock, KeyFigures, TableBlock, Words
from logan.report.theme import alt_text

if TYPE_CHECKING:
    import jinja2
    import plotly.graph_objects as go


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_template), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    environment.tests["key_figures"] = lambda block: isinstance(block, KeyFigures)
    environment.tests["table"] = lambda block: isinstance(block, TableBlock)
    environment.tests["figure_block"] = lambda block: isinstance(block, FigureBlock)
    environment.tests["words"] = lambda block: isinstance(block, Words)
    environment.filters["figure_json"] = figure_json
    environment.filters["alt_text"] = alt_text
    return environment


def _template(name: str) -> str:
    return files("logan.report").joinpath("templates", name).read_text(encoding="utf-8")


def figure_json(figure: go.Figure) -> str:
    """A figure as JSON that may stand inside a script element, whatever names it holds."""
    text = str(figure.to_json())
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e").replace("\u2028", "\\u2028")


def render_page(document: Document) -> str:
    """Render a report.

    Parameters
    ----------
    document : Document
        The finished report.

    Returns
    -------
    str
        One HTML file; it asks the network for nothing.
    """
    import markupsafe
    from plotly.offline import get_plotlyjs

    has_figures = any(isinstance(block, FigureBlock) for section in document.sections for block in section.blocks)
    library = get_plotlyjs() if has_figures else ""
    # A script element ends at the first "</script"; the library's own text must not hold one.
    library = re.sub(r"</(script)", r"<\\/\1", library, flags=re.IGNORECASE)
    script = _template("report.js")
    content: dict[str, Any] = {
        "document": document,
        "style": markupsafe.Markup(_template("report.css")),
        "library": markupsafe.Markup(library),
        "script": markupsafe.Markup(script),
        "policy": _policy(library, script),
    }
    return _environment().get_template("report.html").render(content)


def _policy(*scripts: str) -> str:
    """Content security policy: only these very scripts run, and nothing is fetched."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
        for script in scripts
        if script
    )
    return (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data: blob:; "
        f"script-src {hashes}; base-uri 'none'; form-action 'none'"
    )
