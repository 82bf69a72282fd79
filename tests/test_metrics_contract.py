"""Every registered metric: named, in SI, worked out, kept, shown, tested, written down."""

import re
from importlib.resources import files
from pathlib import Path

import pytest

from logan.analysis import METRICS, analyse_drive
from logan.metrics.metric import Metric
from logan.report.sections.measurements import _ABOVE, _TABLES, figure_table, measurement_blocks
from logan.results import Estimate, Refusal, json_ready, result, result_from_json, schema_of
from logan.units import DisplayUnits
from tests.twin_drives import build_of, twin_drive

TESTS = "\n".join(path.read_text(encoding="utf-8") for path in Path(__file__).parent.rglob("test_*.py"))
UNITS = {
    "wh": "Wh", "wh_per_km": "Wh/km", "ratio": "ratio", "a": "A", "ohm": "ohm", "v": "V", "degc": "degC", "m": "m",
    "m2": "m2", "n": "N", "w": "W", "ohm_per_v": "ohm/V", "s": "s", "k": "K", "kg": "kg", "j": "J", "nm": "N*m",
    "ah": "Ah", "hz": "1/s", "pa": "Pa", "m_per_s": "m/s", "m_per_s2": "m/s2", "rad_per_s": "rad/s",
}  # fmt: skip
"""The suffixes of DEVELOPERS.md, and what the figure then says as its unit."""


@pytest.fixture(scope="module")
def analysis():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    return analyse_drive(twin.to_drive(), build_of(twin.vehicle))


@pytest.fixture(scope="module", params=METRICS, ids=lambda metric: metric.name)
def metric(request):
    return request.param


def test_names_and_schemas_are_each_ones_own():
    assert len({metric.name for metric in METRICS}) == len(METRICS)
    assert len({schema_of(metric.kind) for metric in METRICS}) == len(METRICS)


def test_it_is_worked_out_and_survives_being_kept(metric, analysis):
    found = getattr(analysis, metric.name)
    assert isinstance(found, metric.kind)
    kept = json_ready(found)
    assert json_ready(result_from_json(metric.kind, kept)) == kept


def test_figures_are_named_by_their_si_unit_and_say_where_they_come_from(metric, analysis):
    for name, figure in metric.figures(getattr(analysis, metric.name)).items():
        assert re.fullmatch(r"[a-z0-9_]+", name)
        if isinstance(figure, Estimate):
            suffix = max((suffix for suffix in UNITS if name.endswith(f"_{suffix}")), key=len, default="")
            assert suffix, f"{name} ends in no unit of SI"
            assert figure.unit == UNITS[suffix], name
            assert figure.source, name
        else:
            assert isinstance(figure, Refusal)
            assert figure.reason, name


def test_it_is_shown_tested_and_written_down(metric, analysis):
    found = getattr(analysis, metric.name)
    own = _TABLES.get(metric.name, lambda found, units: figure_table(metric, found, units))
    assert metric.name in _ABOVE or own(found, DisplayUnits()), f"{metric.name} is shown nowhere: it has no figures"
    module = metric.compute.__module__.rsplit(".", 1)[-1]
    assert re.search(rf"logan\.metrics\.{module} import|\.{metric.name}\b", TESTS)
    chapter = files("logan.method").joinpath("measured.md").read_text(encoding="utf-8")
    assert f"## {metric.name}\n" in chapter


def test_a_metric_without_a_table_of_its_own_is_shown_by_its_figures():
    @result()
    class Halves:
        half_wh: float

    toy = Metric("halves", Halves, lambda asked: Halves(half_wh=1.0),
                 lambda found: {"half_wh": Estimate(found.half_wh, "Wh", None, "toy")})  # fmt: skip
    (table,) = figure_table(toy, Halves(half_wh=500.0), DisplayUnits())
    assert table.rows == (("half wh", "500 Wh", "toy"),)


def test_the_order_of_questions_stays(analysis):
    captions = [getattr(block, "caption", "") for block in measurement_blocks(analysis, DisplayUnits())]
    assert len(captions) > 10
