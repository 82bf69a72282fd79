"""``logan explain``: what a word means, and how a figure is worked out."""

from __future__ import annotations

from typing import Annotated

import typer

from logan.errors import UsageError


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("explain")
    def explain(
        topic: Annotated[
            str, typer.Argument(help="A word, a setting, or a chapter; left out, words and chapters are listed.")
        ] = "",
    ) -> None:
        """Say what a word on the screen or a setting means, or print a chapter of the method."""
        from logan.cli.rendering import print_lines, print_table, say
        from logan.pipeline.method import chapters, glossary
        from logan.pipeline.settings_form import settings_like
        from logan.units import DisplayUnits

        words, method = glossary(), chapters()
        if topic in method:
            say(method[topic])
            return
        asked = topic.lower().strip()
        found = [row for row in words if asked in row[0].lower()] or [row for row in words if asked in row[1].lower()]
        settings = settings_like(asked, DisplayUnits()) if asked else ()
        chosen = [name for name, text in method.items() if asked in text.lower()]
        if not (found or settings or chosen):
            raise UsageError(
                f"'{topic}' is no word, setting or chapter", "`logan explain` alone lists words and chapters"
            )
        if found:
            print_table(("word", "meaning"), found, left=(0, 1))
        if settings:
            rows = [(one.key, one.example, one.hint or ", ".join(one.choices)) for one in settings]
            print_table(("setting", "such as", "what it is"), rows, left=(0, 1, 2))
        print_lines(f"The method behind it: {', '.join(f'logan explain {name}' for name in chosen or method)}")
