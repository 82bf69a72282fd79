from __future__ import annotations

import csv
import os
import shutil
import signal
from pathlib import Path

import fsspec
import numpy as np
import pytest

from logan.drive.drive import DriveConditions
from logan.drive_library.fleet_store import FleetStore
from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryError, NotEnoughDataError, UsageError
from logan.pipeline.crew import Cluster, LocalProcesses, OwnProcess
from logan.pipeline.fleet import FleetFit, fit_fleet, import_fleet, write_fleet_table
from tests.pipeline.local_cluster import local_cluster, worker_processes
from tests.pipeline.twin_fleet import store_fleet, twin_level, write_fleet


@pytest.fixture(scope="module")
def fleet_folder(tmp_path_factory) -> Path:
    return store_fleet(tmp_path_factory.mktemp("fleet"), vehicles=3, drives=2, duration_s=420.0)


@pytest.fixture(scope="module")
def serial(fleet_folder) -> FleetFit:
    return fit_fleet(FleetStore(str(fleet_folder)), OwnProcess())


def numbers(found: FleetFit) -> np.ndarray:
    kit = [value for estimate in found.kit.parameters.values() for value in (estimate.value, estimate.sigma)]
    levels = [value for level in found.kit.vehicles for value in (level.level.value, level.mass.value)]
    vehicles = [vehicle.posterior.log_covariance.ravel() for vehicle in found.vehicles]
    return np.concatenate([kit, levels, *vehicles])


def test_each_vehicle_and_the_kit_are_fitted(serial):
    assert [vehicle.vehicle for vehicle in serial.vehicles] == ["van-001", "van-002", "van-003"]
    assert [vehicle.drive_count for vehicle in serial.vehicles] == [2, 2, 2]
    assert serial.kit.converged
    for number, level in enumerate(serial.kit.vehicles):
        others = np.mean([np.log(twin_level(other)) for other in range(3)])
        own = np.log(twin_level(number)) - others
        assert abs(np.log(level.level.value) - own) < 3.0 * level.level.sigma


def test_the_kit_is_known_better_than_one_vehicle(serial):
    alone = serial.vehicles[0].posterior.estimate("auxiliary_power_w").sigma
    assert serial.kit.parameters["auxiliary_power_w"].sigma < alone


@pytest.mark.slow
def test_local_processes_give_the_same_numbers(fleet_folder, serial, tmp_path):
    copy = shutil.copytree(fleet_folder, tmp_path / "copy")
    for vehicle in copy.iterdir():
        shutil.rmtree(vehicle / "drives" / "segments")
    crew = LocalProcesses(2)
    try:
        assert numbers(fit_fleet(FleetStore(str(copy)), crew)) == pytest.approx(numbers(serial), rel=1e-9)
    finally:
        crew.close()


@pytest.mark.slow
def test_a_real_cluster_gives_the_same_numbers_though_a_worker_is_killed(fleet_folder, serial, tmp_path):
    copy = shutil.copytree(fleet_folder, tmp_path / "copy")
    for vehicle in copy.iterdir():
        shutil.rmtree(vehicle / "drives" / "segments")
    with local_cluster() as address:
        crew = Cluster(address)
        done = []

        def told(_: str) -> None:
            done.append(1)
            if len(done) == 2:
                os.kill(worker_processes(crew)[0], signal.SIGKILL)

        found = fit_fleet(FleetStore(str(copy)), crew, told=told)
        crew.close()
    assert len(done) == 6
    assert numbers(found) == pytest.approx(numbers(serial), rel=1e-9)


def test_a_second_fit_reads_the_reduced_drives_and_says_the_same(fleet_folder, serial):
    reduced = sorted(fleet_folder.glob("*/drives/segments/*.json"))
    assert len(reduced) == 6
    stamps = [path.stat().st_mtime_ns for path in reduced]
    again = fit_fleet(FleetStore(str(fleet_folder)), OwnProcess())
    assert np.array_equal(numbers(again), numbers(serial))
    assert [path.stat().st_mtime_ns for path in reduced] == stamps


@pytest.mark.parametrize("protocol", ["memory", "file"])
def test_an_address_gives_the_same_numbers_as_a_folder(fleet_folder, serial, tmp_path, protocol):
    store = fsspec.filesystem(protocol)
    place = "/kit" if protocol == "memory" else str(tmp_path / "kit")
    try:
        store.put(f"{fleet_folder}/", f"{place}/", recursive=True)
        store.rm(store.glob(f"{place}/*/drives/segments/*"))
        assert np.array_equal(numbers(fit_fleet(FleetStore(f"{protocol}://{place}"), OwnProcess())), numbers(serial))
        assert len(store.glob(f"{place}/*/drives/segments/*.json")) == 6
    finally:
        store.rm(place, recursive=True)


def test_a_damaged_an_excluded_and_a_broken_vehicle_stop_nobody(fleet_folder, serial, tmp_path):
    copy = shutil.copytree(fleet_folder, tmp_path / "copy")
    damaged = next((copy / "van-001" / "drives").glob("*.parquet"))
    damaged.write_bytes(damaged.read_bytes()[:1000])
    with DriveLibrary.open(copy / "van-002" / "drives") as library:
        library.set_conditions(1, DriveConditions(excluded_because="trailer"))
    (copy / "van-003" / "build.toml").write_text("[vehicle]\nmass = 'heavy'\n")
    found = fit_fleet(FleetStore(str(copy)), OwnProcess())
    assert [vehicle.drive_count for vehicle in found.vehicles] == [1, 1, 0]
    reasons = " ".join(outcome.problem for outcome in found.left_out)
    for word in ("damaged", "trailer", "mass"):
        assert word in reasons
    assert len(found.kit.vehicles) == 2


def test_the_kits_own_plan_is_taken_where_there_is_one(fleet_folder, tmp_path):
    copy = shutil.copytree(fleet_folder, tmp_path / "copy")
    text = (copy / "van-001" / "build.toml").read_text()
    (copy / "build.toml").write_text(text.replace("0.95 m2 ± 0.09 m2", "1.30 m2 ± 0.01 m2"))
    found = fit_fleet(FleetStore(str(copy)), OwnProcess())
    assert found.kit.planned["drag_area_m2"].value == pytest.approx(1.30)
    assert not any("plan is" in note for note in found.notes)


def test_a_table_of_the_vehicles_is_written(serial, tmp_path):
    path = write_fleet_table(serial, tmp_path / "fleet.csv")
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["vehicle"] for row in rows] == ["van-001", "van-002", "van-003"]
    assert float(rows[0]["level_ratio"]) == serial.kit.vehicles[0].level.value
    with pytest.raises(UsageError, match="no format"):
        write_fleet_table(serial, tmp_path / "fleet.xls")


def test_nothing_to_fit_is_said(tmp_path):
    with pytest.raises(DriveLibraryError, match="no vehicle lies at"):
        fit_fleet(FleetStore(str(tmp_path)), OwnProcess())
    (tmp_path / "van-001").mkdir()
    (tmp_path / "van-001" / "build.toml").write_text("")
    with pytest.raises(NotEnoughDataError, match="logan fleet import"):
        fit_fleet(FleetStore(str(tmp_path)), OwnProcess())


def test_logs_are_imported_once_and_a_bad_one_is_named(tmp_path):
    write_fleet(tmp_path, vehicles=1, drives=2, duration_s=120.0)
    (tmp_path / "van-001" / "logs" / "zz.log").write_text("this is no log\n")
    store = FleetStore(str(tmp_path))
    first = import_fleet(store, OwnProcess())
    assert (first.stored, first.was_there, [outcome.log for outcome in first.failed]) == (2, 0, ["logs/zz.log"])
    again = import_fleet(store, OwnProcess())
    assert (again.stored, again.was_there, len(again.failed)) == (0, 2, 1)
    with DriveLibrary.open(tmp_path / "van-001" / "drives") as library:
        assert len(library.drives()) == 2
        assert library.check().is_whole


def test_logs_in_an_object_store_become_the_same_drives(tmp_path):
    write_fleet(tmp_path, vehicles=1, drives=1, duration_s=120.0)
    import_fleet(FleetStore(str(tmp_path)), OwnProcess())
    objects = fsspec.filesystem("memory")
    try:
        for part in ("logs", "dbc_user"):
            objects.put(f"{tmp_path}/van-001/{part}/", f"/far/van-001/{part}/", recursive=True)
        objects.put(f"{tmp_path}/van-001/*.toml", "/far/van-001/")
        far = FleetStore("memory://far")
        assert import_fleet(far, OwnProcess()).stored == 1
        assert import_fleet(far, OwnProcess()).was_there == 1
        (near_file,) = FleetStore(str(tmp_path)).drive_files("van-001")
        (far_file,) = far.drive_files("van-001")
        assert (far_file.name, far_file.id) == (near_file.name, near_file.id)
        assert far.read_record(far_file).summary == FleetStore(str(tmp_path)).read_record(near_file).summary
    finally:
        objects.rm("/far", recursive=True)
