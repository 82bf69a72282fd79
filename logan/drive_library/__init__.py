"""The store of drives: one folder of files that are the truth, and an index that can be made again from them.

It knows how to keep a drive whole through a kill or a full disk, and keeps analyses as JSON under a fingerprint
without knowing what is in them. Begin with ``repository.py``, the library as others use it, and then
``drive_file.py`` and ``intake.py``.
"""
