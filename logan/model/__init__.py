"""The consumption model: priors, forward prediction and fit.

It knows drives reduced to segments, measurements and the sensors' errors, but no file, no library and no display.
Begin with the chapters ``plan.md`` and ``fit.md`` in ``logan/method``, and then read in the order of the work:

- the plan: ``parameters.py``, ``priors.py``, ``certified.py``, ``plan.py``;
- reduce: a drive to integrals over steps and segments: ``drive_track.py``, ``cabin_load.py``, ``heights.py``,
  ``road_integrals.py``, ``shaft.py``, ``coasting.py``, ``balance.py`` and, as it is kept, ``segments_table.py``;
  what was measured beside drives: ``measurement.py``;
- likelihood: how likely that is: ``unknowns.py`` (equations 1 to 4 of ``fit.md``), ``drive_likelihood.py`` (7 to 13);
- solve: ``newton.py``, ``hierarchy.py`` (drives together), ``regen_limit.py``, ``estimator.py``, ``sensor_errors.py``;
  the outcome: ``fit_result.py``, ``fitted_build.py``, ``drive_fit.py``;
- predict: ``schedule.py``, ``steps.py``, ``forward.py``, ``breakdown.py``;
- ask on: ``next_test.py``, ``effect.py`` (before and after a change), ``kit.py`` (many vehicles).
"""
