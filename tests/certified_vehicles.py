"""Certified electric vehicles: a row of the list, its build as a user would write it, and what was certified."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

WH_PER_GALLON = 33_705.0  # 40 CFR 600: EPA's energy content of a gallon of gasoline
TABLE = Path(__file__).parents[1] / "fixtures" / "certified" / "vehicles.csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class CertifiedVehicle:
    """One line of the list: lb, lbf and mph as printed there; consumption in Wh/mi at the wall."""

    model_year: int
    driven_wheels: str
    rated_hp: float
    test_weight_lb: float
    a_lbf: float
    b_lbf_per_mph: float
    c_lbf_per_mph2: float
    udds_mpge: float
    hwfet_mpge: float
    udds_test: str
    hwfet_test: str

    @property
    def wall_wh_per_mi(self) -> tuple[float, float]:
        """UDDS and HWFET."""
        return WH_PER_GALLON / self.udds_mpge, WH_PER_GALLON / self.hwfet_mpge

    def build_toml(self, *, road_load: str | None = None) -> str:
        """``build.toml`` of this vehicle; ``road_load`` takes the place of its coefficients."""
        given = road_load or (
            f'road_load = {{ a = "{self.a_lbf} lbf", b = "{self.b_lbf_per_mph} lbf/mph", '
            f'c = "{self.c_lbf_per_mph2} lbf/mph2", test_weight = "{self.test_weight_lb} lb", '
            'source = "certification" }'
        )
        return _BUILD.format(
            name=self.udds_test,
            weight=self.test_weight_lb,
            road_load=given,
            wheels=self.driven_wheels,
            power=self.rated_hp,
        )


@cache
def certified_vehicles() -> tuple[CertifiedVehicle, ...]:
    """All rows of the fixture."""
    with TABLE.open(newline="", encoding="ascii") as file:
        return tuple(
            CertifiedVehicle(
                model_year=int(row["model_year"]),
                driven_wheels=row["driven_wheels"],
                rated_hp=float(row["rated_hp"]),
                test_weight_lb=float(row["equivalent_test_weight_lb"]),
                udds_test=row["udds_test"],
                hwfet_test=row["hwfet_test"],
                **{key: float(row[key]) for key in ("a_lbf", "b_lbf_per_mph", "c_lbf_per_mph2")},
                **{key: float(row[key]) for key in ("udds_mpge", "hwfet_mpge")},
            )
            for row in csv.DictReader(file)
        )


_BUILD = """\
[build]
name = "{name}"

[vehicle]
mass = "{weight} lb ± 0 lb"
{road_load}
driven_wheels = "{wheels}"
tyre_rolling_circumference = "2.05 m"

[gearing]
reductions = {{ "drive unit" = 9.0 }}

[motor]
max_speed = "16000 rpm"
max_torque = "400 N m"
max_power = "{power} hp"

[pack]
cells_in_series = 96
cells_in_parallel = 4
cell_capacity = "55 Ah"

[target]
range = "200 mi"
scenario = "highway 65"

[[scenario]]
name = "highway 65"
speed = "65 mph"
"""
