"""A report as one self-contained HTML file: offline, printable, and readable without JavaScript."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from logan.report.draw import drawing
from logan.report.figure import figure_css
from logan.report.inputs import Document, FigureBlock, TableBlock, Verdict, Words
from logan.wording import told

if TYPE_CHECKING:
    import jinja2

    from logan.units import DisplayUnits


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_template), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    environment.tests["table"] = lambda block: isinstance(block, TableBlock)
    environment.tests["figure_block"] = lambda block: isinstance(block, FigureBlock)
    environment.tests["verdict"] = lambda block: isinstance(block, Verdict)
    environment.tests["words"] = lambda block: isinstance(block, Words)
    environment.filters["drawing"] = drawing
    return environment


def _template(name: str) -> str:
    return files("logan.report").joinpath("templates", name).read_text(encoding="utf-8")


def figure_script() -> str:
    """What reads the lines of a figure under pointer, finger and keyboard; the local page carries the same."""
    return _template("figure.js")


def render_page(document: Document, units: DisplayUnits) -> str:
    """Render a report.

    Parameters
    ----------
    document : Document
        The finished report.
    units : DisplayUnits
        What its reader reads.

    Returns
    -------
    str
        One HTML file; it asks the network for nothing.
    """
    import markupsafe

    content: dict[str, Any] = {
        "document": document,
        "lengths": {section.length for section in document.sections},
        "style": markupsafe.Markup(_style(document.paper)),
        "script": markupsafe.Markup(_script()),
        "policy": report_policy(),
    }
    return told(_environment().get_template("report.html").render(content), units)


def _style(paper: str) -> str:
    return f"{_template('report.css')}{figure_css()}@page{{size:{paper}}}"


@cache
def _script() -> str:
    return figure_script() + _template("report.js")


@cache
def report_policy() -> str:
    """Content security policy of a report: only logan's own script runs, by its hash; nothing is fetched."""
    digest = base64.b64encode(hashlib.sha256(_script().encode()).digest()).decode()
    return (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
        f"script-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
