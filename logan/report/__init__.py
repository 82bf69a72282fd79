"""Figures, tables and the report page."""
