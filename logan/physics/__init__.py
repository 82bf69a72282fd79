"""Published physics as plain functions of numbers and arrays."""
