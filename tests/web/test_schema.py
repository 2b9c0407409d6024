"""Two thousand requests made from the OpenAPI document by a general tool: no 500, and answers as the document says."""

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from lastseen.web import openapi
from web.conftest import TOKEN, Server

pytestmark = pytest.mark.slow

EACH = 96  # for each of 21 operations
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
COUNT = {"sent": 0, "found": 0}


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory, give_plan):
    """A server of its own with one plan on it."""
    running = Server(tmp_path_factory.mktemp("fuzzed") / "plans")
    plan = give_plan(running)
    yield running, plan
    for job in running.client.get("/api/jobs").json():
        running.client.delete(f"/api/jobs/{job['id']}")
    assert running.process.poll() is None
    running.stop()
    print(f"{COUNT['sent']} requests, {COUNT['found']} of them answered 2xx")


OPERATIONS = {
    one.ok().label: one.ok() for one in schemathesis.openapi.from_dict(openapi.document()).get_all_operations()
}


@pytest.mark.parametrize("label", OPERATIONS)
def test_no_server_error(label, fuzzed):
    """Made requests to one operation, every second one about the plan and the place that are there."""
    server, plan = fuzzed
    known = {"plan": plan, "place": "ysterra", "name": "plan.json", "job": "job-1"}

    @settings(
        max_examples=EACH, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
    )
    @given(case=OPERATIONS[label].as_strategy())
    def send(case):
        COUNT["sent"] += 1
        if COUNT["sent"] % 2:
            for there in (case.path_parameters, case.body):
                if isinstance(there, dict):
                    there.update({key: known[key] for key in known if key in there and key != "name"})
            if case.path_parameters and "name" in case.path_parameters:
                case.path_parameters["name"] = known["name"]
        found = case.call(base_url=server.origin, headers={"authorization": f"Bearer {TOKEN}"}, timeout=60)
        COUNT["found"] += found.status_code < 300
        case.validate_response(found, checks=CHECKS)

    send()


def test_the_document_the_server_gives_is_this_one(fuzzed):
    """The operations above come from the document that the server hands out, and there are enough of them."""
    server, _ = fuzzed
    assert server.client.get("/api/openapi.json").json() == openapi.document()
    assert EACH * len(OPERATIONS) >= 2000
