"""Thirty clients at once: no edit is lost, no read fails; and a server that ends takes up where it was."""

import json
import threading
import time
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.web.serving import serving

CLIENTS = 30
READS = (
    "settings", "drive-list", "first-hour", "logs", "dbcs", "limits", "rows/scenario", "reports", "commands",
    "channels", "drives/1/workbench", "drives/1/window?channels=speed&start_s=0&end_s=60&parts=50",
    "drives/1/span?start_s=10&end_s=90",
)  # fmt: skip

LOG = b"(1700000000.000000) can0 100#0011223344556677\n" * 50
DBC = b'VERSION ""\nBS_:\nBU_: A\nBO_ 100 M: 8 A\n SG_ S : 0|16@1+ (1,0) [0|0] "" A\n'


def ask(address, method="GET", content=None):
    """Status and answer of one request, by the standard library alone."""
    body = content if isinstance(content, bytes | None) else json.dumps(content).encode()
    headers = {"X-Logan": "1", "Content-Type": "application/json"}
    request = urllib.request.Request(address, data=body, headers=headers, method=method)
    try:
        with urllib.request.urlopen(request, timeout=240.0) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as refused:
        return refused.code, {}


@pytest.mark.slow
def test_thirty_clients_lose_no_edit_and_see_no_failed_read(workspace):
    answers, is_over = [], threading.Event()
    with serving(workspace) as address:
        base = f"{address}/api/v1/builds/van"

        def tag(k):
            """Add a tag of its own to what is there: a lost race is asked again in the newest version."""
            for _ in range(200):
                row = ask(f"{base}/drive-list")[1]["rows"][0]
                said = {"tags": [*row["tags"], f"t{k}"], "version": row["version"]}
                status = ask(f"{base}/drives/1", "PATCH", said)[0]
                if status == 200:
                    return True
                assert status == 409, status
            return False

        def send(k):
            """DBCs and logs come, are sorted and are forgotten, as long as somebody reads."""
            for turn in range(200):
                name, content = (f"d{k}.dbc", DBC) if turn % 2 else (f"{k}.log", LOG)
                status, told = ask(f"{base}/logs?name={name}", "POST", content)
                answers.append(200 if status == 201 else status)
                answers.extend(ask(f"{base}/logs/{log['id']}", "DELETE")[0] for log in told["logs"])
                if is_over.is_set():
                    break
            return True

        def read(k):
            for turn in range(200):
                answers.append(ask(f"{base}/{READS[(k + turn) % len(READS)]}")[0])
                if is_over.is_set() and turn >= 3:
                    break
            return True

        with ThreadPoolExecutor(CLIENTS + 2) as pool:
            readers = [pool.submit(read, k) for k in range(CLIENTS) if k % 3]
            senders = [pool.submit(send, k) for k in range(2)]
            writers = [pool.submit(tag, k) for k in range(0, CLIENTS, 3)]
            assert all(job.result() for job in writers)
            is_over.set()
            assert all(job.result() for job in (*readers, *senders))
        row = ask(f"{base}/drive-list")[1]["rows"][0]
    assert sorted(row["tags"]) == sorted(f"t{k}" for k in range(0, CLIENTS, 3))
    assert len(answers) >= 4 * 20
    assert set(answers) == {200}


def test_a_build_is_whole_after_its_server_ended_while_it_imported(workspace, small_log):
    with serving(workspace) as address:
        sent = ask(f"{address}/api/v1/builds/van/logs?name=b.log", "POST", small_log.read_bytes() + b"\n")[1]["logs"][0]
        ask(f"{address}/api/v1/builds/van/import", "POST", {"logs": [sent["id"]]})
    with serving(workspace) as address:
        (job,) = ask(f"{address}/api/v1/jobs")[1]["jobs"]
        drives = len(ask(f"{address}/api/v1/builds/van/drive-list")[1]["rows"])
        assert (job["state"], drives) in (("stopped", 1), ("done", 2))
        if job["state"] == "stopped":
            job = ask(f"{address}/api/v1/jobs/{job['id']}/again", "POST", {})[1]
            end = time.monotonic() + 300.0
            while job["state"] in ("waiting", "running") and time.monotonic() < end:
                time.sleep(0.1)
                job = ask(f"{address}/api/v1/jobs/{job['id']}")[1]
            assert job["state"] == "done", job
        assert [row["number"] for row in ask(f"{address}/api/v1/builds/van/drive-list")[1]["rows"]] == [1, 2]
