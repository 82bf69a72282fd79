"""Efficiency of a real machine with its inverter, as measured: an independent truth for losses learned from drives.

83 kW AC induction motor with inverter, measured by Virginia Tech (D. Nelson, 1997) under subcontract to NREL; from the
data file of 30 June 1998 that is marked public. Read there; motoring quadrant up to 136 N m, 105 rad/s and more.
"""

import numpy as np
from scipy.interpolate import RegularGridInterpolator

TORQUE_NM = np.array([13.6, 27.1, 40.7, 54.2, 67.8, 81.4, 94.9, 108.5, 122.0, 135.6])
SPEED_RAD_PER_S = np.array([105, 209, 314, 419, 524, 628, 733, 838, 943, 1047, 1152, 1257, 1361], dtype=float)
MOST_TORQUE_NM = np.array([203, 203, 203, 193, 156, 129, 111, 98, 85, 79, 72, 65, 60], dtype=float)

_INVERTER = """
83 83 83 83 83 83 82 82 82 81
87.5 87.5 87.5 87.5 87.5 87.5 86.5 86.5 86.5 86
92 92 92 92 92 92 91 91 91 90
96.5 96.5 96.5 96.5 96.5 96.5 95.5 95.5 95.5 95
97.7 98 98 97.3 97 96.9 96.6 95 94 94
97.8 98.1 97.5 97.3 97 96.6 96 94 93 92
97.7 98.2 97.1 97 96.6 96 95 93 93 92
97.3 96.9 97 96.7 96 95 94 93 93 92
97.9 98.1 97.1 96.4 95 94 94 93 93 92
98.1 97.3 97.1 96 94 94 94 93 93 92
97.8 97.1 96 95 94 94 94 93 93 92
97 96.7 96 94 94 94 94 93 93 92
96 96 95 94 94 94 94 93 93 92"""

_MOTOR = """
81.3 82.2 82 81.5 81.2 80.4 79.3 80.1 76.8 74.3
87.1 88.3 87.8 87.9 87.9 87.8 87.2 88 85.7 84.9
89.3 90.6 90.3 90.5 90.8 90.6 90.3 91 89.3 88.7
90.5 92 91.9 92.3 92.5 92.4 92.1 92.5 91.3 89.7
91.4 93 90.6 91.6 91.9 91.9 91.6 91.2 90.6 90
92.2 92.1 92.6 92.7 92.4 91.8 91 91.1 89 87.9
94 95.7 95.1 94.2 93 91.7 89.9 88.4 89 87.9
93.7 95.6 94.6 93.2 91.5 89.4 87.2 88.4 89 87.9
94.5 95.3 93.8 91.9 89.2 86.4 87.2 88.4 89 87.9
94.1 94.8 92.8 89 86.5 86.4 87.2 88.4 89 87.9
94 94.2 91.5 87.7 86.5 86.4 87.2 88.4 89 87.9
93.9 93.4 88.8 83.5 86.5 86.4 87.2 88.4 89 87.9
93.8 92.4 87.3 83.5 86.5 86.4 87.2 88.4 89 87.9"""


def _table(text):
    return 0.01 * np.array([line.split() for line in text.split("\n")[1:]], dtype=float)


_LOSS = RegularGridInterpolator(
    (SPEED_RAD_PER_S, TORQUE_NM),
    (1.0 / (_table(_INVERTER) * _table(_MOTOR)) - 1.0) * SPEED_RAD_PER_S[:, np.newaxis] * TORQUE_NM,
)


def measured_loss_w(torque_nm, speed_rad_per_s):
    """Loss of motor and inverter; braking like driving, and below 13.6 N m as there: the file assumes both."""
    return _LOSS(np.column_stack([np.clip(speed_rad_per_s, 105.0, 1361.0), np.clip(np.abs(torque_nm), 13.6, 135.6)]))
