"""The server is killed (SIGKILL) at each step of the job, and the page reloaded: nothing is lost, the bar takes up."""

import contextlib
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest

from tests.web.serving import drop, opened, wait_ready
from tests.web.test_many_clients import ask

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SERVE = """
import pathlib, sys, time
from logan.cli.main import main
from logan.web.jobs import Job
hold, tell = pathlib.Path(sys.argv.pop(1)), Job.tell
def held(job, message):
    tell(job, message)
    while message and hold.exists():
        time.sleep(0.02)
Job.tell = held
sys.exit(main(sys.argv[1:]))
"""
"""A server whose work stays under way, at its first word, while a file lies there: a kill never comes too late."""


class Served:
    """A server in a process of its own, on one port, that is killed and started anew."""

    def __init__(self, workspace):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.workspace, self.address = workspace, f"http://127.0.0.1:{self.port}"
        self.hold = workspace.parent / "hold"
        self.begin()

    def begin(self):
        port = ["--port", str(self.port), "--no-browser"]
        words = [sys.executable, "-c", SERVE, str(self.hold), "serve", str(self.workspace), *port]
        self.process = None
        for _ in range(3000):
            if self.process is None or self.process.poll() is not None:  # its port was another's for a moment
                self.process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            with contextlib.suppress(OSError):
                urllib.request.urlopen(self.address).close()
                return
            time.sleep(0.1)
        raise AssertionError("the server did not begin")

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    @contextlib.contextmanager
    def killed_while(self, kind):
        """Around what begins work of this kind: the server is killed while that is under way."""
        self.hold.touch()
        yield
        for _ in range(3000):
            jobs = ask(f"{self.address}/api/v1/jobs")[1]["jobs"]
            if any((job["kind"], job["state"]) == (kind, "running") and job["message"] for job in jobs):
                self.kill()
                self.hold.unlink()
                return
            time.sleep(0.05)
        raise AssertionError(f"no {kind} began")


@pytest.fixture
def server(tmp_path):
    made = Served(tmp_path / "builds")
    yield made
    made.kill()


def again(server, page):
    """The server is killed and begun anew, and the page reloaded."""
    server.kill()
    server.begin()
    page.reload()


def take_up(server, page, words, outcome, *, at=None):
    """After a kill amid some work: the bar says what was stopped, and begins it again to its end."""
    server.begin()
    page.goto(at or page.url)
    bar = page.locator("#jobs")
    bar.get_by_text(f"{words}: stopped.").wait_for()
    bar.get_by_text("logan was ended while this was under way").wait_for()
    page.reload()
    bar.get_by_role("button", name="Start again").click()
    bar.get_by_text(outcome).wait_for()
    bar.get_by_role("button", name=re.compile("^Close")).first.click()
    bar.locator(".job").first.wait_for(state="detached")


def test_a_kill_and_a_reload_at_each_step_lose_nothing(browser, server, tmp_path, small_log, prepared_workspace):
    from playwright.sync_api import expect

    with opened(browser, refusals=None, viewport={"width": 1280, "height": 900}) as (page, _):
        page.goto(server.address)
        wait_ready(page)
        page.get_by_label("Name of the conversion").fill("mine")
        page.keyboard.press("Enter")
        page.wait_for_url("**/settings")
        again(server, page)  # a build was made
        page.locator('[name="vehicle.mass"]').fill("1610 kg")
        page.get_by_role("button", name="Save", exact=True).click()
        page.get_by_text("Saved.", exact=True).wait_for()
        again(server, page)  # settings were changed
        assert page.locator('[name="vehicle.mass"]').input_value() == "1610 kg"
        half_sent(server, small_log)
        server.begin()
        page.goto(f"{server.address}/builds/mine/logs")
        page.get_by_text("No log is waiting.").wait_for()  # what came half is not there
        drop(page, [prepared_workspace / "van" / "dbc_user" / "demo.dbc", small_log])
        page.get_by_role("button", name="Use these and import").wait_for()
        again(server, page)  # log and DBC were sent
        page.locator("#dbcs").get_by_text("dbc_user/demo.dbc").wait_for()
        page.get_by_role("button", name="Which signal is which channel?").click()
        page.get_by_role("button", name="Save the map").click()
        page.get_by_text("Saved. Now import the log.").wait_for()
        again(server, page)  # channels were chosen
        with server.killed_while("import"):
            page.get_by_role("button", name="Import it").click()
        take_up(server, page, "Import drive.log", "Drive 1:")
        page.goto(f"{server.address}/builds/mine/drives")
        page.get_by_role("link", name="drive 1", exact=True).last.wait_for()
        expect(page.locator("#drives tbody tr")).to_have_count(1)  # and no more of it
        with server.killed_while("fit"):  # the range page begins it by itself: so the bar is looked at on another
            page.goto(f"{server.address}/builds/mine/range")
        take_up(
            server,
            page,
            "Fit the drives",
            "The answer rests on 1 drive now.",
            at=f"{server.address}/builds/mine/drives",
        )
        page.goto(f"{server.address}/builds/mine/range")
        page.get_by_text("Refined by one drive.").wait_for()
        page.goto(f"{server.address}/builds/mine/report")
        with server.killed_while("report"):
            page.get_by_role("button", name="Write the report", exact=True).click()
        take_up(server, page, "Write the report", "It is written.")
        page.reload()
        page.locator("#reports").get_by_role("link", name="Open report.html").wait_for()


def half_sent(server, log):
    """Send half a log, and kill the server in the midst of it."""
    content = log.read_bytes()
    with socket.create_connection(("127.0.0.1", server.port)) as line:
        head = (
            f"POST /api/v1/builds/mine/logs?name=half.log HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nX-Logan: 1\r\n"
            f"Content-Length: {len(content)}\r\n\r\n"
        )
        line.sendall(head.encode() + content[: len(content) // 2])
        time.sleep(1.0)
        server.kill()


def test_an_open_page_takes_up_by_itself_when_the_server_is_back(browser, server, small_log):
    ask(f"{server.address}/api/v1/builds", "POST", {"name": "mine"})
    with opened(browser, refusals=None) as (page, _):
        page.goto(f"{server.address}/builds/mine/logs")
        page.get_by_text("No log is waiting.").wait_for()
        server.kill()
        drop(page, [small_log])
        page.get_by_text("the connection broke; send it again").wait_for()
        page.locator("#jobs").get_by_text("logan does not answer").wait_for()
        server.begin()
        drop(page, [small_log])
        page.locator("#waiting").get_by_text("drive.log").wait_for()
        page.locator("#jobs").get_by_text("logan does not answer").wait_for(state="detached")
