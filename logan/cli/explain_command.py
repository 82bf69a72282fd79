"""``logan explain``: what a word means, and how a figure is worked out."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("explain")
    def explain(
        topic: Annotated[str, typer.Argument(help="A word, or a chapter; left out, both are listed.")] = "",
    ) -> None:
        """Say what a word on the screen means, or print a chapter of the method behind the figures."""
        from logan.cli.rendering import print_lines, print_table, say
        from logan.pipeline.method import chapters, glossary

        words, method = glossary(), chapters()
        if topic in method:
            say(method[topic])
            return
        asked = topic.lower().strip()
        found = [row for row in words if asked in row[0].lower()] or [row for row in words if asked in row[1].lower()]
        print_table(("word", "meaning"), found, left=(0, 1))
        chosen = [name for name, text in method.items() if asked in text.lower()]
        print_lines(f"The method behind it: {', '.join(f'logan explain {name}' for name in chosen or method)}")
