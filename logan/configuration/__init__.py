"""Settings files, checked with every problem in one message."""
