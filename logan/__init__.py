"""logan: what a converted vehicle used, what ran too hot, and how far it will really go."""

__version__ = "0.1.0"
