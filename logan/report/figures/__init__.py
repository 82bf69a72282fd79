"""Figures: each from one finished result, with no arithmetic beyond display units."""
