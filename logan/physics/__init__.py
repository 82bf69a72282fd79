"""Published physics as plain functions of numbers and arrays, each with its source.

It knows constants and units, and neither settings nor drives. Begin with ``road_load.py``; the other modules are
each about one part of the vehicle or its surroundings and do not need to be read in order.
"""
