"""A build whose planning values are what its drives taught, for everything that reckons with the vehicle."""

from dataclasses import replace

from logan.model.fit_result import FitResult
from logan.model.sensor_errors import as_read
from logan.results import Estimate
from logan.settings import BuildSettings, PlanningValue


def basis_of_fit(fit: FitResult) -> str:
    """How a figure says whose vehicle it rests on."""
    return f"fit of {fit.drive_count} drive{'s' if fit.drive_count != 1 else ''}"


def fitted_build(build: BuildSettings, fit: FitResult) -> BuildSettings:
    """Return the build with the fit's vehicle in place of the plan's, each value with its uncertainty.

    It is the vehicle as the drives' sensors show it: a drive that they logged is reckoned with it, and what they show
    wrong stands on both sides. Truly its drag may be a tenth more, where the speed reads high.

    Parameters
    ----------
    build : BuildSettings
        As planned.
    fit : FitResult
        Of its drives; without any, the build comes back as it was.

    Returns
    -------
    BuildSettings
        Its ``basis`` says by how many drives.
    """
    if fit.drive_count == 0:
        return build
    basis = basis_of_fit(fit)
    seen = as_read(fit)
    learned, of = seen.learned.values, seen.posterior.estimate

    def value(estimate: Estimate) -> PlanningValue:
        return PlanningValue(estimate.value, estimate.spread, basis)

    return replace(
        build,
        basis=basis,
        vehicle=replace(
            build.vehicle,
            mass_kg=value(of("mass_kg")),
            drag_area_m2=value(of("drag_area_m2")),
            rolling_coefficient=value(of("rolling_coefficient")),
            rolling_temperature_coefficient_per_k=value(learned["rolling_temperature_coefficient_per_k"]),
            rolling_rise_ratio=value(learned["tire_rise_ratio"]),
            warm_up_rise_ratio=value(learned["warm_up_rise_ratio"]),
        ),
        powertrain=replace(
            build.powertrain,
            drive_efficiency=value(of("drive_efficiency_ratio")),
            regen_efficiency=value(of("regen_efficiency_ratio")),
            constant_loss_w=value(learned["constant_loss_w"]),
            copper_loss_w_per_n2=value(learned["copper_loss_w_per_n2"]),
            driveline_drag_n=value(learned["driveline_drag_n"]),
            driveline_n_s_per_m=value(learned["driveline_n_s_per_m"]),
        ),
        auxiliary=replace(build.auxiliary, base_power_w=value(of("auxiliary_power_w"))),
    )
