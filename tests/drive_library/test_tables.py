from __future__ import annotations

import numpy as np
import pytest

from logan.drive_library.repository import DriveLibrary
from tests.drive_library.small_drives import small_drive, small_summary


@pytest.fixture
def library(tmp_path):
    with DriveLibrary.open(tmp_path / "drives", create=True) as opened:
        yield opened


def test_every_drive_and_metric_is_a_row_and_a_column(library):
    for seed in (1, 2):
        library.add(small_drive(seed), summary=small_summary(seed))
    library.add(small_drive(3))
    table = library.table()
    assert list(table.index) == [1, 2, 3]
    assert table["net_wh_per_km"].tolist()[:2] == [151.0, 152.0]
    assert table["net_wh_per_km_sigma"].tolist()[:2] == [2.0, 2.0]
    assert table["regen_ratio"].isna().all()
    assert np.isnan(table.loc[3, "distance_m"])
    assert table.loc[1, "tags"] == "cold wet"


def test_an_empty_library_is_an_empty_table(library):
    assert library.table().empty


def test_channels_stand_side_by_side_at_their_own_instants(library):
    library.add(small_drive(), summary=small_summary())
    table = library.channels(1, ["pack_current", "motor_temperature_2"])
    drive = small_drive()
    assert np.array_equal(table["pack_current"].dropna(), drive["pack_current"].value)
    assert np.array_equal(table["motor_temperature_2"].dropna().index, drive["motor_temperature_2"].time_s)


def test_a_common_period_uses_each_channels_own_interpolation(library):
    library.add(small_drive(), summary=small_summary())
    table = library.channels(1, ["pack_voltage"], period_s=0.02)
    drive = small_drive()
    expected = np.interp(table.index, drive["pack_voltage"].time_s, drive["pack_voltage"].value)
    assert np.allclose(np.diff(table.index), 0.02)
    assert np.allclose(table["pack_voltage"], expected)
