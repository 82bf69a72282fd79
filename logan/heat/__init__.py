"""Heat in motor, inverter, coolant, cells and gear oil: fitted to drives, and forecast for roads not driven yet.

It knows drives, settings, physics and a helper of ``quality``, and stands beside ``metrics`` and ``ledger`` without
knowing them or the model. Begin with the chapter ``logan/method/heat.md``, and then ``network.py`` and ``fit.py``.
"""
