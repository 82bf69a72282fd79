"""One twin drive with everything worked out for it, shared by the report's tests."""

import numpy as np
import pytest

from logan.analysis import analyse_drive
from logan.demo.routes import urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinVehicle, drive_twin
from logan.driving_range.consumption_curve import consumption_curve
from logan.pipeline.plan import make_plan
from logan.report.inputs import DriveInputs, ReportInputs
from logan.units import DisplayUnits
from tests.builds import example_build


@pytest.fixture(scope="session")
def twin_drive():
    rng = np.random.default_rng(11)
    route = urban_route(rng, duration_s=400.0)
    return drive_twin(TwinVehicle(), route, rng=rng, sensors=TwinSensors(elevation_sigma_m=1.0)).to_drive()


@pytest.fixture(scope="session")
def inputs(twin_drive):
    build = example_build()
    rng = np.random.default_rng(1)
    plan = make_plan(build, rng)
    analysis = analyse_drive(twin_drive, build)
    drive = DriveInputs(
        label="1 · <b>town</b>",
        number=1,
        drive_id="1",
        drive=twin_drive,
        analysis=analysis,
    )
    return ReportInputs(
        build=build,
        units=DisplayUnits(),
        plan=plan.prediction,
        plan_sizing=plan.sizing,
        budget=plan.budget,
        plan_curve=consumption_curve(plan.parameters, build, rng=rng, samples=200),
        gearing=plan.gearing,
        roads=(),
        planned_at=plan.created_at,
        assumptions=plan.assumptions,
        fitted=None,
        no_fit_because="no drive can carry a fit",
        drives=(drive,),
        provenance=(("logan", "test"), ("log <script>alert(1)</script>", "sha256 00")),
    )
