"""What follows from one fault is a note that names it; what stands by itself keeps its weight."""

from __future__ import annotations

import pytest

from logan.quality import DETECTORS, find_flags
from logan.quality.consequences import followers, name_causes
from logan.results import DataFlag, Severity
from tests.benchmarks.quality.clean import clean_drive
from tests.benchmarks.quality.faults import FAULTS
from tests.benchmarks.quality.recall import seeded_rng


def _flag(code: str, *channels: str, refuses: tuple[str, ...] = ()) -> DataFlag:
    return DataFlag(
        code=code,
        severity=Severity.RED,
        channels=channels,
        title=f"Title of {code}",
        evidence="12 samples",
        remedy="Put it right",
        effect_wh_per_km=5.0,
        refuses=refuses,
    )


def test_a_consequence_becomes_a_note_that_names_its_cause_and_keeps_what_it_refuses() -> None:
    cause, follower = name_causes([_flag("voltage_scale", "pack_voltage"),
                                   _flag("impossible_power", "pack_current", refuses=("peak_current",))])  # fmt: skip
    assert cause.severity is Severity.RED
    assert cause.effect_wh_per_km == 5.0
    assert follower.severity is Severity.NOTE
    assert follower.evidence.endswith("probably follows from: title of voltage_scale")
    assert follower.effect_wh_per_km is None
    assert follower.refuses == ("peak_current",)


def test_findings_on_other_channels_keep_their_weight() -> None:
    flags = [_flag("not_available_code", "motor_temperature"), _flag("temperature_jump", "coolant_temperature")]
    assert name_causes(flags) == tuple(flags)


def test_the_root_of_a_chain_is_named() -> None:
    flags = [_flag("clock_drift"), _flag("channels_out_of_step"), _flag("wheel_slip")]
    _, second, third = name_causes(flags)
    assert "clock_drift" in second.evidence
    assert "clock_drift" in third.evidence


def test_every_code_in_the_tables_is_a_detector() -> None:
    named = {code for table in followers().values() for cause, codes in table.items() for code in (cause, *codes)}
    assert named <= {detector.code for detector in DETECTORS}


def test_no_cause_explains_itself_away() -> None:
    for table in followers().values():
        for cause, codes in table.items():
            assert cause not in codes


@pytest.mark.parametrize("code", ["current_unsigned_wrap", "voltage_scale", "decoded_wrongly", "speed_unit"])
def test_the_cause_of_a_real_mess_stands_out(code: str) -> None:
    fault = next(fault for fault in FAULTS if fault.code == code)
    drive, build = clean_drive("town, flat")
    flags = find_flags(fault.inject(drive, seeded_rng(fault, "town, flat", 0)), build)
    assert [flag.code for flag in flags if flag.severity is Severity.RED] == [code]
