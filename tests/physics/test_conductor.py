import pytest

from logan.physics.thermal import (
    CONDUCTOR_MATERIALS,
    adiabatic_end_degc,
    adiabatic_factor,
    conductor_material,
    withstand_current_a,
)

COPPER = CONDUCTOR_MATERIALS["copper"]


@pytest.mark.from_memory("IEC 60364-5-54, Table A.54: copper 143 (XLPE) and 115 (PVC), aluminum 94 and 76")
@pytest.mark.parametrize(
    ("material", "start_degc", "end_degc", "factor"),
    [("copper", 90, 250, 143), ("copper", 70, 160, 115), ("aluminum", 90, 250, 94), ("aluminum", 70, 160, 76)],
)
def test_adiabatic_factor_is_the_one_tabulated(material, start_degc, end_degc, factor):
    computed = adiabatic_factor(CONDUCTOR_MATERIALS[material], start_degc=start_degc, end_degc=end_degc)
    assert computed == pytest.approx(factor, abs=0.55)


def test_copper_factor_to_three_decimals():
    assert adiabatic_factor(COPPER, start_degc=90, end_degc=250) == pytest.approx(143.084, abs=5e-4)
    assert adiabatic_factor(COPPER, start_degc=70, end_degc=160) == pytest.approx(115.004, abs=5e-4)


def test_end_temperature_of_a_cable_in_a_long_climb():
    # 50 mm2, 600 A for 30 s from 40 degC.
    assert adiabatic_end_degc(600.0**2 * 30, area_mm2=50, start_degc=40, material=COPPER) == pytest.approx(
        64.23, abs=0.005
    )


def test_end_temperature_inverts_the_factor():
    factor = adiabatic_factor(COPPER, start_degc=90, end_degc=250)
    assert adiabatic_end_degc((factor * 50) ** 2, area_mm2=50, start_degc=90, material=COPPER) == pytest.approx(250.0)


def test_absurd_heating_is_infinite_rather_than_an_overflow():
    assert adiabatic_end_degc(1e15, area_mm2=1, start_degc=20, material=COPPER) == float("inf")


def test_withstand_current_of_fifty_square_millimetres():
    assert withstand_current_a(1.0, area_mm2=50, adiabatic_k=143) == pytest.approx(7150, abs=0.5)
    assert withstand_current_a(10.0, area_mm2=50, adiabatic_k=143) == pytest.approx(2261, abs=0.5)


@pytest.mark.parametrize("name", ["Cu", "copper", "AL", "aluminum"])
def test_materials_by_name(name):
    assert conductor_material(name) in CONDUCTOR_MATERIALS.values()


def test_unknown_material_is_named():
    with pytest.raises(ValueError, match="unknown conductor 'tin'"):
        conductor_material("tin")
