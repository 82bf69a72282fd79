"""Quantities within sentences: written in SI where a sentence is made, read in the reader's units where it is shown.

A finding's evidence or a refusal's reason is made deep in the core, kept with the analysis, and shown to readers of
both systems. So its quantities are written with ``measure``, which joins number and unit with a narrow no-break space:
the text reads well as it stands (JSON and files keep it), and ``logan.wording.told`` knows each quantity again.
"""

from typing import Final

from logan.units import METRES_PER_MILE, METRES_PER_SECOND_PER_MPH

MARK: Final = "\N{NARROW NO-BREAK SPACE}"
"""Narrow no-break space, which nothing else in logan's texts holds."""

SENTENCE_UNITS: Final = {
    "°C": ("temperature", 1.0), "K": ("temperature_step", 1.0), "m": ("height", 1.0), "mm": ("length", 0.001),
    "km": ("distance", 1000.0), "mi": ("distance", METRES_PER_MILE), "m/s": ("speed", 1.0), "km/h": ("speed", 1 / 3.6),
    "mph": ("speed", METRES_PER_SECOND_PER_MPH), "kg": ("weight", 1.0), "Wh/km": ("consumption", 1.0),
    "N": ("force", 1.0), "N·m": ("torque", 1.0), "Pa": ("pressure", 1.0), "kPa": ("pressure", 1000.0),
    "N/(m/s)": ("force_by_speed", 1.0),
}  # fmt: skip
"""Units that sentences are written in: quantity, and how much of its SI unit. Electrical ones are read by everybody."""


def measure(value: float, unit: str, form: str = ".0f") -> str:
    """A quantity for a sentence, such as ``"21.5 °C"``.

    Parameters
    ----------
    value : float
        In ``unit``.
    unit : str
        One of ``SENTENCE_UNITS``.
    form : str
        Digits and sign, as ``format`` takes them.
    """
    if unit not in SENTENCE_UNITS:
        raise ValueError(f"'{unit}' is no unit of sentences")
    number = f"{value:{form}}"
    return f"{number if float(number) else number.replace('-', '')}{MARK}{unit}"
