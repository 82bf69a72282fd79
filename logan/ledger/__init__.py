"""Where the energy of a drive went, with the residual that does not add up.

It knows drives, settings and physics, but no other metric and no model; its parameters are those of the build that
it is given, planned or fitted. Begin with ``ledger.py``, the result, and then ``reckon.py``, which works it out.
"""
