"""Values that are each allowed and cannot be true of one vehicle together."""

import pytest

from logan.configuration.build import read_build
from logan.errors import ConfigurationError
from logan.wording import told
from tests.configuration.test_build import write

NOMINAL = "96 x 3 cells of 63 Ah at 3.65 V are 66.2 kWh"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('# usable_energy = "60 kWh ± 2 kWh"', 'usable_energy = "80 kWh"'),
         "pack.usable_energy: 80 kWh is more than the 66.23 kWh that the cells hold in all"),
        (('# discharge_current_limit = "600 A" ', 'discharge_current_limit = "5 A" '),
         "pack.discharge_current_limit: 5 A give 1.75 kW, and 'highway 105, freezing' needs at least"),
        (('max_power = "140 kW"', 'max_power = "3 kW"'),
         "motor.max_power: 3 kW, and 'highway 105, freezing' needs at least"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'motor_temperature = { red = "20 degC" }'),
         "limits.motor_temperature.red: 20 °C lies below the design ambient of 35 °C; give the temperature itself"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'motor_temperature = { amber = "250 K" }'), "limits.motor_temperature.amber: -23.15 °C lies below"),
        (('# cell_voltage_floor = "2.9 V"', 'cell_voltage_floor = "3.7 V"'),
         "pack.cell_voltage_floor: 3.7 V is not below the nominal 3.65 V"),
        (('# cell_voltage_ceiling = "4.2 V"', 'cell_voltage_ceiling = "3.6 V"'),
         "pack.cell_voltage_ceiling: 3.6 V is not above the nominal 3.65 V"),
        (('mass = "1650 kg ± 20 kg"', 'mass = "1650 kg ± 1e300 kg"'),
         "vehicle.mass: 1650 kg ± 1e300 kg is no value yet: its uncertainty is larger than it"),
        (('mass = "1650 kg ± 20 kg"', 'mass = "1650 kg ± -20 kg"'), 'vehicle.mass: cannot read "1650 kg ± -20 kg"'),
        (('# tire_rolling_circumference = "1.98 m"', 'tire_rolling_circumference = "2.5 m"'),
         "vehicle.tire_rolling_circumference: 2.5 m (98.4 in), and a tire 195/65R15 rolls about 1.94 m (76.2 in)"),
        (('reserve = "10 %"', 'reserve = "100 %"'), "target.reserve: expected 0 to 90 %, got 100 %"),
        (('confidence = "90 %"', 'confidence = "100 %"'), "target.confidence: expected 50 to 99.9 %, got 100 %"),
        (('# base_power = "350 W ± 150 W"', 'base_power = "0 W"'), "auxiliary.base_power: expected 10 to 20000 W"),
        (('# base_power = "350 W ± 150 W"', 'base_power = "400 kW"'),
         "auxiliary.base_power: expected 0.01 to 20 kW, got 400 kW"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'motor_temperature = { red = "1e400 °C" }'),
         "limits.motor_temperature.red: cannot read"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'motor_temperature = { red = "900 °C" }'),
         "limits.motor_temperature.red: expected -50 to 250 °C, got 900 °C"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'inverter_temperature = { derate = "20 °C", red = "85 °C" }'),
         "limits.inverter_temperature.derate: 20 °C lies below"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'cell_voltage_max = { red = "42 V" }'),
         "limits.cell_voltage_max.red: expected 0 to 5 V, got 42 V"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'cell_voltage_max = { red = "3.6 V" }'),
         "limits.cell_voltage_max.red: 3.6 V is not above the nominal 3.65 V"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'cell_voltage_min = { red = "4.8 V" }'),
         "limits.cell_voltage_min.red: 4.8 V is not below the nominal 3.65 V"),
        (('# motor_temperature = { amber = "120 °C", red = "150 °C", source = "datasheet" }',
          'isolation_resistance = { red = "0.5 mOhm" }'),
         "limits.isolation_resistance.red: 0.0005 ohm is a short circuit; megohm is written MOhm"),
        (('mass = "1650 kg ± 20 kg"', 'mass = "1650 kg ± 2000 kg"'), "vehicle.mass: 1650 kg ± 2000 kg is no value yet"),
        (('mass = "1650 kg ± 20 kg"', 'mass = "1650 kg ± -20 kg"'), "vehicle.mass: cannot read"),
        (('mass = "1650 kg ± 20 kg"', 'mass = "1650 kg ± 1e400 kg"'), "vehicle.mass: cannot read"),
        (('# comfort_low = "17 °C"', 'comfort_low = "30 °C"'),
         "auxiliary.comfort_low: 30 °C is not below comfort_high, 24 °C"),
        (('max_speed = "16000 rpm"', 'max_speed = "7500 rpm"'),
         "motor.max_speed: 7500 rpm are 26.6 m/s in gear, and 'highway 105' asks for 29.2 m/s"),
        (('# open_circuit_voltage = [[0.0, 3.0], [0.5, 3.69], [1.0, 4.18]]',
          'open_circuit_voltage = [[0.0, 300], [0.5, 369], [1.0, 418]]'),
         "pack.open_circuit_voltage: expected [SOC 0 to 1, volts of one cell] pairs, both rising, of at most 5 V"),
        (('{ "town" = 0.45, "highway 105" = 0.55 }', '{ "town" = -0.45, "highway 105" = 1.45 }'),
         "scenario.mixed.mix: no share may be below 0"),
    ],
)  # fmt: skip
def test_what_cannot_be_true_together_is_refused_with_both_values(tmp_path, change, says):
    with pytest.raises(ConfigurationError) as caught:
        read_build(write(tmp_path, change))
    assert says in told(str(caught.value), None)


def test_a_thousand_is_grouped_as_a_garage_does(tmp_path):
    change = ('# base_power = "350 W ± 150 W"', 'base_power = "1,250 W ± 1,000 W"')
    base = read_build(write(tmp_path, change)).auxiliary.base_power_w
    assert (base.value, base.sigma) == (1250.0, 1000.0)


def test_cells_a_little_better_than_their_datasheet_and_cool_ambient_limits_are_allowed(tmp_path):
    read_build(
        write(
            tmp_path,
            ('# usable_energy = "60 kWh ± 2 kWh"', 'usable_energy = "69 kWh"'),
            ("use_typical = false", 'use_typical = true\ncabin_temperature = { red = "30 degC" }'),
            ('# discharge_current_limit = "600 A" ', 'discharge_current_limit = "60 A" '),
        )
    )
