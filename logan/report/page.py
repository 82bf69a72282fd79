"""A report as one self-contained HTML file: offline, printable, and readable without JavaScript."""

from __future__ import annotations

import base64
import gzip
import hashlib
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from logan.report.document import Document, FigureBlock, KeyFigures, TableBlock, Verdict, Words
from logan.report.drawing.static_figure import static_svg
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
    environment.tests["verdict"] = lambda block: isinstance(block, Verdict)
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

    blocks = [block for section in document.sections for block in section.blocks]
    has_figures = any(isinstance(block, FigureBlock) for block in blocks)
    content: dict[str, Any] = {
        "document": document,
        "style": markupsafe.Markup(_template("report.css")),
        "library": markupsafe.Markup(_packed_library() if has_figures else ""),
        "script": markupsafe.Markup(_template("report.js")),
        "policy": report_policy(),
        "is_drawn_in": static_svg,
    }
    return _environment().get_template("report.html").render(content)


@cache
def _packed_library() -> str:
    """The drawing library, a third of its size; the page's own script unpacks it."""
    from plotly.offline import get_plotlyjs

    return base64.b64encode(gzip.compress(get_plotlyjs().encode(), 9, mtime=0)).decode("ascii")


@cache
def report_policy() -> str:
    """Content security policy of a report: only logan's own two scripts run, by their hashes; nothing is fetched."""
    from plotly.offline import get_plotlyjs

    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
        for script in (get_plotlyjs(), _template("report.js"))
    )
    return (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data: blob:; "
        f"script-src {hashes}; base-uri 'none'; form-action 'none'"
    )
