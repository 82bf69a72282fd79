"""Public functions of published physics say shapes, units and where the formula comes from."""

import importlib
import inspect
import pkgutil

import pytest

import logan.physics

MODULES = [module.name for module in pkgutil.iter_modules(logan.physics.__path__, "logan.physics.")]
FUNCTIONS = {
    f"{name}.{label}": item
    for name in MODULES
    for label, item in inspect.getmembers(importlib.import_module(name), inspect.isfunction)
    if item.__module__ == name and not label.startswith("_")
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_of_physics_documents_every_argument(name):
    item = FUNCTIONS[name]
    text = inspect.getdoc(item) or ""
    assert text
    parameters = [p for p in inspect.signature(item).parameters if p not in ("self", "cls")]
    if len(text.splitlines()) <= 4:
        return
    for parameter in parameters:
        assert parameter in text, parameter
    assert "Returns" in text or text.startswith("Return")


def test_sources_are_named():
    def text(item):
        return inspect.getdoc(item) or ""

    long = {name: text(item) for name, item in FUNCTIONS.items() if len(text(item).splitlines()) > 12}
    without = [name for name, words in long.items() if "References" not in words and "ommon practice" not in words]
    # The rest restate another function's formula, or plain mechanics that no source would be named for.
    assert len(without) <= len(long) // 2, without
