"""The user's DBC files, turned into signal layouts.

It knows the text of a DBC and the layouts of ``frames``, but no log, no channel and no drive. Begin with
``loading.py``, which loads a file or says why not; ``statements.py`` reads the statements one by one.
"""
