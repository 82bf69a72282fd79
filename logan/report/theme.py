"""Colors of all figures by role: told apart by those who are color-blind, on white, on dark and in print.

After the qualitative set of Okabe and Ito (Color Universal Design, 2008), darkened or lightened until a label
in the color can be read (4.5 to 1, WCAG 2.2, 1.4.3); ``tests/report/test_theme.py`` measures both.
"""

from __future__ import annotations

from typing import Final

INKS: Final = {
    # Role: on white and in print, on dark.
    "plan": ("#5f6670", "#a9b1bc"),
    "refined": ("#0066a1", "#6cbcf0"),
    "measured": ("#b84a00", "#ff9d57"),
    "good": ("#00765a", "#3ccb9f"),
    "amber": ("#9a6500", "#f0b840"),
    "red": ("#a01820", "#ff8078"),
    "neutral": ("#666d76", "#9fa7b1"),
    "s0": ("#0066a1", "#6cbcf0"),
    "s1": ("#b84a00", "#ff9d57"),
    "s2": ("#00765a", "#3ccb9f"),
    "s3": ("#9c3f78", "#eaa0cb"),
    "s4": ("#3d3700", "#e3d24f"),
}
SERIES: Final = ("s0", "s1", "s2", "s3", "s4")
DASH_ORDER: Final = ("solid", "dash", "dot", "dashdot", "longdash")
PAPER: Final = ("#ffffff", "#16191d")
TEXT: Final = ("#22262b", "#e7e9ec")


def figure_css() -> str:
    """The style of all figures: roles, the two widths, and print."""

    def roles(side: int) -> str:
        named = "".join(f"--f-{role}:{colors[side]};" for role, colors in INKS.items())
        return f":root{{{named}--f-paper:{PAPER[side]}}}"

    classes = "".join(f".k-{role}{{color:var(--f-{role})}}" for role in INKS)
    return (
        f"{roles(0)}@media (prefers-color-scheme:dark){{{roles(1)}}}@media print{{{roles(0)}}}{classes}"
        ".drawing{position:relative}.drawing svg{display:block;width:100%;height:auto;touch-action:pan-y;"
        "font-family:system-ui,sans-serif}.drawing .narrow{display:none}.drawing svg.wide{max-width:54rem}"
        "@media (max-width:36rem){.drawing .wide{display:none}.drawing .narrow{display:block}}"
        "@media print{.drawing .wide{display:block}.drawing .narrow{display:none}.drawing output{display:none}}"
        "svg .halo{paint-order:stroke;stroke:var(--f-paper);stroke-width:3px;stroke-linejoin:round}"
        "svg .soft{opacity:.72}svg .grid{stroke:currentColor;opacity:.16}svg .frame{stroke:currentColor;opacity:.5}"
        ".drawing output{display:block;min-height:1.4em;font-size:.85rem;font-variant-numeric:tabular-nums}"
    )
