"""A vehicle twin of known truth that makes CAN logs."""
