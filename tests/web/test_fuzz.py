"""The interface, fuzzed from its own description: nothing that is sent makes it fall over."""

import warnings

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings

from logan.web.app import create_app
from logan.web.state import WebSettings
from tests.web.conftest import PORT

HEADERS = {"Host": f"127.0.0.1:{PORT}", "X-Logan": "1"}
LONG_WORK = ("/api/v1/demo", "/api/v1/builds/{build}/fit", "/api/v1/builds/{build}/report")


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # the fuzzer's own remarks on what its data hit
def test_no_request_from_the_schema_makes_a_server_error(workspace):
    app = create_app(WebSettings(workspace=workspace, port=PORT))
    schema = schemathesis.openapi.from_asgi("/openapi.json", app, headers=HEADERS)
    tried = 0

    def check(case):
        if "build" in (case.path_parameters or {}):
            case.path_parameters["build"] = "van"
        response = case.call(headers=HEADERS, timeout=600.0)  # its own ten seconds are short on a busy machine
        assert response.status_code < 500, (case.as_curl_command(), response.text)

    for result in schema.get_all_operations():
        operation = result.ok()
        if operation.path in LONG_WORK:
            continue
        run = settings(
            max_examples=8,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
            phases=[Phase.generate],
        )(given(case=operation.as_strategy())(check))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            run()
        tried += 1
    app.state.workspace.close()
    assert tried >= 18
