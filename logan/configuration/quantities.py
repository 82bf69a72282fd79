"""Quantities as fields of settings: the unit they are held in and the range that is allowed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from logan.units import plain_number
from logan.units.algebra import conversion
from logan.units.quantities import Measured, parse_quantity

__all__ = ["Measured", "Quantity", "parse_quantity"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """Marks a field as a quantity of one kind within a range; held as ``Measured`` in ``to_unit``.

    Parameters
    ----------
    to_unit : str
        Unit that it is held in.
    low, high : float
        Allowed range, in that unit.
    example : str
        Shown when the user's text cannot be read.
    shown : str
        Unit as printed in messages.
    least : float
        What is smaller, and not zero, is refused too.
    """

    to_unit: str
    low: float
    high: float
    example: str
    shown: str
    least: float = 0.0

    def read(self, raw: object) -> Measured:
        """Read and check one value.

        Raises
        ------
        ValueError
            In the words shown to the user.
        """
        if isinstance(raw, Measured):
            return raw
        measured = parse_quantity(raw, self.to_unit, self.example, low=self.low or self.least, high=self.high)
        if not self.low <= measured.value <= self.high or 0.0 < abs(measured.value) < self.least:
            raise ValueError(f"expected {self._range(measured.unit)}, got {measured.text or f'{measured.value:g}'}")
        return measured

    def _range(self, typed: str = "") -> str:
        """What is allowed, in the unit that was typed."""
        to_si = conversion(typed, self.to_unit) if typed else None
        low, least, high = (
            plain_number(value if to_si is None else to_si.from_si(value))
            for value in (self.low, self.least, self.high)
        )
        return f"{low}{f', or {least}' if self.least else ''} to {high} {typed or self.shown}".strip()

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, core: Any, handler: Any) -> dict[str, Any]:
        # Forms and API descriptions show a quantity as text with its range.
        return {"type": "string", "examples": [self.example], "description": self._range()}
