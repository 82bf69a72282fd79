"""The user's DBC files, turned into signal layouts."""
