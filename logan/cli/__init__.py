"""The command line: a module for each command, ``NAME_command.py``, and the tables that it prints.

It asks ``pipeline`` and shows the results in the user's units; of ``web`` it only starts the page.
Begin with ``main.py``, which finds the commands and words the errors, and then ``rendering.py``.
"""
