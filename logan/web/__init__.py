"""The local page: its server, its interface for programs, and the script that fills it.

It asks ``pipeline``, and the commands that ``logan serve`` hands to it, and answers only its own machine unless a
token is given. Begin with ``app.py``, and then ``security.py`` and ``api.py``; the scripts are in ``static``.
"""
