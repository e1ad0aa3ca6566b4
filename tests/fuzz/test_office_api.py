"""The office's JSON interface by its own OpenAPI document: right calls and wrong ones, made by schemathesis, by a
program whose token may read and write."""

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

from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.web.fleet import guard
from condenser_monitor.web.fleet.api import ROUTES
from condenser_monitor.web.openapi import PREFIX
from tests.fleet.office import Office
from tests.fuzz.refusals import fuzzed
from tests.size import one_in

EXAMPLES = 40
KEPT = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


class Served(NamedTuple):
    """The document tied to an app, and the headers that carry the token."""

    schema: Any
    headers: dict[str, str]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An office of six sites; nobody asks too much."""
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('office')}/fleet.db")
    store.migrate()
    office = Office(store)
    token = people.add_token(store, "fuzz", ["read", "write"], by="test", now=office.now)
    headers = {"Authorization": f"Bearer {token}"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(guard, "_PER_MIN", 10**9)
        yield Served(schemathesis.openapi.from_wsgi(f"{PREFIX}/openapi.json", office.app, headers=headers), headers)
    store.close()


@one_in(5)
@pytest.mark.parametrize(("method", "path"), [(route.method, PREFIX + route.path) for route in ROUTES])
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_calls_made_from_the_document(served: Served, method: str, path: str, mode: GenerationMode) -> None:
    """Right calls are taken and wrong ones refused, as the document says, whatever is in them."""
    route = next(route for route in ROUTES if (route.method, PREFIX + route.path) == (method, path))
    if mode is GenerationMode.NEGATIVE and ((not route.params and route.body is None) or route.name == "site"):
        return  # nothing in this call can be wrong: any text may be a site's name
    right = mode is GenerationMode.POSITIVE
    checks = [*KEPT, positive_data_acceptance] if right else list(KEPT)
    if not right and method == "POST":
        checks.append(negative_data_rejection)
    operation = served.schema[path][method]

    @fuzzed(EXAMPLES)
    @given(case=operation.as_strategy(generation_mode=mode))
    def run(case: Any) -> None:
        answer = case.call_and_validate(checks=checks, headers=served.headers)
        if answer.status_code >= 400:
            refusal = answer.json()
            assert refusal["error"]
            assert refusal["why"]
            assert "Traceback" not in refusal["why"]

    run()
