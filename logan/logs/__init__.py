"""Readers of log formats."""
