"""Colors of figures: readable on their paper, and told apart by those who are color-blind."""

from itertools import combinations

import numpy as np
import pytest

from logan.report.figure import INKS, PAPER, SERIES, TEXT, figure_css

READABLE = 4.5
"""WCAG 2.2, success criterion 1.4.3 (from memory), for words of ordinary size."""
APART = 11.0
"""CIE76 difference; about 2.3 is just noticeable (common practice)."""
TOGETHER = (("plan", "refined", "measured"), ("good", "amber", "red"), SERIES)
"""Roles that stand side by side; amber and red of a bar also carry their words."""
# Linear RGB as those without red, green, blue cones see it: Vienot, Brettel, Mollon 1999 (red, green); from memory.
BLIND = {
    "protanopia": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
    "deuteranopia": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
}


def linear(color):
    parts = np.array([int(color[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def luminance(color):
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear(color))


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def lab(rgb):
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ rgb
    ratio = np.clip(xyz / np.array([0.9505, 1.0, 1.089]), 1e-9, None)
    f = np.where(ratio > 0.008856, np.cbrt(ratio), 7.787 * ratio + 16.0 / 116.0)
    return np.array([116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])])


def test_the_measures_themselves_are_right():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # a known border case of the criterion
    for matrix in BLIND.values():
        assert np.array(matrix) @ np.ones(3) == pytest.approx(np.ones(3), abs=0.01)  # white stays white


@pytest.mark.parametrize("side", [0, 1], ids=["light and print", "dark"])
def test_every_color_can_be_read_as_a_label(side):
    worst = {role: contrast(colors[side], PAPER[side]) for role, colors in INKS.items()}
    assert {role: ratio for role, ratio in worst.items() if ratio < READABLE} == {}
    assert contrast(TEXT[side], PAPER[side]) > 10.0


@pytest.mark.parametrize("side", [0, 1], ids=["light and print", "dark"])
@pytest.mark.parametrize("sight", [None, *BLIND])
def test_what_stands_side_by_side_is_told_apart(side, sight):
    matrix = np.eye(3) if sight is None else np.array(BLIND[sight])
    close = {}
    for group in TOGETHER:
        for one, other in combinations(group, 2):
            seen = [lab(np.clip(matrix @ linear(INKS[role][side]), 0.0, 1.0)) for role in (one, other)]
            difference = float(np.linalg.norm(seen[0] - seen[1]))
            if difference < APART:
                close[one, other] = round(difference, 1)
    assert close == {}


def test_the_style_names_every_role_for_light_dark_and_print():
    style = figure_css()
    assert all(style.count(f"--f-{role}:") == 3 and f".k-{role}{{" in style for role in INKS)
