"""What a drive may be used for: the one reader of flags, grades and refusals between its data and every result.

It knows drives and the findings of ``quality``, but no metric and no model: they ask it and never look at a flag
themselves. Begin with ``admission.py``, the words it answers in, and then ``admit.py``, which decides.
"""
