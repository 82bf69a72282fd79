"""The main job's plan held against certified vehicles, through ``logan plan`` as a user would run it."""

import json

import numpy as np
import pytest

from logan.cli.main import main
from logan.configuration.build import read_build
from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.certification_sheet import certification_sheet, read_known
from logan.driving_range.usable_energy import usable_energy_of
from logan.model import certified
from tests.benchmarks.certified.priors import COOL, without_slips
from tests.certified_vehicles import certified_vehicles

MILE_KM = 1.609344
DOZEN = (
    "HFMX10044590", "HTSL10046798", "JTSL10056529", "LTSL10061714", "LTSL10062104", "MFMX10067438",
    "NTSL10071408", "NLMU10071126", "NBMX10072844", "NVVX10072180", "PFMX10076880", "PVVX10074593",
)  # fmt: skip
VEHICLES = {vehicle.udds_test: vehicle for vehicle in certified_vehicles()}
CYCLES = {name: load_cycle(name) for name in ("udds", "hwfet")}


def planned(capsys, folder, vehicle, *options):
    """The certification sheet that ``logan plan`` gives for a build of a certified vehicle."""
    (folder / "build.toml").write_text(vehicle.build_toml(), encoding="utf-8")
    capsys.readouterr()
    assert main(["plan", "-b", str(folder), "--dry", "--json", *options]) == 0
    sheet = json.loads(capsys.readouterr().out)["certification"]
    return {schedule["name"]: schedule for schedule in sheet["schedules"]}


@pytest.mark.published("EPA, Data on Cars used for Testing Fuel Economy, by test number: MPGe of UDDS and HWFET")
@pytest.mark.parametrize("test_number", DOZEN)
def test_the_plan_comes_near_the_certified_consumption(capsys, tmp_path, test_number):
    vehicle = VEHICLES[test_number]
    found = planned(capsys, tmp_path, vehicle)
    for name, certified_mpge in (("udds", vehicle.udds_mpge), ("hwfet", vehicle.hwfet_mpge)):
        mpge = found[name]["mpge"]
        assert mpge["p50"] == pytest.approx(certified_mpge, rel=0.15)
        assert 1.1 < mpge["p95"] / mpge["p05"] < 1.5


def test_nine_in_ten_of_the_certified_figures_lie_in_the_plans_interval(tmp_path):
    inside = 0
    for test_number in DOZEN:
        (tmp_path / "build.toml").write_text(VEHICLES[test_number].build_toml(), encoding="utf-8")
        build = read_build(tmp_path)
        sheet = certification_sheet(build, CYCLES, usable=usable_energy_of(build), rng=np.random.default_rng(1))
        for name, wall in zip(CYCLES, VEHICLES[test_number].wall_wh_per_mi, strict=True):
            span = sheet.schedule(name).wall
            inside += span.p05 < wall / MILE_KM < span.p95
    assert inside >= 20  # of 24; that the intervals are not simply wide, the test above says


@pytest.mark.published(
    "EPA, Data on Cars used for Testing Fuel Economy: HWFET of a vehicle whose UDDS is known, and back"
)
@pytest.mark.parametrize("test_number", DOZEN)
def test_one_schedule_measured_teaches_the_other(capsys, tmp_path, test_number):
    vehicle = VEHICLES[test_number]
    from_udds = planned(capsys, tmp_path, vehicle, "--known", f"udds={vehicle.udds_mpge} MPGe")
    assert from_udds["udds"]["mpge"]["p50"] == pytest.approx(vehicle.udds_mpge, rel=1e-6)
    assert from_udds["hwfet"]["mpge"]["p50"] == pytest.approx(vehicle.hwfet_mpge, rel=0.08)
    udds, hwfet = vehicle.wall_wh_per_mi
    back = planned(capsys, tmp_path, vehicle, "--known", f"hwfet={hwfet} Wh/mi")
    assert back["udds"]["wall"]["p50"] * MILE_KM == pytest.approx(udds, rel=0.10)


def test_the_sheet_is_shown_with_pack_wall_and_range(capsys, tmp_path):
    (tmp_path / "build.toml").write_text(VEHICLES[DOZEN[0]].build_toml(), encoding="utf-8")
    assert main(["plan", "-b", str(tmp_path), "--dry", "--known", "udds=200 Wh/mi"]) == 0
    shown = capsys.readouterr().out
    for word in (
        "pack Wh/mi",
        "wall Wh/mi",
        "MPGe",
        "combined 55/45",
        "x 0.7",
        "a conversion may lie",
        "measured: udds",
    ):
        assert word in " ".join(shown.split())
    assert max(len(line.rstrip()) for line in shown.splitlines()) <= 80


@pytest.mark.parametrize("text", ["udds", "us06=300 Wh/mi", "udds=0 MPGe", "udds=300", "hwfet=9 kWh", "udds=1 Wh/mi"])
def test_a_measurement_that_makes_no_sense_is_refused(capsys, tmp_path, text):
    (tmp_path / "build.toml").write_text(VEHICLES[DOZEN[0]].build_toml(), encoding="utf-8")
    assert main(["plan", "-b", str(tmp_path), "--dry", "--known", text]) == 2
    assert capsys.readouterr().err


def test_range_is_usable_energy_over_consumption_and_the_wall_is_the_pack_over_charging(tmp_path):
    (tmp_path / "build.toml").write_text(VEHICLES[DOZEN[0]].build_toml(), encoding="utf-8")
    build = read_build(tmp_path)
    usable = usable_energy_of(build)
    sheet = certification_sheet(build, CYCLES, usable=usable, rng=np.random.default_rng(1))
    for schedule in sheet.schedules[:2]:
        assert schedule.range_m.p50 / 1000.0 == pytest.approx(usable.energy_wh / schedule.pack.p50, rel=5e-3)
        assert schedule.wall.p50 / schedule.pack.p50 == pytest.approx(1.0 / 0.88, rel=5e-3)
    # The combined range is the ranges weighed, not the consumptions: SAE J1634, from memory.
    city, highway, both = (schedule.range_m.p50 for schedule in sheet.schedules)
    assert both == pytest.approx(0.55 * city + 0.45 * highway, rel=5e-3)
    assert sheet.label_range_m.p50 == pytest.approx(0.7 * both, rel=1e-9)


def test_measured_units_are_read_alike():
    assert read_known("udds=350 Wh/mi")[1] == pytest.approx(350.0 / MILE_KM)
    assert read_known("UDDS = 96.30 MPGe") == ("udds", pytest.approx(350.0 / MILE_KM, rel=1e-3))


def test_what_the_house_holds_is_what_the_fit_to_the_list_gives():
    p, slips = without_slips(certified_vehicles())
    assert np.exp(p[0]) * 0.88 == pytest.approx(certified.DRIVE_TIMES_CHARGING[0], abs=2e-3)
    assert np.exp(p[1]) == pytest.approx(certified.REGEN["rear"].value, abs=5e-3)
    assert np.exp(p[1] + p[2]) == pytest.approx(certified.REGEN["all"].value, abs=5e-3)
    assert np.exp(p[3]) == pytest.approx(certified.AUXILIARY_W.value, abs=3.0)
    assert 1.0 + p[COOL] == pytest.approx(certified.COOL_TIRE_FACTOR, abs=5e-3)
    # Slips of the list are flagged, not fitted: 71 MPGe with the road load of a sedan; a van on a car's coefficients.
    assert {vehicle.udds_test for vehicle in slips} == {"PFAR10076637", "NGMX10074324"}
