"""A served workspace with one small build and one drive in it."""

import shutil

import numpy as np
import pytest

from logan.demo.conversion import SENSORS, TRUTH, write_build
from logan.demo.messages import candump_lines
from logan.demo.routes import mixed_route
from logan.demo.twin import drive_twin
from logan.web.app import create_app
from logan.web.state import WebSettings

PORT = 8723


def write_small_log(path, seed=3, duration_s=420.0, start_s=1_700_000_000.0):
    rng = np.random.default_rng(seed)
    drive = drive_twin(TRUTH, mixed_route(rng, duration_s=duration_s), rng=rng, sensors=SENSORS)
    path.write_text("\n".join(candump_lines(drive.measured, start_s)) + "\n", encoding="ascii")
    return path


@pytest.fixture(scope="session")
def small_log(tmp_path_factory):
    return write_small_log(tmp_path_factory.mktemp("logs") / "drive.log")


@pytest.fixture(scope="session")
def prepared_workspace(tmp_path_factory, small_log):
    """A workspace with the build 'van' and one imported drive; copied for every test that changes it."""
    from logan.pipeline.builds import BuildFolder
    from logan.pipeline.importing import import_logs

    root = tmp_path_factory.mktemp("workspace")
    (root / "van").mkdir()
    write_build(root / "van")
    import_logs(BuildFolder(root / "van"), [small_log])
    return root


@pytest.fixture
def workspace(tmp_path, prepared_workspace):
    target = tmp_path / "builds"
    shutil.copytree(prepared_workspace, target)
    return target


@pytest.fixture
def client(workspace):
    from fastapi.testclient import TestClient

    from logan.cli import for_page

    app = create_app(WebSettings(workspace=workspace, port=PORT, commands=for_page))
    with TestClient(app, base_url=f"http://127.0.0.1:{PORT}", headers={"X-Logan": "1"}) as ready:
        yield ready
