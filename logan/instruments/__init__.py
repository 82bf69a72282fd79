"""The sensors of a build: how far each one may be off, and what narrows that down.

It knows drives, what was measured with a second instrument, and the calibrations of ``metrics``, but no consumption
model. Begin with the chapter ``logan/method/sensors.md``, and then ``posterior.py``.
"""
