"""A drive: channels at their native rate, their clock, and their history.

It knows channels, settings and physics, but no metric, no model and no file; what is corrected in a drive is a named
step that can be turned off. Begin with ``drive.py``, the type that everything above works on, and then
``assemble.py``, which makes one.
"""
