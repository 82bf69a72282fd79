"""Plain words for names in the code."""

from __future__ import annotations

from typing import Final

PARAMETER_WORDS: Final = {
    "mass_kg": "mass",
    "drag_area_m2": "drag area",
    "rolling_coefficient": "rolling resistance",
    "drive_efficiency_ratio": "drive efficiency",
    "regen_efficiency_ratio": "regen efficiency",
    "auxiliary_power_w": "auxiliary power",
    "usable_energy_wh": "usable energy",
    "usable_loss_per_k": "usable energy lost per kelvin",
    "rolling_temperature_coefficient_per_k": "rolling resistance per kelvin",
    "heating_w_per_k": "heating per kelvin",
    "cooling_w_per_k": "cooling per kelvin",
    "tyre_rolling_circumference_m": "tyre rolling circumference",
    "pack_resistance_ohm": "pack resistance",
    "regen_power_limit_w": "regen limit",
}

CAUSE_WORDS: Final = {
    "rolling": "rolling",
    "air": "air",
    "hills": "hills",
    "speed_change": "speed left at the end",
    "friction_brakes": "friction brakes",
    "drivetrain_loss": "drivetrain",
    "regen_loss": "regen losses",
    "auxiliary": "auxiliaries",
    "cabin_climate": "heating and cooling",
}

_FORMATS: Final = {
    "mass_kg": (1.0, "{:.0f} kg"),
    "drag_area_m2": (1.0, "{:.2f} m²"),
    "rolling_coefficient": (1.0, "{:.4f}"),
    "drive_efficiency_ratio": (100.0, "{:.1f} %"),
    "regen_efficiency_ratio": (100.0, "{:.1f} %"),
    "auxiliary_power_w": (1.0, "{:.0f} W"),
    "usable_energy_wh": (0.001, "{:.1f} kWh"),
    "regen_power_limit_w": (0.001, "{:.1f} kW"),
    "pack_resistance_ohm": (1000.0, "{:.0f} mΩ"),
    "tyre_rolling_circumference_m": (1.0, "{:.3f} m"),
    "usable_loss_per_k": (100.0, "{:.1f} %/K"),
    "rolling_temperature_coefficient_per_k": (100.0, "{:.1f} %/K"),
}

_UNIT_WORDS: Final = {"ratio": "", "m2": "m²", "ohm": "Ω", "degC": "°C"}


def parameter_text(name: str, value: float, unit: str = "") -> str:
    """A parameter's value with its unit; ``unit`` is for those that have no form of their own."""
    if name == "spread":
        return ""
    if value == float("inf"):
        return "no limit"
    scale, form = _FORMATS.get(name, (1.0, "{:.3g} " + _UNIT_WORDS.get(unit, unit)))
    return form.format(value * scale).strip()


def channel_words(channel: str) -> str:
    """A channel's name as it is read: ``motor_temperature_2`` becomes ``motor temperature 2``."""
    return channel.replace("_", " ")
