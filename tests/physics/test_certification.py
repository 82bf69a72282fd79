import pytest

from logan.physics.certification import (
    combined_consumption,
    miles_per_gallon_equivalent,
    multi_cycle_result,
)

MILE_M = 1609.344


@pytest.mark.from_memory("SAE J1634, formulas of the multi-cycle test; worked by hand")
def test_multi_cycle_arithmetic():
    found = multi_cycle_result(
        usable_energy_wh=75_000.0,
        recharge_energy_wh=85_000.0,
        urban_energies_wh=(2500.0, 2250.0, 2240.0, 2230.0),
        urban_distances_m=(7.45 * MILE_M,) * 4,
        highway_energies_wh=(3000.0, 2980.0),
        highway_distances_m=(10.26 * MILE_M,) * 2,
    )
    assert found.urban_wh_per_m * MILE_M == pytest.approx(301.834, abs=5e-4)
    assert found.highway_wh_per_m * MILE_M == pytest.approx(291.423, abs=5e-4)
    assert found.urban_range_m / MILE_M == pytest.approx(248.481, abs=5e-4)
    assert found.highway_range_m / MILE_M == pytest.approx(257.358, abs=5e-4)
    assert found.recharge_ratio == pytest.approx(1.13333, abs=5e-6)
    assert found.urban_ac_wh_per_m * MILE_M == pytest.approx(342.079, abs=5e-4)
    assert found.highway_ac_wh_per_m * MILE_M == pytest.approx(330.279, abs=5e-4)
    assert found.combined_range_m / MILE_M == pytest.approx(252.475, abs=5e-4)
    assert found.label_range_m / MILE_M == pytest.approx(176.733, abs=1e-3)
    assert miles_per_gallon_equivalent(found.urban_ac_wh_per_m) == pytest.approx(98.53, abs=5e-3)


@pytest.mark.published("10 CFR 474 Appendix, worked example: 0.55 x 265 + 0.45 x 220 = 244.75 Wh/mi")
def test_both_schedules_combined():
    assert combined_consumption(265.0, 220.0) == pytest.approx(244.75)


@pytest.mark.from_memory("EPA, 33,705 Wh per gallon: 350 Wh/mi at the wall is 96.30 MPGe")
def test_miles_per_gallon_equivalent():
    assert miles_per_gallon_equivalent(350.0 / MILE_M) == pytest.approx(96.30, abs=5e-3)


def test_a_test_without_its_schedules_is_refused():
    with pytest.raises(ValueError, match="at least two urban"):
        multi_cycle_result(
            usable_energy_wh=1.0,
            recharge_energy_wh=1.0,
            urban_energies_wh=(1.0,),
            urban_distances_m=(1.0,),
            highway_energies_wh=(1.0,),
            highway_distances_m=(1.0,),
        )
