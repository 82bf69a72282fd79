"""Conversions between SI and the units people read.

logan computes in SI: what comes in is converted once (``channels``, ``configuration``), and what goes out once
(``report``, ``cli``, ``web``), so this package knows nothing but numbers, constants and the names of units. Begin with
``DisplayUnits`` below, and then ``algebra.py``, the one reader of units as people write them.
Factors: NIST SP 811, Appendix B.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar, overload

from logan.units.algebra import UnitConversion, conversion

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]
else:

    def __getattr__(name: str) -> Any:
        """The array types, made when first asked for: those who only convert single numbers load no numpy."""
        kinds = {"FloatArray": "float64", "IntArray": "int64", "BoolArray": "bool_"}
        if name not in kinds:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        import numpy as np
        from numpy.typing import NDArray

        return globals().setdefault(name, NDArray[getattr(np, kinds[name])])


STANDARD_GRAVITY_M_PER_S2: Final = 9.80665
"""Standard acceleration of free fall (exact; NIST SP 811, Appendix B)."""

METRES_PER_MILE: Final = 1609.344
"""International mile (exact; NIST SP 811, Appendix B)."""

SECONDS_PER_HOUR: Final = 3600.0
JOULES_PER_WATT_HOUR: Final = 3600.0

ZERO_CELSIUS_K: Final = 273.15
"""Kelvin at 0 degrees Celsius (exact; NIST SP 811)."""

GAS_CONSTANT_J_PER_MOL_K: Final = 8.314462618
"""Molar gas constant (CODATA 2018)."""

DRY_AIR_GAS_CONSTANT_J_PER_KG_K: Final = 287.058
"""Specific gas constant of dry air (40 CFR 1037.528(h)(10), from memory)."""

Number = TypeVar("Number", float, "FloatArray")
"""One number or an array of them: a formula gives what it is given."""

STANDARD_PRESSURE_PA: Final = 101_325.0
"""Standard atmosphere (exact by definition; ISO 2533, second-hand)."""

US_ROAD_LOAD_TEMPERATURE_DEGC: Final = 20.0
US_ROAD_LOAD_PRESSURE_PA: Final = 98_210.0
"""Reference conditions of a US road load (40 CFR 1066.805(c))."""


METRES_PER_SECOND_PER_MPH: Final = METRES_PER_MILE / SECONDS_PER_HOUR
NEWTONS_PER_POUND_FORCE: Final = 4.4482216152605
KILOGRAMS_PER_POUND: Final = 0.45359237
METRES_PER_INCH: Final = 0.0254
METRES_PER_FOOT: Final = 0.3048
RADIANS_PER_SECOND_PER_RPM: Final = 2.0 * math.pi / 60.0
WATT_HOURS_PER_US_GALLON_EQUIVALENT: Final = 33_705.0
"""Energy of a US gallon of petrol as used for MPGe (EPA)."""

_SHOWN: Final = {
    # Quantity: unit it is held in, US unit, metric unit, digits after the point in each.
    "distance": ("m", "mi", "km", 0, 0),
    "speed": ("m/s", "mph", "km/h", 0, 0),
    "temperature": ("degC", "°F", "°C", 0, 0),
    "consumption": ("Wh/km", "Wh/mi", "Wh/km", 0, 0),
    "height": ("m", "ft", "m", 0, 0),
    "slope": ("ratio", "ft/mi", "m/km", 0, 1),
    "weight": ("kg", "lb", "kg", 0, 0),
    "area": ("m^2", "ft²", "m²", 1, 2),
    "length": ("m", "in", "m", 1, 3),
    "power": ("W", "hp", "kW", 0, 0),
    "torque": ("N*m", "lb-ft", "N·m", 0, 0),
    "force": ("N", "lbf", "N", 0, 0),
    "pressure": ("Pa", "psi", "kPa", 0, 0),
    "electric_power": ("W", "kW", "kW", 0, 0),
    "small_power": ("W", "W", "W", 0, 0),
    "energy": ("Wh", "kWh", "kWh", 1, 1),
    "shaft_speed": ("rad/s", "rpm", "rpm", 0, 0),
    "share": ("ratio", "%", "%", 1, 1),
    "resistance": ("ohm", "mΩ", "mΩ", 0, 0),
    "density": ("kg/m^3", "lb/ft³", "kg/m³", 4, 3),
    "force_by_speed": ("N/(m/s)", "lbf/mph", "N/(km/h)", 3, 2),
    "force_by_square": ("N/(m/s)^2", "lbf/mph²", "N/(km/h)²", 4, 4),
    "loss_by_force": ("W/N^2", "W/(1000 lbf)²", "W/kN²", 0, 0),
    "share_per_degree": ("1/K", "%/°F", "%/K", 2, 2),
    "heat_by_degree": ("W/K", "W/°F", "W/K", 0, 0),
}
_BY_THEMSELVES: Final = ("weight", "area", "length", "power", "torque", "force", "pressure")
"""Quantities that a user may choose a unit for; speed, consumption and height follow the distance."""
_BY_TEMPERATURE: Final = ("temperature", "share_per_degree", "heat_by_degree")
"""Quantities that follow the choice of °F or °C."""

QUANTITY_OF_UNIT: Final = {
    "degC": "temperature", "K": "temperature_step", "m/s": "speed", "rad/s": "shaft_speed", "kg": "weight",
    "m2": "area", "m^2": "area", "N": "force", "N m": "torque", "Nm": "torque", "N*m": "torque", "Pa": "pressure",
    "W": "electric_power", "Wh/km": "consumption", "kg/m3": "density", "W/K": "heat_by_degree",
    "1/K": "share_per_degree", "N/(m/s)": "force_by_speed", "N s/m": "force_by_speed", "N s2/m2": "force_by_square",
    "W/N2": "loss_by_force",
}  # fmt: skip
"""Quantity of a result by the unit that it carries; what is not here is read the same in both systems."""

Distance = Literal["mi", "km"]
Temperature = Literal["degF", "degC"]


@overload
def fahrenheit(temperature_degc: float) -> float: ...
@overload
def fahrenheit(temperature_degc: FloatArray) -> FloatArray: ...
def fahrenheit(temperature_degc: float | FloatArray) -> float | FloatArray:
    """Return a temperature in degrees Fahrenheit."""
    return temperature_degc * 1.8 + 32.0


@overload
def celsius(temperature_degf: float) -> float: ...
@overload
def celsius(temperature_degf: FloatArray) -> FloatArray: ...
def celsius(temperature_degf: float | FloatArray) -> float | FloatArray:
    """Return a temperature in degrees Celsius."""
    return (temperature_degf - 32.0) / 1.8


@dataclass(frozen=True, slots=True)
class DisplayUnits:
    """What the user reads: the US or the metric system, or single choices of both.

    Parameters
    ----------
    distance : {"mi", "km"}
        Unit of distance; whatever is not chosen by itself follows its system.
    temperature : {"degF", "degC"}
        Unit of temperature.
    choices : tuple of (str, str)
        Quantity and unit that differ from the system, such as ``("power", "kW")``.
    """

    distance: Distance = "mi"
    temperature: Temperature = "degF"
    choices: tuple[tuple[str, str], ...] = ()

    @classmethod
    def parse(cls, text: str) -> DisplayUnits:
        """Read ``"us"``, ``"metric"``, ``"mi,F"``, ``"km"``, ``"us,C,kW"``; alone, ``km`` means °C too.

        Raises
        ------
        ValueError
            If a word is not a unit known here, or contradicts one before.
        """
        singles = {_typed(unit): (quantity, unit)
                   for quantity in _BY_THEMSELVES for unit in _SHOWN[quantity][1:3]}  # fmt: skip
        systems: dict[str, tuple[str, Any]] = {
            word: (quantity, unit)
            for quantity, unit, words in (
                ("distance", "mi", "mi miles mile us"), ("distance", "km", "km metric"),
                ("temperature", "degF", "f"), ("temperature", "degC", "c"),
            )
            for word in words.split()
        }  # fmt: skip
        choices: dict[str, Any] = {}
        for word in text.replace("+", ",").replace(" ", ",").split(","):
            name = _typed(word).removeprefix("deg").removeprefix("°")
            if not name:
                continue
            if (found := systems.get(name) or singles.get(name)) is None:
                known = ", ".join(unit for _, unit in singles.values())
                raise ValueError(f"unknown unit '{name}'; use us or metric, mi or km, F or C, such as km,C; or {known}")
            quantity, unit = found
            if choices.setdefault(quantity, unit) != unit:
                raise ValueError(
                    f"'{text}' chooses {choices[quantity]} and {unit} for one {quantity}; leave one of them out"
                )
        distance: Distance = choices.pop("distance", "mi")
        temperature: Temperature = choices.pop("temperature", "degC" if distance == "km" else "degF")
        return cls(distance, temperature, tuple(choices.items()))

    def typed(self) -> str:
        """As ``parse`` reads it: ``"us"``, or ``"metric,F,lb"``."""
        words = ["us" if self.distance == "mi" else "metric"]
        if (self.temperature == "degF") != (self.distance == "mi"):
            words.append(self.temperature.removeprefix("deg"))
        return ",".join((*words, *(unit for _, unit in self.choices)))

    def unit_of(self, quantity: str) -> str:
        """Unit that a quantity is shown in, such as ``"lb"`` for ``"weight"``."""
        if quantity == "temperature_step":
            return self.temperature_label
        us, metric = _SHOWN[quantity][1:3]
        return dict(self.choices).get(quantity, us if self._is_us(quantity) else metric)

    def _is_us(self, quantity: str) -> bool:
        return self.temperature == "degF" if quantity in _BY_TEMPERATURE else self.distance == "mi"

    def to_shown(self, value: float, quantity: str) -> float:
        """A value in SI as a number in the unit shown."""
        if quantity == "temperature_step":
            return self.temperature_step(value)
        return _to_si(self.unit_of(quantity), _SHOWN[quantity][0]).from_si(value)

    def digits_of(self, quantity: str) -> int:
        """Digits after the point that a table shows of a quantity: whole pounds, a tenth of a square foot."""
        _, us_unit, _, us, metric = _SHOWN.get(quantity, ("", "", "", 0, 0))
        return us if self.unit_of(quantity) == us_unit else metric

    def shown(self, value: float, quantity: str, *, digits: int = 4) -> str:
        """A value in SI with its unit as the user reads it, such as ``"300 lb"``; it reads back to the same.

        What was typed into the settings comes back as it was typed.

        Parameters
        ----------
        value : float
            In the unit that the quantity is held in: SI; Wh/km for a consumption, Wh for an energy.
        quantity : str
            One of ``distance``, ``speed``, ``temperature``, ``weight`` and so on.
        digits : int
            Significant digits; 12 give the value itself back.
        """
        typed = getattr(value, "text", "")
        return typed or f"{plain_number(self.to_shown(value, quantity), digits)} {self.unit_of(quantity)}"

    @property
    def metres(self) -> float:
        """Metres in one unit of distance."""
        return METRES_PER_MILE if self.distance == "mi" else 1000.0

    @property
    def metres_per_second(self) -> float:
        """Metres per second in one unit of speed."""
        return self.metres / SECONDS_PER_HOUR

    @property
    def speed_label(self) -> str:
        """Name of the unit of speed."""
        return "mph" if self.distance == "mi" else "km/h"

    @property
    def consumption_label(self) -> str:
        """Name of the unit of consumption."""
        return f"Wh/{self.distance}"

    @property
    def temperature_label(self) -> str:
        """Name of the unit of temperature."""
        return "°F" if self.temperature == "degF" else "°C"

    @property
    def height_label(self) -> str:
        """Name of the unit of height: feet with miles, metres with kilometres."""
        return "ft" if self.distance == "mi" else "m"

    @property
    def metres_of_height(self) -> float:
        """Metres in one unit of height."""
        return METRES_PER_FOOT if self.distance == "mi" else 1.0

    def consumption(self, wh_per_km: float) -> float:
        """Consumption in the unit shown, from Wh/km."""
        return wh_per_km * self.metres / 1000.0

    def temperature_of(self, temperature_degc: float) -> float:
        """Temperature in the unit shown."""
        return fahrenheit(temperature_degc) if self.temperature == "degF" else temperature_degc

    def temperature_step(self, difference_k: float) -> float:
        """A temperature difference in the unit shown."""
        return difference_k * 1.8 if self.temperature == "degF" else difference_k


def _typed(unit: str) -> str:
    return unit.strip().lower().replace(" ", "").replace("·", "").replace("²", "2")


def _to_si(unit: str, held: str) -> UnitConversion:
    to_si = conversion(unit, held)
    assert to_si is not None  # a test reads every unit of the table
    return to_si


def wh_per_mi_from_wh_per_km(wh_per_km: float) -> float:
    """Convert consumption per kilometre to consumption per mile."""
    return wh_per_km * METRES_PER_MILE / 1000.0


def plain_number(value: float, digits: int = 4) -> str:
    """A number without exponent, trailing zeros, grouped thousands or a minus zero; ``not known`` for NaN."""
    if not math.isfinite(value):
        return "not known"
    places = max(digits - 1 - math.floor(math.log10(abs(value))), 0) if value else 0
    text = f"{value:.{places}f}"
    text = text.rstrip("0").rstrip(".") if places else text
    return "0" if text == "-0" else text
