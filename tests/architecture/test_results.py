"""Every result is frozen, carries a schema name of its own, and turns into JSON."""

import dataclasses
import importlib
import inspect
import json
import pkgutil
import re
from pathlib import Path

import numpy as np
import pytest

import logan
from logan.pipeline.workbench import _per_km
from logan.results import Estimate, Quantiles, Refusal, json_ready, result_from_json
from logan.wording import figure


def results():
    for module in pkgutil.walk_packages(logan.__path__, "logan."):
        if module.name.startswith(("logan.web", "logan.__main__")):
            continue
        for name, item in inspect.getmembers(importlib.import_module(module.name), inspect.isclass):
            is_own = item.__module__ == module.name and dataclasses.is_dataclass(item)
            if is_own and isinstance(getattr(item, "schema", None), str):
                yield f"{module.name}.{name}", item


RESULTS = dict(results())


def test_there_are_results():
    assert len(RESULTS) > 40


@pytest.mark.parametrize("name", RESULTS)
def test_a_result_is_frozen_and_its_schema_is_numbered(name):
    item = RESULTS[name]
    assert item.__dataclass_params__.frozen
    assert re.fullmatch(r"[a-z0-9-]+/[1-9][0-9]*", item.schema)


def test_no_two_results_share_a_schema():
    schemas = [item.schema for item in RESULTS.values()]
    assert sorted(set(schemas)) == sorted(schemas)


def test_nan_and_infinity_become_null():
    content = json_ready({"a": np.array([1.0, np.nan, np.inf]), "b": np.float64("nan")})
    assert json.loads(json.dumps(content, allow_nan=False)) == {"a": [1.0, None, None], "b": None}


@pytest.mark.parametrize(
    "result", [Estimate(1.5, "Wh/km", 0.1, "measured", 0.99), Quantiles(1.0, 2.0, 3.0, 4.0, 5.0, "m")]
)
def test_a_figure_survives_its_json(result):
    assert result_from_json(type(result), json_ready(result)) == result


def test_a_refusal_keeps_its_reason():
    assert json_ready(Refusal("no voltage", "map it")) == {"reason": "no voltage", "remedy": "map it"}


def test_a_missing_uncertainty_is_carried_on_and_never_counts_as_none():
    distance_m, energy_wh = Estimate(1000.0, "m"), Estimate(200.0, "Wh", 2.0)
    span = _per_km(energy_wh, distance_m)
    assert figure(span) == "200"
    assert json_ready(span)["sigma"] is None
    assert figure(_per_km(energy_wh, dataclasses.replace(distance_m, sigma=10.0)), digits=1) == "200.0 ± 2.8"
    sources = Path(logan.__file__).parent.rglob("*.py")
    assert not [path.name for path in sources if re.search(r"\bsigma or 0\.0\b", path.read_text(encoding="utf-8"))]
