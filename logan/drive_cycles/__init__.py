"""Packaged speed schedules."""
