"""The JSON interface by its own OpenAPI document: right calls and wrong ones, made from the document by schemathesis.

Held against the document: no error of the server, only the codes, types and bodies that it names; what breaks it is
refused in words.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import pytest
import schemathesis
from hypothesis import given
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    positive_data_acceptance,
    response_schema_conformance,
    status_code_conformance,
)

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.limits import HISTORY
from condenser_monitor.web.openapi import PREFIX
from condenser_monitor.web.view_api import ROUTES
from tests.fuzz.refusals import fuzzed
from tests.monitor import units
from tests.web.conftest import app_of
from tests.web.filled import Site, from_scans

EXAMPLES = 80
KEPT = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
_DEAD = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
_CALLS = [(route.method, PREFIX + route.path) for route in ROUTES]


class Served(NamedTuple):
    """The document tied to an app, the site behind it, and a token that may write."""

    schema: Any
    site: Site
    token: str


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A unit that ran, and then had a call that nothing followed."""
    kept = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    parts = ((30, units.REST), (300, units.RUN), (30, units.REST), (60, _DEAD))
    site = from_scans(tmp_path_factory.mktemp("api"), kept, units.scans(*parts), end_s=419.0)
    app = app_of(site)
    token = app.extensions["window"].access.make_token("fuzz", "write", 0.0)
    headers = {"Authorization": f"Bearer {token}"}
    yield Served(schemathesis.openapi.from_wsgi(f"{PREFIX}/openapi.json", app, headers=headers), site, token)
    site.history.close()


def call(served: Served, case: Any, checks: list[Any]) -> Any:
    """One call, held against the document; a refusal says what is wrong and nothing of the inside."""
    answer = case.call_and_validate(checks=checks, headers={"Authorization": f"Bearer {served.token}"})
    if answer.status_code >= 400:
        said = answer.json()
        assert said["error"]
        assert said["why"]
        assert "Traceback" not in said["why"]
    if len(served.site.history.requests()) > HISTORY.requests_most.value / 2:
        served.site.work()
    return answer


@pytest.mark.parametrize(("method", "path"), _CALLS)
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_calls_made_from_the_document(served: Served, method: str, path: str, mode: GenerationMode) -> None:
    """Right calls are taken and wrong ones refused, as the document says, whatever is in them."""
    operation = served.schema[path][method]
    if (
        mode is GenerationMode.NEGATIVE
        and not ROUTES[[tuple(map(str, call)) for call in _CALLS].index((method, path))].params
        and method == "GET"
    ):
        return  # nothing in this call can be wrong
    checks = list(KEPT)
    if mode is GenerationMode.POSITIVE:
        checks.append(positive_data_acceptance)
    elif method == "POST":  # in a query, names that nobody asked for are left unread
        checks.append(negative_data_rejection)

    @fuzzed(EXAMPLES)
    @given(case=operation.as_strategy(generation_mode=mode))
    def run(case: Any) -> None:
        call(served, case, checks)

    run()
