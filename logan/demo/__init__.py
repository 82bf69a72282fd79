"""A vehicle twin of known truth that makes CAN logs, and the invented conversion of ``logan demo``.

So that it can test what the fit finds, the twin shares no code with ``model`` and ``physics``; it knows
``drive`` and ``units``, and nothing else. Begin with ``twin.py``, and then ``conversion.py``, which holds what the
builder planned and what is true.
"""
