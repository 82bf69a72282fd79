"""Packaged speed schedules, and routes from GPX tracks, both as schedules that can be driven on paper.

It knows the model's ``Schedule`` and the reading of its own files, but no drive and no library. Begin with
``cycles.py``; where the schedules come from is in ``SOURCES.md`` beside it.
"""
