"""From signals with any name, unit and sign to canonical channels in SI.

It knows signals as columns (``frames``) and the channel map of ``settings``, but no log format, no DBC file and no
drive. Begin with ``vocabulary.csv``, which lists every channel, and then ``mapping.py``; how signals are
suggested for channels begins in ``matching.py``, and what speaks for each is declared in ``profiles.csv``.
"""
