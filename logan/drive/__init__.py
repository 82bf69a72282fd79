"""A drive: channels at their native rate, their clock, and their history."""
