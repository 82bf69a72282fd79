"""Readers of log formats, a module for each; text formats have a compiled reader beside it.

They turn a file into frames, or into signals where the log is a table of channels, and know neither DBC nor drive.
Begin with ``log_format.py``, the contract that each keeps to, and then ``registry.py`` and ``reading.py``.
"""
