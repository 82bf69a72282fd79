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
from tests.web.serving import FLAGS, PATIENCE_MS, chromium, opened, serving

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


@pytest.fixture
def van(workspace):
    """Address of a build with one drive, that a test may change."""
    with serving(workspace) as address:
        yield f"{address}/builds/van"


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A page served from an empty workspace."""
    workspace = tmp_path_factory.mktemp("served")
    with serving(workspace) as address:
        yield address, workspace


@pytest.fixture(scope="module")
def browser():
    path = chromium()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def page(browser):
    with opened(browser) as (page, _):
        yield page


@pytest.fixture(scope="module")
def demo(served, browser):
    """The demo's build, made by a first visitor's one click, for all tests that look at it."""
    address, workspace = served
    with opened(browser) as (page, requests):
        page.goto(address)
        page.get_by_text("No build yet").wait_for()
        page.get_by_role("button", name="Make the demo").click()
        is_over = "() => location.pathname === '/builds/demo' || document.querySelector('.job.notice.red')"
        page.wait_for_function(is_over, timeout=4 * PATIENCE_MS)
        assert page.url == f"{address}/builds/demo", page.locator(".dock").inner_text()
        page.get_by_text("Probably not").wait_for()
        page.get_by_text("The weakest part").wait_for()
        page.wait_for_selector("figure .drawing svg.wide")
        assert all(url.startswith((address, "data:", "blob:")) for url in requests)
    return workspace / "demo"
