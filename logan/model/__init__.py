"""The consumption model: priors, forward prediction and fit.

It knows drives reduced to segments, measurements and the sensors' errors, but no file, no library and no display.
Begin with the chapters ``plan.md`` and ``fit.md`` in ``logan/method``, and then ``forward.py`` for the prediction
and ``estimator.py`` for the fit.
"""
