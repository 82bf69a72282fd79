"""Every fault of a drive log that the data can show, and what says so.

One line a fault: what it is, the findings that name it, and where it is handled when it is no
finding but a refusal or a step of reading. The seeded faults of ``tests/benchmarks/quality`` and
``test_detectors`` try every finding; the other places are named with the test that tries them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from logan.quality import DETECTORS, SIGNAL_DETECTORS

CATALOGUE: tuple[tuple[str, tuple[str, ...], str], ...] = (
    ("current with reversed sign", ("current_sign_reversed", "current_sign_unresolved", "current_magnitude_only"), ""),
    ("sign lost in regen: unsigned wrap", ("current_unsigned_wrap", "unsigned_wrap"), "tests/channels/test_mapping.py"),
    ("zero offset of the current", ("current_zero_offset",), ""),
    ("zero that drifts", ("current_offset_drift",), ""),
    ("saturation and clipping", ("current_saturated",), ""),
    ("gain of the current", ("current_gain",), ""),
    ("voltage scaled, or of cells", ("voltage_scale", "voltage_cells_mismatch"), ""),
    ("voltage or current frozen", ("channel_frozen",), ""),
    ("voltage and current apart in time", ("voltage_current_skew",), "tests/drive/test_skew.py"),
    ("frames twice", ("frames_duplicated", "message_on_two_buses"), "tests/drive/test_clock.py"),
    ("frames missing", ("lost_samples", "log_gap", "alive_counter_jump"), ""),
    ("time that wraps, resets or jumps", ("time_wrap", "time_reset", "time_backwards", "time_jump"),
     "tests/drive/test_clock.py"),
    ("time stamps too coarse", ("time_coarse",), "tests/drive/test_clock.py"),
    ("logger's clock drifts", ("clock_drift", "channels_out_of_step"), "tests/drive/test_merge.py"),
    ("time zone, summer time, a clock never set", ("clock_not_set",), "tests/drive/test_merge.py"),
    ("times in the wrong unit, or of no possible date", ("implausible_times",), "tests/pipeline/test_reading_flags.py"),
    ("units mixed up", ("speed_unit", "temperature_unit", "power_unit", "elevation_unit"),
     "tests/channels/test_mapping.py"),
    ("wrong bits, byte order or multiplexer", ("decoded_wrongly", "multiplexer_ignored"), ""),
    ("not-available codes", ("not_available_code",), "tests/channels/test_mapping.py"),
    ("DBC of another firmware, identifiers that clash",
     ("outside_declared_range", "frames_unknown", "identifier_clash"), "tests/pipeline/test_ingest.py"),
    ("log cut, broken or oddly exported",
     ("log_truncated", "log_cut", "header_repeated", "rows_skipped"), "tests/logs/test_drive_table.py"),
    ("frozen or filled-in ends", (), "tests/admission/test_trim.py"),
    ("interpolated export", ("interpolated_export", "straight_line_filler"), ""),
    ("averaged current", ("averaged_current",), ""),
    ("values repeated on a finer axis", ("staircase",), ""),
    ("speed drops out, satellites jump or freeze", ("speed_dropout", "gnss_spike", "position_frozen"), ""),
    ("motor against road speed", ("gear_ratio_inconsistent", "gear_ratio_changes", "speed_scale"), ""),
    ("height jumps, steps or does not close", ("elevation_jump", "barometer_step", "loop_not_closed"),
     "tests/drive/test_elevation.py"),
    ("distances disagree", ("distance_mismatch",), ""),
    ("SOC jumps, sticks, is coarse or circular",
     ("soc_jump", "soc_stuck", "soc_coarse", "soc_circular"), ""),
    ("charge rises while driving", ("soc_rises_while_discharging",), ""),
    ("efficiency above one", ("efficiency_above_one", "energy_above_pack"), ""),
    ("efficiency out of the ordinary", ("implied_efficiency",), ""),
    ("temperature open, shorted, stuck, swapped or jumping",
     ("temperature_open_or_short", "temperature_stuck", "temperatures_swapped", "temperature_jump", "ambient_in_sun"),
     ""),
    ("temperature sampled too slowly", ("temperature_slow",), ""),
    ("limit or derating active", ("derate_active",), ""),
    ("friction braking not logged", ("friction_braking_unlogged",), ""),
    ("current with open contactors, power without current",
     ("current_with_contactor_open", "contactor_opened_under_load", "power_without_current"), ""),
    ("charging or parking in the drive", ("charging_in_drive", "parked_in_drive"), ""),
    ("load not logged, or logged and not drawn", ("unlogged_load", "load_not_drawn", "load_nobody_logged",
     "energy_from_nowhere"), ""),
    ("speed, current or voltage against the plan's mass and road load", ("acceleration_energy", "far_from_plan"),
     "tests/hardening/fault_table.py"),
    ("a bit that never changes", ("stuck_bit",), ""),
    ("pack changed, module bypassed", ("voltage_charge_mismatch",), "tests/quality/test_between_drives.py"),
    ("notes missing", ("notes_missing",), ""),
    ("power without voltage and current", ("power_only",), ""),
    ("wheels off the ground", ("wheels_off_ground",), ""),
    ("wheels spin or lock", ("wheel_slip",), ""),
    ("several sessions or vehicles", ("several_sessions",), ""),
    ("one drive twice", (), "tests/quality/test_duplicates.py"),
    ("wind", ("wind_seen",), "tests/quality/test_wind.py"),
    ("cells contradict themselves", ("cell_min_above_max", "cell_spread", "cell_index_flicker"), ""),
    ("isolation drops, monitor off", ("isolation_low", "isolation_monitor_off"), ""),
    ("impossible power, acceleration or value", ("impossible_power", "impossible_acceleration", "impossible_value",
     "single_sample_spike"), ""),
    ("seconds since 1970 in a 32-bit float", ("time_float32",), "tests/drive/test_clock.py"),
    ("error frames, bus-off, floods", ("error_frames", "bus_silent", "message_burst"), ""),
    ("samples out of order after a merge", ("time_out_of_order",), "tests/drive/test_clock.py"),
    ("a mapped signal without a value", ("signal_empty",), "tests/channels/test_mapping.py"),
)  # fmt: skip

_ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(("fault", "codes", "place"), CATALOGUE, ids=[entry[0] for entry in CATALOGUE])
def test_every_fault_has_a_finding_or_a_place(fault: str, codes: tuple[str, ...], place: str) -> None:
    known = {detector.code for detector in (*DETECTORS, *SIGNAL_DETECTORS)}
    assert set(codes) <= known
    assert codes or place
    assert not place or (_ROOT / place).is_file()


def test_every_finding_is_in_the_catalogue() -> None:
    listed = {code for _, codes, _ in CATALOGUE for code in codes}
    assert {detector.code for detector in (*DETECTORS, *SIGNAL_DETECTORS)} == listed
