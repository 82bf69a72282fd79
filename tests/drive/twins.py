"""Short twin drives for tests, made once."""

from __future__ import annotations

from functools import cache

import numpy as np

from logan.demo.routes import mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinVehicle, drive_twin


@cache
def urban_drive(seed=1, duration_s=400.0, **sensors):
    """A drive in town of the twin, as its sensors measured it."""
    rng = np.random.default_rng(seed)
    route = urban_route(rng, duration_s=duration_s)
    return drive_twin(TwinVehicle(), route, rng=rng, sensors=TwinSensors(**sensors)).to_drive()


@cache
def mixed_drive(seed=1, duration_s=1500.0, **sensors):
    """A mixed drive of the twin, as its sensors measured it."""
    rng = np.random.default_rng(seed)
    route = mixed_route(rng, duration_s=duration_s)
    return drive_twin(TwinVehicle(), route, rng=rng, sensors=TwinSensors(**sensors)).to_drive()
