"""Figures drawn as static SVG: what print, and a reader without JavaScript, see of a plotly figure."""
