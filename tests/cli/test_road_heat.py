"""What ``logan range`` says of heat on a road, on results made by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from logan.cli.range_tables import show_heat
from logan.heat.forecast import PartForecast
from logan.heat.road import RoadHeat
from logan.pipeline.heat import red_notes
from logan.report.sections.heat import heat_appendix, heat_section, road_figure
from logan.results import Estimate, Quantiles, Refusal
from logan.units import DisplayUnits

CHANNELS = {"motor": "motor_temperature", "inverter": "inverter_temperature", "cells": "cell_temperature_max"}
LIMITLESS = Refusal("no limit given", "Enter it")


def part(name="motor", *, red=120.0, peak=None, to_red=None):
    rise = np.linspace(20.0, 110.0, 150)
    found = SimpleNamespace(
        part=name, channel=CHANNELS[name], low_degc=rise - 5.0, middle_degc=rise, high_degc=rise + 9.0,
        peak_degc=peak or Estimate(110.0, "degC", 5.0), red_degc=red, amber_degc=100.0,
        derate_degc=None, to_amber_s=Estimate(300.0, "s", 60.0),
        to_derate_s=LIMITLESS, to_red_s=to_red or Refusal("not reached on this road in 97 % of the samples"),
        hidden_k=12.0,
    )  # fmt: skip
    found.may_reach_red = PartForecast.may_reach_red.fget(found)
    return found


def road(parts, *, over=0.97, refused=None, empty=None, held=None):
    return SimpleNamespace(
        name="pass", distance_m=16_093.0, duration_s=660.0, drive_count=3,
        forecast=SimpleNamespace(parts=parts, refused=refused or {}, over_ratio=over, short_ratio=0.0),
        held_share=held or Estimate(1.0, "ratio"), held_speed_m_per_s=24.6, empty_after_s=empty,
        arrival_charge=Quantiles.of_samples(np.array([0.60, 0.62, 0.64]), "ratio"),
        regenerated_wh=900.0, regen_lost_wh=400.0, is_all_out=False, advice="Pull hard", notes=("a note",),
    )  # fmt: skip


def shown(found, capsys):
    show_heat(found, DisplayUnits.parse("mi,F"))
    out = capsys.readouterr().out
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80
    return " ".join(out.split())


def test_the_first_lines_answer(capsys):
    words = shown(road((part(),)), capsys)
    assert "10.0 mi in 11 min, from 3 drives" in words
    assert "Chance of getting over: 97 %; hottest against its limit: motor." in words
    assert "Speed that holds (9 chances in 10): 55 mph." in words
    assert "Arrives with 62 % SOC" in words
    assert "0.9 kWh regen; 0.4 kWh go to the friction brakes" in words
    assert "230 (221 to 246)" in words
    assert "5 ± 1" in words


def test_a_refused_part_leaves_no_chance_and_says_why(capsys):
    why = Refusal("of a part with a red limit nothing may be said yet", "See which")
    words = shown(road((part(),), over=None, refused={"inverter": Refusal("no coolant")}, held=why), capsys)
    assert "Chance of getting over: refused, of a part with a red limit" in words
    assert "refused: no coolant" in words


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (road((part(red=None),)), "230 (221 to 246) no limit"),
        (road((part(to_red=Estimate(480.0, "s", 90.0)),), over=0.2), "red after 8 ± 2 min"),
        (road((part(),), over=0.0, empty=300.0), "end of its window after 5 min"),
        (road((part(),), over=0.0, empty=300.0), "the pack is empty before"),
    ],
)
def test_what_may_not_be_said_and_what_runs_out(found, words, capsys):
    assert words in shown(found, capsys)


def test_where_no_one_figure_may_be_said_the_band_stands_with_the_reason_on_every_face(capsys):
    """Terminal, report and its appendix: a peak once stood as "? (221 to 246)", and minute by minute in full."""
    found = road((part(peak=Refusal("the rise is 3.6 times the highest that was seen")), part("cells")))
    found.comes_near = True
    inputs = SimpleNamespace(roads=(found,), units=DisplayUnits.parse("mi,F"))
    for (section,) in (heat_section(inputs), heat_appendix(inputs)):
        table = next(block for block in section.blocks if type(block).__name__ == "TableBlock")
        motor, cells = (row[1] for row in table.rows)
        assert motor == "221 to 246, no one figure: the rise is 3.6 times the highest that was seen"
        assert cells == "230 (221 to 246)"
    last = next(b for b in reversed(heat_appendix(inputs)[0].blocks) if type(b).__name__ == "TableBlock").rows[-1]
    assert last[1:] == ("221-246", "230 (221-246)")
    kinds = [[type(mark).__name__ for mark in panel.marks][:2] for panel in road_figure(found, inputs.units).panels]
    assert kinds == [["Band", "Limit"], ["Band", "Line"]]
    assert "motor 221 to 246, no one 248" in shown(found, capsys)


def test_the_curves_stand_with_their_bands_and_limits_in_the_users_unit():
    drawn = road_figure(road((part(), part("inverter", red=None))), DisplayUnits.parse("mi,F"))
    band, line, amber, red = drawn.panels[0].marks
    assert line.y[-1] == pytest.approx(230.0)
    assert (band.low[-1], band.high[-1]) == pytest.approx((221.0, 246.2))
    assert (amber.value, red.value) == pytest.approx((212.0, 248.0))
    assert len(drawn.panels[1].marks) == 3
    assert drawn.finding == "The motor stays 2 °F below the limit, nine times in ten."


def test_launches_have_no_speed_that_holds_and_are_no_failure_where_all_is_given(capsys):
    found = road((part(),))
    found.held_speed_m_per_s, found.forecast.short_ratio, found.is_all_out = None, 0.2, True
    words = shown(found, capsys)
    assert "Chance of getting through: 97 %" in words  # a pass is got over, launches are got through
    assert "Ends with 62 % SOC" in words
    found.held_share = Refusal("no red limit is given", "Enter it")
    assert "Share of full torque that holds: refused, no red limit is given." in shown(found, capsys)
    assert "Holds as hard as asked (9 chances in 10)." in words
    assert "cannot give" not in words


def test_a_road_comes_near_where_a_band_reaches_a_limit_or_nothing_more_can_be_said():
    def near(**levels):
        return RoadHeat.comes_near.fget(road((SimpleNamespace(**vars(part()) | levels),)))

    assert near()  # its amber is 100, and its band ends at 119
    assert near(amber_degc=119.0)
    assert not near(amber_degc=120.0)
    assert not near(amber_degc=None, red_degc=None)
    assert near(amber_degc=120.0, peak_degc=Refusal("too far beyond what was seen"))


def test_what_to_do_at_red_is_said_of_the_parts_that_may_come_to_it_and_of_no_other():
    """Bands end at 119 °C; once the hottest part's rule stood there, whether it came near red or only near amber."""
    assert red_notes((part(red=120.0), part("cells", red=None))) == ()
    (burns,) = red_notes((part(red=119.0), part("inverter", red=110.0), part("cells", red=130.0)))
    assert burns.startswith("at red on the road (motor, inverter): Back off now and stop where it is safe")
    (leave,) = red_notes((part(red=130.0), part("cells", red=100.0)))
    assert leave.startswith("at red on the road (cells): Stop now where it is safe and get out")


def test_the_report_shows_the_first_road_that_comes_near_whole_and_the_others_by_their_answer():
    """A pass with its curves; the same with a summer trailer, and launches, in words; every table in the appendix."""
    roads = (road((part(), part("inverter", red=None))), road((part(),), over=0.4), road((part(),)))
    for one, is_near in zip(roads, (True, False, False), strict=True):
        one.comes_near = is_near
    inputs = SimpleNamespace(roads=roads, units=DisplayUnits.parse("mi,F"))
    (section,), (tables,) = heat_section(inputs), heat_appendix(inputs)
    kinds = [type(block).__name__ for block in section.blocks]
    assert kinds == ["Words", "TableBlock", "FigureBlock", "Words", "Words"]
    assert "Chance of getting over: 40 %" in section.blocks[4].lines[0]
    roads[0].comes_near = False
    (words,) = heat_section(inputs)[0].blocks
    assert len(words.lines) == 3
    assert all(line.endswith(" Next: Pull hard.") for line in words.lines)
    assert tables.length == 3
    kinds = [type(block).__name__ for block in tables.blocks]
    assert kinds == ["Words", "TableBlock", "TableBlock", "Words"] * 3
    assert all(tables.blocks[at].lines == ("Note: a note.", "Next: Pull hard.") for at in (3, 7, 11))
    assert heat_section(SimpleNamespace(roads=())) == heat_appendix(SimpleNamespace(roads=())) == ()
