"""A drive that is stored is compared with those that are there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.demo.routes import urban_route
from logan.demo.twin import TwinVehicle, drive_twin
from logan.drive.drive import LogSource
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.stored import store_analysed, stored_drive
from tests.benchmarks.quality.clean import planned_build

BUILD = planned_build(TwinVehicle())


def drive(number: int, **vehicle):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(number)
    twin = drive_twin(TwinVehicle(**vehicle), urban_route(rng, duration_s=420.0), rng=rng)
    source = LogSource(name=f"{number}.log", sha256=f"{number:064x}", size_bytes=1, log_format="test")
    made = replace(twin.to_drive(), sources=(source,))
    # Without the DC-DC channel standing power is all there is to see.
    return replace(made, channels={name: c for name, c in made.channels.items() if name != "dcdc_power"})


@pytest.mark.parametrize(("change", "is_flagged"), [("", True), ("new pumps", False)])
def test_more_power_at_standstill_is_a_change_unless_it_was_noted(tmp_path, change, is_flagged) -> None:  # type: ignore[no-untyped-def]
    with DriveLibrary.open(tmp_path / "library", create=True) as library:
        store_analysed(library, drive(1), BUILD)
        later = drive(2, auxiliary_power_w=1400.0)
        later = replace(later, conditions=replace(later.conditions, change=change))
        record = store_analysed(library, later, BUILD)
        flags = [flag for flag in stored_drive(library, record, BUILD).analysis.flags if flag.code == "pack_changed"]
        assert bool(flags) is is_flagged
        if flags:
            assert "power at standstill" in flags[0].evidence
            assert library.load(record.number).import_flags[-1] == flags[0]
