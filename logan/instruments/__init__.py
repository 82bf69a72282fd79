"""The sensors of a build: how far each one may be off, and what narrows that down."""
