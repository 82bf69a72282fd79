"""Settings files, checked with every problem in one message.

It turns ``build.toml``, ``channels.toml`` and ``measurements.toml`` into the typed settings of the core, takes what is
left out from the model's priors, and knows no drive, no log and no library. Begin with ``keys.py``, which declares
every setting once, and then ``build.py``.
"""
