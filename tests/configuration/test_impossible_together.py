"""Values that are each allowed and cannot be true of one vehicle together."""

import pytest

from logan.channels.vocabulary import CHANNEL_KINDS, is_switch
from logan.configuration.build import read_build
from logan.errors import ConfigurationError
from logan.wording import told
from tests.configuration.test_build import write

ALTERNATIVE = """[[pack.alternative]]
name = "iron phosphate"
cells_in_series = 112
cells_in_parallel = 1
cell_capacity = "230 Ah"
cell_nominal_voltage = "3.2 V"
"""


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
        (("# [[pack.alternative]]", ALTERNATIVE + 'usable_energy = "90 kWh"'),
         "pack.alternative[1].usable_energy: 90 kWh is more than the 82.43 kWh that the cells hold in all"),
        (("# [[pack.alternative]]", ALTERNATIVE + 'cell_voltage_floor = "3.3 V"'),
         "pack.alternative[1].cell_voltage_floor: 3.3 V is not below the nominal 3.2 V"),
        (("# [[pack.alternative]]", ALTERNATIVE + 'cell_voltage_ceiling = "3.1 V"'),
         "pack.alternative[1].cell_voltage_ceiling: 3.1 V is not above the nominal 3.2 V"),
        (("# [[pack.alternative]]", ALTERNATIVE + 'discharge_current_limit = "5 A"'),
         "pack.alternative[1].discharge_current_limit: 5 A give 1.79 kW, and 'highway 105, freezing' needs at least"),
        (('{ "town" = 0.45, "highway 105" = 0.55 }', '{ "town" = -0.45, "highway 105" = 1.45 }'),
         "scenario.mixed.mix: no share may be below 0"),
    ],
)  # fmt: skip
def test_what_cannot_be_true_together_is_refused_with_both_values(tmp_path, change, says):
    with pytest.raises(ConfigurationError) as caught:
        read_build(write(tmp_path, change))
    assert says in told(str(caught.value), None)


@pytest.mark.parametrize(
    ("limit", "says"),
    [
        ('pack_current = { red = "0 A" }', "pack_current.red: everything is beyond it; give a value above 0"),
        ('pack_current = { red = "-200 A" }',
         'pack_current.red: everything is beyond it; give a value above 0, or another side'),
        ('pack_current = { red = "200 A", side = "below" }',
         "pack_current.red: everything is beyond it; give a value below 0"),
        ('pack_current = { amber = "0 A", red = "500 A" }', "pack_current.amber: everything is beyond it"),
        ('pack_current = { amber = "600 A", red = "500 A" }', "pack_current: red must lie beyond amber"),
        ('pack_current = { amber = "-300 A", red = "-200 A", side = "below" }',
         "pack_current: red must lie beyond amber"),
        ('inverter_temperature = { derate = "90 °C", red = "85 °C" }',
         "inverter_temperature: red must lie beyond derate"),
        ('motor_speed = { red = "0 rpm" }', "motor_speed.red: everything is beyond it"),
        ('speed = { red = "0 mph" }', "speed.red: everything is beyond it"),
        ('coolant_flow = { red = "0 l/min", side = "below" }', "coolant_flow.red: nothing falls below it"),
        ('auxiliary_voltage = { red = "0 V" }', "auxiliary_voltage.red: nothing falls below it"),
        ('state_of_charge = { red = "0 %" }', "state_of_charge.red: nothing falls below it"),
        ('isolation_resistance = { red = "0 ohm" }', "isolation_resistance.red: nothing falls below it"),
        ('isolation_resistance = { red = "5 MV" }', 'isolation_resistance.red: "5 MV" is not in a unit of ohm'),
        ('cell_voltage_max = { amber = "4 MV" }',
         'cell_voltage_max.amber: the capital or small m of "4 MV" can be read'),
        ('pack_voltage = { red = "42 V" }', "pack_voltage.red: 42 V is not above the nominal 350.4 V"),
        ('pack_voltage = { red = "400 V", side = "below" }',
         "pack_voltage.red: 400 V is not below the nominal 350.4 V"),
        ("state_of_charge = { red = inf }", "state_of_charge.red: expected a number"),
        ("state_of_charge = { red = nan }", "state_of_charge.red: expected a number"),
        ('pack_current = { red = "nan A" }', "pack_current.red: cannot read"),
        ('[[limits.conductor]]\nname = "cable"\narea = "50 mm2"\nstart = "95 °C"',
         "conductor[1].limit: 90 °C does not lie above start, 95 °C"),
    ],
)  # fmt: skip
def test_a_limit_that_everything_or_nothing_crosses_is_refused_at_its_field(tmp_path, limit, says):
    with pytest.raises(ConfigurationError) as caught:
        read_build(write(tmp_path, ("use_typical = false", f"use_typical = false\n{limit}")))
    assert f"limits.{says}" in told(str(caught.value), None)


def test_no_kind_of_channel_takes_a_limit_of_zero_but_where_zero_is_a_value_like_others(tmp_path):
    taken, refused = set(), []
    for kind in CHANNEL_KINDS:
        zero = {"degC": "0 degC", "ratio": "0 %"}.get(kind.unit, f"0 {kind.unit}")
        for side in ("above", "below"):
            limit = f'{kind.name} = {{ amber = "{zero}", side = "{side}" }}'
            path = write(tmp_path, ("use_typical = false", f"use_typical = false\n{limit}"))
            try:
                read_build(path)
                taken.add(kind.name)
            except ConfigurationError as error:
                refused.append((f"limits.{kind.name}.amber: ", str(error)))
    assert all(place in text for place, text in refused)
    assert taken == {
        kind.name for kind in CHANNEL_KINDS if kind.unit == "degC" or kind.group == "place" or is_switch(kind)
    }


def test_limits_of_both_directions_of_a_current_are_taken(tmp_path):
    limits = (
        'pack_current = { amber = "-150 A", red = "-200 A", side = "below" }\n'
        'motor_torque = { amber = "300 Nm", red = "330 Nm" }'
    )
    sheet = read_build(write(tmp_path, ("use_typical = false", f"use_typical = false\n{limits}"))).limits
    assert [(one.amber, one.red) for one in sheet.limits] == [(-150.0, -200.0), (300.0, 330.0)]


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
