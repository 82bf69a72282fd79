"""The consumption model: priors, forward prediction and fit.

It knows drives reduced to segments, measurements and the sensors' errors, but no file, no library and no display.
Begin with the chapters ``plan.md`` and ``fit.md`` in ``logan/method``, and then read in the order of the work; no
module imports one that stands after it:

- plan: ``parameters.py``, ``certified.py``, ``priors.py``, ``plan.py``;
- what is fitted: a drive as it is kept, ``segments_table.py``, and the vector solved for, with the energy of a step
  that it gives, ``unknowns.py`` (equations 1 to 4 of ``fit.md``);
- reduce: a drive to integrals over steps and segments: ``cabin_load.py``, ``heights.py``, ``drive_track.py``,
  ``road_integrals.py``, ``coasting.py``, ``balance.py``;
- likelihood: how likely that is: ``newton.py`` (quadratics, and steps down them), ``measurement.py`` (beside drives),
  ``drive_likelihood.py`` (7 to 13);
- solve: ``hierarchy.py`` (drives together), ``regen_limit.py``, ``shaft.py``; the outcome: ``fit_result.py``,
  ``drive_fit.py``, ``estimator.py``, ``sensor_errors.py``, ``fitted_build.py``;
- predict: ``schedule.py``, ``steps.py``, ``breakdown.py``, ``forward.py``;
- ask on: ``next_test.py``, ``effect.py`` (before and after a change), ``kit.py`` (many vehicles).
"""
