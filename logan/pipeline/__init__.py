"""The use cases: what the faces ask for."""
