"""The parts of a report, one file each: finished results in, a section out."""
