"""Detectors of faults in a drive's data; they flag and never repair."""
