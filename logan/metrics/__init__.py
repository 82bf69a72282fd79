"""The measurements that a builder decides by: questions asked of one drive.

Each knows the drive, the build's settings, what the drive is admitted to and physics, but no model, no other drive and
no file. Begin with ``metric.py``, which says what a metric is, and the chapter ``logan/method/measured.md``; all are
registered in ``logan/analysis.py``.
"""
