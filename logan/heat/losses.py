"""Losses from pack to shaft, learned where torque, shaft speed and pack power are logged (method/heat.md, 6)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from scipy.optimize import nnls

from logan.heat.series import HeatSeries
from logan.physics.machine import MachineLosses, field_weakening_ratio

LEAST_BLOCKS: Final = 150
LEAST_COPPER_RATIO: Final = 0.1
"""No winding loses less than this share of what is expected; field weakening is stated over it."""

PRIOR_WEIGHT: Final = 0.01
"""Weight of the expected losses against the drives': what no drive excites stays as expected."""


def learned_losses(series: Sequence[HeatSeries], expected: MachineLosses) -> tuple[MachineLosses, float] | None:
    """Fit pack power = scale x torque x speed + losses; driving and regen together tell the torque's scale.

    Parameters
    ----------
    series : sequence of HeatSeries
        Drives; those with torque, shaft speed and pack power logged are used.
    expected : MachineLosses
        Numbers, not samples: what the datasheet's size lets one expect.

    Returns
    -------
    tuple of MachineLosses and float, or None
        Losses in torque as logged times the scale, and the scale; None where too little is logged.
    """
    usable = [one for one in series if one.load_source == "motor torque" and one.pack_w is not None]
    if sum(one.square.size for one in usable) < LEAST_BLOCKS:
        return None
    e = {name: float(np.squeeze(getattr(expected, name))) for name in _TERMS}
    base = float(np.squeeze(expected.base_speed_rad_per_s))
    blocks = [
        np.column_stack(
            [
                one.shaft_w if one.shaft_w is not None else np.full(one.square.size, np.nan),
                np.full(one.square.size, e["standby_w"]),
                e["switching_w_per_nm"] * one.magnitude,
                (e["copper_w_per_nm2"] + e["conduction_w_per_nm2"]) * one.square,
                e["iron_w_s_per_rad"] * one.shaft_rad_per_s,
                e["windage_w_s2_per_rad2"] * one.shaft_square,
                e["copper_w_per_nm2"] * e["weakening_nm2"] * field_weakening_ratio(one.shaft_rad_per_s, base),
            ]
        )
        for one in usable
    ]
    table = np.vstack(blocks)
    power = np.concatenate([one.pack_w for one in usable if one.pack_w is not None])
    known = np.isfinite(table).all(axis=1) & np.isfinite(power)
    table, power = table[known], power[known]
    spread = np.sqrt(np.sum(table**2, axis=0))
    rows = np.diag(PRIOR_WEIGHT * np.maximum(spread, 1e-9))
    found, _ = nnls(np.vstack([table, rows[1:]]), np.concatenate([power, rows[1:].sum(axis=1)]))
    scale = float(found[0])
    if not 0.7 < scale < 1.4:
        return None
    standby, switching, square, iron, windage, weak = found[1:].tolist()
    square = max(square, LEAST_COPPER_RATIO)
    return (
        replace(
            expected,
            standby_w=e["standby_w"] * standby,
            switching_w_per_nm=e["switching_w_per_nm"] * switching / scale,
            copper_w_per_nm2=e["copper_w_per_nm2"] * square / scale**2,
            conduction_w_per_nm2=e["conduction_w_per_nm2"] * square / scale**2,
            iron_w_s_per_rad=e["iron_w_s_per_rad"] * iron,
            windage_w_s2_per_rad2=e["windage_w_s2_per_rad2"] * windage,
            weakening_nm2=e["weakening_nm2"] * weak * scale**2 / square,
            eddy_ratio=0.0,
        ),
        scale,
    )


_TERMS: Final = (
    "standby_w",
    "switching_w_per_nm",
    "copper_w_per_nm2",
    "conduction_w_per_nm2",
    "iron_w_s_per_rad",
    "windage_w_s2_per_rad2",
    "weakening_nm2",
)
