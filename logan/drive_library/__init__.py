"""The store of drives."""
