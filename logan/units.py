"""Conversions between SI and the units people read.

logan computes in SI and converts once on the way in (``channels``) and once on the
way out (``report``, ``cli``, ``web``). Factors: NIST SP 811, Appendix B.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, overload

from logan.constants import JOULES_PER_WATT_HOUR, METRES_PER_MILE, SECONDS_PER_HOUR

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


METRES_PER_SECOND_PER_MPH: Final = METRES_PER_MILE / SECONDS_PER_HOUR
NEWTONS_PER_POUND_FORCE: Final = 4.4482216152605
KILOGRAMS_PER_POUND: Final = 0.45359237
PASCALS_PER_PSI: Final = 6894.757293168361
WATTS_PER_HORSEPOWER: Final = 745.6998715822701
METRES_PER_INCH: Final = 0.0254
METRES_PER_FOOT: Final = 0.3048
RADIANS_PER_SECOND_PER_RPM: Final = 2.0 * math.pi / 60.0
WATT_HOURS_PER_US_GALLON_EQUIVALENT: Final = 33_705.0
"""Energy of a US gallon of petrol as used for MPGe (EPA)."""

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
    """What the user reads: miles or kilometres, Fahrenheit or Celsius.

    Parameters
    ----------
    distance : {"mi", "km"}
        Unit of distance; speed and consumption follow it.
    temperature : {"degF", "degC"}
        Unit of temperature.
    """

    distance: Distance = "mi"
    temperature: Temperature = "degF"

    @classmethod
    def parse(cls, text: str) -> DisplayUnits:
        """Read ``"mi,F"``, ``"km,C"``, ``"mi"``, ``"km"``, ``"C"``; alone, ``km`` means °C too.

        Raises
        ------
        ValueError
            If a word is not a unit known here.
        """
        distance: Distance | None = None
        temperature: Temperature | None = None
        for word in text.replace("+", ",").replace(" ", ",").split(","):
            match word.strip().lower().removeprefix("deg").removeprefix("°"):
                case "mi" | "miles" | "mile":
                    distance = "mi"
                case "km":
                    distance = "km"
                case "f":
                    temperature = "degF"
                case "c":
                    temperature = "degC"
                case "":
                    continue
                case other:
                    raise ValueError(f"unknown unit '{other}'; use mi or km, F or C, such as km,C")
        if temperature is None:
            temperature = "degC" if distance == "km" else "degF"
        return cls(distance or "mi", temperature)

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

    @property
    def joules_per_metre(self) -> float:
        """Joules per metre in one unit of consumption (Wh/mi or Wh/km)."""
        return JOULES_PER_WATT_HOUR / self.metres

    def consumption(self, wh_per_km: float) -> float:
        """Consumption in the unit shown, from Wh/km."""
        return wh_per_km * self.metres / 1000.0

    def temperature_of(self, temperature_degc: float) -> float:
        """Temperature in the unit shown."""
        return fahrenheit(temperature_degc) if self.temperature == "degF" else temperature_degc

    def temperature_step(self, difference_k: float) -> float:
        """A temperature difference in the unit shown."""
        return difference_k * 1.8 if self.temperature == "degF" else difference_k


def wh_per_km_from_wh_per_mi(wh_per_mi: float) -> float:
    """Convert consumption per mile to consumption per kilometre."""
    return wh_per_mi * 1000.0 / METRES_PER_MILE


def wh_per_mi_from_wh_per_km(wh_per_km: float) -> float:
    """Convert consumption per kilometre to consumption per mile."""
    return wh_per_km * METRES_PER_MILE / 1000.0
