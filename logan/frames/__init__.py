"""CAN frames and signals as columns, and the decoding of one into the other.

It knows bits, identifiers and times, but no log format, no DBC file and no channel. Begin with ``table.py``, the
two kinds of table, and then ``decode.py``.
"""
