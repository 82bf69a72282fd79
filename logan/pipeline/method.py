"""The use case "what does that mean": the glossary, and the chapters of the method."""

from importlib.resources import files


def chapters() -> dict[str, str]:
    """Chapters by name: equations, priors with their sources, what was validated."""
    folder = files("logan").joinpath("method")
    names = sorted(file.name for file in folder.iterdir() if file.name.endswith(".md"))
    return {name[:-3]: folder.joinpath(name).read_text(encoding="utf-8") for name in names if name != "glossary.md"}


def glossary() -> list[tuple[str, str]]:
    """Words on a screen and what they mean."""
    text = files("logan").joinpath("method", "glossary.md").read_text(encoding="utf-8")
    rows = [line.strip("| ").split(" | ") for line in text.splitlines() if line.startswith("|")]
    return [(word, meaning) for word, meaning in rows[2:]]
