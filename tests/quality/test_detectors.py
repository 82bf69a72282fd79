"""Every registered detector catches a seeded fault and keeps quiet on clean drives."""

from __future__ import annotations

import numpy as np
import pytest

from logan.channels.vocabulary import channel_kind
from logan.quality import DETECTORS, SIGNAL_DETECTORS, find_flags, find_signal_flags
from logan.quality.grades import METRIC_CHANNELS
from logan.quality.survey import DriveSurvey
from logan.results import DataFlag
from tests.benchmarks.quality.clean import CASES, clean_drive
from tests.benchmarks.quality.faults import FAULTS, STANDARD, Fault
from tests.benchmarks.quality.recall import is_signal_fault_caught, seeded_rng
from tests.benchmarks.quality.signal_faults import SIGNAL_FAULTS, SignalFault, raw_table

_CLEAN_IN_TESTS = ("town, hills", "highway", "1 Hz, town", "coarse sensors", "no regen", "few channels", "mountain")


def _label(fault: Fault | SignalFault) -> str:
    return f"{fault.code}-{fault.name}" if fault.name else fault.code


def _flags(fault: Fault) -> tuple[list[DataFlag], float]:
    """What the fault's own detector says of a drive that has it, and that drive's last second."""
    route = (fault.routes or STANDARD[1:2])[0]
    drive, build = clean_drive(route)
    faulty = fault.inject(drive, seeded_rng(fault, route, 0))
    detector = next(detector for detector in DETECTORS if detector.code == fault.code)
    end_s = max(float(channel.time_s[-1]) for channel in faulty.channels.values())
    return list(detector.detect(DriveSurvey(faulty, build))), end_s


@pytest.mark.parametrize("fault", FAULTS, ids=_label)
def test_a_seeded_fault_is_flagged_with_evidence_and_remedy(fault: Fault) -> None:
    flags, end_s = _flags(fault)
    assert flags, f"{fault.code} was not caught"
    for flag in flags:
        assert flag.code == fault.code
        assert len(flag.evidence) > 10
        assert len(flag.remedy) > 10
        assert any(character.isdigit() for character in flag.evidence) or flag.code == "notes_missing"
        assert all(0.0 <= span.start_s <= span.end_s <= end_s + 1.0 for span in flag.spans)
        assert flag.effect_wh_per_km is None or np.isfinite(flag.effect_wh_per_km)
        assert set(flag.refuses) <= set(METRIC_CHANNELS)
        assert all(channel_kind(channel) is not None for channel in flag.channels)


@pytest.mark.parametrize("fault", SIGNAL_FAULTS, ids=_label)
def test_a_fault_of_raw_signals_is_flagged(fault: SignalFault) -> None:
    assert is_signal_fault_caught(fault, "town, flat", 0)


def test_each_registered_detector_has_a_seeded_fault() -> None:
    assert {detector.code for detector in DETECTORS} == {fault.code for fault in FAULTS}
    assert {detector.code for detector in SIGNAL_DETECTORS} == {fault.code for fault in SIGNAL_FAULTS}


def test_each_code_is_registered_once() -> None:
    for table in (DETECTORS, SIGNAL_DETECTORS):
        codes = [detector.code for detector in table]
        assert len(codes) == len(set(codes))


@pytest.mark.parametrize("name", _CLEAN_IN_TESTS)
def test_a_clean_drive_has_only_findings_that_are_true_of_it(name: str) -> None:
    drive, build = clean_drive(name)
    case = next(case for case in CASES if case.name == name)
    assert [flag for flag in find_flags(drive, build) if flag.code not in case.true_findings] == []


def test_clean_raw_signals_have_no_flags() -> None:
    drive, _ = clean_drive("town, hills")
    assert find_signal_flags(*raw_table(drive)) == ()


def test_detectors_leave_the_drive_as_it_was() -> None:
    drive, build = clean_drive("town, flat")
    before = {name: channel.value.copy() for name, channel in drive.channels.items()}
    find_flags(drive, build)
    assert all(np.array_equal(before[name], channel.value) for name, channel in drive.channels.items())
    assert drive.history == ()


def test_findings_come_gravest_first() -> None:
    drive, build = clean_drive("town, flat")
    fault = next(fault for fault in FAULTS if fault.code == "current_sign_reversed")
    flags = find_flags(fault.inject(drive, np.random.default_rng(0)), build)
    order = ["red", "amber", "note"]
    ranks = [order.index(flag.severity.value) for flag in flags]
    assert ranks == sorted(ranks)
    assert ranks[0] == 0
