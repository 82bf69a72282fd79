"""The use cases: what the faces ask for, one module each.

Only here do the edges meet (logs, DBCs, settings, library, report) and the core is given what they read; it prints
nothing and knows no terminal and no browser. Begin with ``builds.py``, a build's folder, and then follow one use:
``importing.py``, ``analyse.py``, ``refine.py``.
"""
