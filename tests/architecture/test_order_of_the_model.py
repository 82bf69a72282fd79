"""The map in ``logan.model`` names every module, in an order in which each rests on those before it alone."""

import ast
import re
from pathlib import Path

import logan.model

FOLDER = Path(logan.model.__file__).parent
ORDER = re.findall(r"``(\w+)\.py``", logan.model.__doc__)


def imported_by(name):
    """Modules of the model that one of them imports."""
    for node in ast.walk(ast.parse((FOLDER / f"{name}.py").read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("logan.model"):
            parts = node.module.split(".")[2:]
            yield from parts or [alias.name for alias in node.names]


def test_the_map_of_the_model_names_every_module_once():
    assert sorted(ORDER) == sorted(path.stem for path in FOLDER.glob("*.py") if path.stem != "__init__")


def test_no_module_of_the_model_imports_one_that_stands_after_it():
    found = {(name, other) for name in ORDER for other in imported_by(name)}
    assert len(found) > 60
    assert sorted(pair for pair in found if ORDER.index(pair[1]) >= ORDER.index(pair[0])) == []
