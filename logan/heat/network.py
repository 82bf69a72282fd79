"""The thermal network of a drivetrain, marched through time (method/heat.md, 3)."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.physics.battery import resistance_at_ohm
from logan.physics.machine import COPPER_PER_K, EDDY_SPEED_RAD_PER_S, MachineLosses, field_weakening_ratio
from logan.settings import BuildSettings
from logan.units import FloatArray

REFERENCE_TORQUE_NM: Final = 330.0
"""Peak torque of the machine of 45 kg of active mass that the priors are stated for. [N m]"""

SENSOR_LAG_S: Final = 8.0
WINDING_SHARE_RATIO: Final = 0.85
"""What the motor's sensor reads: mostly winding, a little of the housing (common practice)."""

MEAN_COPPER_RATIO: Final = 0.8
"""The sensor sits at the end winding, the hottest; two thirds of the copper lie in the slots, nearer to the iron."""

CELL_HEAT_J_PER_KG_K: Final = 1050.0
CELL_SHARE_OF_PACK_RATIO: Final = 0.6
_STILL_AIR_RATIO: Final = 0.4
_AIR_SPEED_M_PER_S: Final = 20.0

MOTOR: Final = ("k_cu", "k_f", "w_f", "k_ac", "f1", "f2", "c_w", "c_h", "g_wh", "g_hc", "g_ha")
INVERTER: Final = ("l0", "l1", "l2", "c_i", "g_i")
COOLANT: Final = ("c_c", "b0", "b1")
CELLS: Final = ("r_b", "c_b", "e0", "e1")
OIL: Final = ("o1", "o2", "c_o", "d0", "d1")
ROTOR: Final = ("r1", "r2", "t_r")
PARAMETERS: Final = {
    "motor": MOTOR, "rotor": ROTOR, "inverter": INVERTER, "coolant": COOLANT, "cells": CELLS, "oil": OIL
}  # fmt: skip

Parameters = Mapping[str, FloatArray]
"""Values by name, each of shape (k,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """Log-normal prior of one parameter."""

    median: float
    log_sigma: float


def priors_of(build: BuildSettings) -> Mapping[str, Prior]:
    """Priors of every parameter, scaled with torque rating and pack.

    Parameters
    ----------
    build : BuildSettings
        Peak torque and power of the motors, resistance and energy of the pack.

    Returns
    -------
    mapping of str to Prior
        By parameter; common practice, as method/heat.md lists them.
    """
    motor, pack = build.powertrain.motor, build.pack
    size = motor.max_torque_nm * motor.count / REFERENCE_TORQUE_NM
    area = size ** (2.0 / 3.0)
    ampere_per_nm = 1.0 / 0.7 / size * (motor.max_power_w * motor.count / 140e3)
    top_rad_per_s = motor.max_speed_rpm * np.pi / 30.0
    slow = 1200.0 / max(top_rad_per_s, 100.0)
    cells_kg = pack.usable_energy_wh.value * pack.cell_mass_kg_per_wh * CELL_SHARE_OF_PACK_RATIO
    table = {
        "k_cu": (0.066 * size ** (-5.0 / 3.0), 0.3), "k_f": ((90.0 * size) ** 2, 0.8),
        "w_f": (1.2 * motor.max_power_w / motor.max_torque_nm, 0.2), "k_ac": (0.2 * slow**2, 0.6),
        "f1": (0.9 * size * slow, 0.5), "f2": (6e-4 * size * slow**2, 0.7),
        "c_w": (4_100.0 * size, 0.3), "c_h": (22_500.0 * size, 0.2),
        "g_wh": (24.0 * area, 0.4), "g_hc": (80.0 * area, 0.4), "g_ha": (6.0 * area, 0.8),
        "l0": (130.0 * area, 0.4), "l1": (2.5 * ampere_per_nm, 0.4), "l2": (0.010 * ampere_per_nm**2 / area, 0.4),
        "c_i": (4_000.0 * area, 0.3), "g_i": (65.0 * area, 0.4),
        "c_c": (25_000.0 * area, 0.4), "b0": (60.0 * area, 0.6), "b1": (25.0 * area, 0.6),
        "r_b": (1.15 * pack.resistance_ohm.value, 0.3), "c_b": (cells_kg * CELL_HEAT_J_PER_KG_K, 0.15),
        "e0": (0.05 * cells_kg, 0.8), "e1": (0.01 * cells_kg, 0.8),
        "r1": (0.02 * slow, 0.8), "r2": (5e-4 * size**-2.0, 1.0), "t_r": (650.0, 0.5),
        "o1": (0.02, 0.5), "o2": (0.5 * size, 0.7), "c_o": (12_000.0 * size, 0.3), "d0": (8.0 * area, 0.6),
        "d1": (0.6 * area, 0.8),
    }  # fmt: skip
    return {name: Prior(median=median, log_sigma=sigma) for name, (median, sigma) in table.items()}


def losses_of(parameters: Parameters) -> MachineLosses:
    """The loss terms among the parameters; the gear's are those of the oil where it is fitted."""
    return MachineLosses(
        copper_w_per_nm2=parameters["k_cu"],
        weakening_nm2=parameters["k_f"],
        eddy_ratio=parameters["k_ac"],
        iron_w_s_per_rad=parameters["f1"],
        windage_w_s2_per_rad2=parameters["f2"],
        standby_w=parameters["l0"],
        switching_w_per_nm=parameters["l1"],
        conduction_w_per_nm2=parameters["l2"],
        gear_loss_ratio=parameters["o1"],
        gear_drag_nm=parameters["o2"],
        base_speed_rad_per_s=parameters["w_f"],
    )


def expected_losses(build: BuildSettings) -> MachineLosses:
    """Losses that the datasheet's size lets one expect, as plain numbers."""
    return losses_of({name: np.asarray(prior.median) for name, prior in priors_of(build).items()})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatLoad:
    """What the network is driven by, each of shape (n, d, k) or broadcastable: blocks, drives, samples.

    Parameters
    ----------
    square, magnitude, shaft_rad_per_s, shaft_square, road_m_per_s, current_a2, ambient_degc : ndarray
        As in ``HeatSeries``, torque in newton metres.
    step_s : float
        Length of a block. [s]
    coolant_degc : ndarray or None
        Logged coolant, shape (n, d, 1); None lets the network find it.
    activation_j_per_mol : float
        Of the cells' resistance, which falls when they warm. [J/mol]
    """

    square: FloatArray
    magnitude: FloatArray
    shaft_rad_per_s: FloatArray
    shaft_square: FloatArray
    road_m_per_s: FloatArray
    current_a2: FloatArray
    ambient_degc: FloatArray
    step_s: float
    coolant_degc: FloatArray | None = None
    activation_j_per_mol: float = 25_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class March:
    """Temperatures over time, each of shape (n, d, k): block means. [degC]"""

    motor: FloatArray
    winding: FloatArray
    rotor: FloatArray
    inverter: FloatArray
    coolant: FloatArray
    cells: FloatArray
    oil: FloatArray

    def of(self, part: str) -> FloatArray:
        """Temperature that the sensor of a part shows. [degC]"""
        return np.asarray(getattr(self, part))


def march(
    parameters: Parameters,
    load: HeatLoad,
    start_degc: Mapping[str, FloatArray],
    *,
    has_coolant: bool,
    parts: frozenset[str] = frozenset(PARAMETERS),
) -> March:
    """March the network through its load.

    Parameters
    ----------
    parameters : mapping of str to ndarray, shape (k,)
        All of ``PARAMETERS``.
    load : HeatLoad
        Load and surroundings.
    start_degc : mapping of str to ndarray, shape (d, 1) or (d, k)
        By part: motor, rotor, inverter, coolant, cells, oil. [degC]
    has_coolant : bool
        False lets the outside air cool motor and inverter.
    parts : frozenset of str
        Which to march; the others stay where they start.

    Returns
    -------
    March
        By part.

    References
    ----------
    .. [1] Each node relaxes exactly towards what neighbours and heat would settle it at (Method: heat (3) to (10)).
    """
    p, h = parameters, load.step_s
    heat = _heats(p, load)
    air = p["g_ha"] * (_STILL_AIR_RATIO + load.road_m_per_s / _AIR_SPEED_M_PER_S)
    to_housing = p["g_wh"] + p["g_hc"] + air
    radiator = p["b0"] + p["b1"] * load.road_m_per_s**0.8
    to_coolant = p["g_hc"] + p["g_i"] + radiator
    to_cells, to_oil = p["e0"] + p["e1"] * load.road_m_per_s, p["d0"] + p["d1"] * load.road_m_per_s
    keep_w, keep_s = np.exp(-h * p["g_wh"] / p["c_w"]), float(np.exp(-h / SENSOR_LAG_S))
    keep_h, keep_i = np.exp(-h * to_housing / p["c_h"]), np.exp(-h * p["g_i"] / p["c_i"])
    keep_c = np.exp(-h * to_coolant / p["c_c"])
    keep_r, rotor_k = np.exp(-h / p["t_r"]), p["r1"] * load.shaft_rad_per_s + p["r2"] * load.square
    keep_b, keep_o = np.exp(-h * to_cells / p["c_b"]), np.exp(-h * to_oil / p["c_o"])
    shape = np.broadcast_shapes(load.square.shape, load.road_m_per_s.shape, start_degc["motor"].shape, *_sizes(p))
    count, ambient = shape[0], load.ambient_degc
    begin = {part: np.broadcast_to(value, shape[1:]).copy() for part, value in start_degc.items()}
    winding, housing, sensor = begin["motor"], begin["motor"].copy(), begin["motor"].copy()
    rotor, inverter, coolant, cells, oil = (begin[part] for part in ("rotor", "inverter", "coolant", "cells", "oil"))
    out = np.empty((7, count + 1, *shape[1:]))
    for j, value in enumerate((sensor, winding, rotor, inverter, coolant, cells, oil)):
        out[j, 0] = value
    for i in range(count):
        if load.coolant_degc is not None:
            coolant = np.broadcast_to(load.coolant_degc[i], shape[1:])
        elif not has_coolant:
            coolant = np.broadcast_to(ambient[i], shape[1:])
        if "motor" in parts:
            mean = housing + MEAN_COPPER_RATIO * (np.minimum(winding, 400.0) - housing)
            warm = 1.0 + COPPER_PER_K * (mean - 25.0)
            copper = heat["copper"][i] * (warm + heat["eddy"][i] / warm)
            goal = housing + copper / p["g_wh"]
            winding = goal + (winding - goal) * keep_w
            goal = (heat["core"][i] + p["g_wh"] * winding + p["g_hc"] * coolant + air[i] * ambient[i]) / to_housing[i]
            housing = goal + (housing - goal) * keep_h[i]
            sensor = sensor + (WINDING_SHARE_RATIO * (winding - housing) + housing - sensor) * (1.0 - keep_s)
        if "rotor" in parts:
            goal = housing + rotor_k[i]
            rotor = goal + (rotor - goal) * keep_r
        if "inverter" in parts:
            goal = coolant + heat["inverter"][i] / p["g_i"]
            inverter = goal + (inverter - goal) * keep_i
        if "coolant" in parts and load.coolant_degc is None and has_coolant:
            goal = (p["g_hc"] * housing + p["g_i"] * inverter + radiator[i] * ambient[i]) / to_coolant[i]
            coolant = goal + (coolant - goal) * keep_c[i]
        if "cells" in parts:
            now = resistance_at_ohm(1.0, np.clip(cells, -30.0, 90.0), load.activation_j_per_mol)
            goal = ambient[i] + heat["cells"][i] * now / to_cells[i]
            cells = goal + (cells - goal) * keep_b[i]
        if "oil" in parts:
            goal = ambient[i] + heat["oil"][i] / to_oil[i]
            oil = goal + (oil - goal) * keep_o[i]
        for j, value in enumerate((sensor, winding, rotor, inverter, coolant, cells, oil)):
            out[j, i + 1] = value
    return March(
        **dict(zip(("motor", "winding", *tuple(PARAMETERS)[1:]), 0.5 * (out[:, :-1] + out[:, 1:]), strict=True))
    )


def _sizes(p: Parameters) -> set[tuple[int, ...]]:
    return {value.shape for value in p.values()}


def _heats(p: Parameters, load: HeatLoad) -> dict[str, FloatArray]:
    """Heat into each node; copper's at 25 degC. [W]"""
    against2 = p["k_f"] * field_weakening_ratio(load.shaft_rad_per_s, p["w_f"])
    current2 = load.square + against2
    magnitude = np.sqrt(load.magnitude**2 + against2)
    return {
        "copper": p["k_cu"] * current2,
        "eddy": p["k_ac"] * load.shaft_square / EDDY_SPEED_RAD_PER_S**2,
        "core": p["f1"] * load.shaft_rad_per_s + p["f2"] * load.shaft_square,
        "inverter": p["l0"] + p["l1"] * magnitude + p["l2"] * current2,
        "cells": p["r_b"] * load.current_a2,
        "oil": p["o1"] * load.magnitude * load.shaft_rad_per_s + p["o2"] * load.shaft_rad_per_s,
    }
