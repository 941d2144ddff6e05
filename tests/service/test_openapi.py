"""The API document: valid, committed as made, whole, and as strict as the door."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from service import RELEASE
from service.api_document.document import path_of
from service.api_document.report_shapes import WORDS
from service.app import create_app
from service.asking import PUBLIC, permission_of
from service.bodies import MEDIA_TYPES
from service.openapi import document_text
from service.problems import MEDIA_TYPE
from service.routes.docs import PAGE
from service.schemas.examples import EXAMPLES
from service.sessions import PAGES
from tests.service import described
from tests.service.sent import ASSESSED, FINISHED, INSPECTED, MINIMAL, REWORKED, STARTED, door, event, job, with_data
from worker.database import Database
from worker.events import EVENT_TYPES
from worker.measures import MEASURES
from worker.reports.catalogue import REPORTS
from worker.reports.dimensions import DIMENSIONS, ValueUnreadable
from worker.reports.questions import OTHER_PARAMETERS, STANDING_PARAMETERS, WINDOW_PARAMETERS, filter_names
from worker.reports.reading import RESTS_ON

COMMITTED = Path(__file__).parents[2] / "openapi" / "cutledger.json"
EVENT = described.of_shape("Event")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("document")
    return create_app(Database(f"sqlite:///{folder / 'unused.sqlite3'}"), nudge=lambda: None)


# --- the document -----------------------------------------------------------------------------------------------


def test_document_is_valid_openapi_31() -> None:
    assert described.made()["openapi"] == "3.1.0"
    assert [error.message for error in OpenAPIV31SpecValidator(described.made()).iter_errors()] == []


def test_document_is_committed_as_it_is_made() -> None:
    assert COMMITTED.read_text() == document_text(), "write it again with: make openapi"


def test_document_says_its_release_licence_and_caution() -> None:
    info = described.made()["info"]
    assert info["version"] == RELEASE
    assert info["license"]["identifier"] == "Apache-2.0"
    assert "evidence, not permission" in info["description"]


def test_document_names_no_host() -> None:
    assert [server["url"] for server in described.made()["servers"]] == ["/"]
    # Webhooks are shown with a name that nobody can have (RFC 2606)
    assert not re.search(r"https?://(?!erp\.example\.com/)", document_text())


def test_document_uses_every_component() -> None:
    text = document_text()
    for kind, components in described.made()["components"].items():
        if kind != "securitySchemes":
            unused = [name for name in components if f'"#/components/{kind}/{name}"' not in text]
            assert unused == [], kind


# --- operations -------------------------------------------------------------------------------------------------


def test_every_route_is_in_the_document_and_the_reverse(app: Any) -> None:
    routes = {
        (path_of(rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"HEAD", "OPTIONS"}
        if rule.rule != f"{PAGE}/<path:path>"  # the page's own scripts and pictures
        and not rule.endpoint.startswith(f"{PAGES}.")  # what people read is no interface
    }
    assert routes == {(path, method) for path, method, _ in described.operations().values()}


def test_operation_ids_are_unique() -> None:
    ids = Counter(told["operationId"] for item in described.made()["paths"].values() for told in _methods(item))
    assert set(ids.values()) == {1}


def _methods(item: dict[str, Any]) -> list[dict[str, Any]]:
    return [told for method, told in item.items() if method != "parameters"]


@pytest.mark.parametrize("operation_id", sorted(described.operations()))
def test_operation_tells_all_that_it_must(operation_id: str) -> None:
    path, _, told = described.operations()[operation_id]
    tags = {tag["name"] for tag in described.made()["tags"]}
    assert told["summary"]
    assert told["description"]
    assert set(told["tags"]) <= tags
    parameters = [described.resolved(each) for each in [*told.get("parameters", []), *_of_path(path)]]
    assert {each["name"] for each in parameters if each["in"] == "path"} == set(re.findall(r"{(\w+)}", path))
    assert all(each["description"] and each["schema"] for each in parameters)
    for response in described.responses(operation_id).values():
        _tells_all(response)


def _of_path(path: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = described.made()["paths"][path].get("parameters", [])
    return found


def _tells_all(response: dict[str, Any]) -> None:
    assert response["description"]
    assert "X-Request-Id" in response["headers"]
    for told in response.get("content", {}).values():
        assert told["schema"]
        assert told.keys() & {"example", "examples"} or told["schema"].get("format") == "binary"


def test_errors_are_problems() -> None:
    for operation_id in described.operations():
        for status, response in described.responses(operation_id).items():
            if status >= 400 and (operation_id, status) != ("get_readyz", 503):
                assert list(response["content"]) == [MEDIA_TYPE], operation_id


def test_public_operations_ask_for_no_key(app: Any) -> None:
    for operation_id, (path, method, told) in described.operations().items():
        endpoint = next(
            rule.endpoint
            for rule in app.url_map.iter_rules()
            if path_of(rule.rule) == path and method.upper() in rule.methods
        )
        public = permission_of(app, endpoint) == PUBLIC
        assert (told.get("security") == []) == public, operation_id
        assert (401 in described.responses(operation_id)) != public, operation_id


def test_posting_events_tells_each_media_type() -> None:
    body = described.operations()["post_events"][2]["requestBody"]
    told = {*body["content"], *re.findall(r"`(application/\S+)`", body["description"])}
    assert told == set(MEDIA_TYPES)


def test_report_tells_every_parameter_and_report() -> None:
    path, _, told = described.operations()["get_report"]
    names = [described.resolved(each)["name"] for each in told["parameters"]]
    options = {option.name for entry in REPORTS.values() for option in entry.options}
    of_question = {*WINDOW_PARAMETERS, *STANDING_PARAMETERS, *OTHER_PARAMETERS, *options, *filter_names()}
    asked = {*of_question, "site", "format", "If-None-Match"}
    assert Counter(names) == Counter(asked)
    assert _of_path(path)[0]["schema"]["enum"] == list(REPORTS)


def test_report_filters_tell_the_words_that_are_read() -> None:
    for name, dimension in DIMENSIONS.items():
        for word in WORDS.get(name, ()):
            dimension.read(word)
        if name in WORDS:
            with pytest.raises(ValueUnreadable):
                dimension.read("no such word")
        elif dimension.is_text:
            dimension.read("any words at all")


def test_report_columns_tell_the_definition_of_their_measure() -> None:
    for name in (name for name, entry in REPORTS.items() if entry.measures):
        columns = described.made()["components"]["schemas"][f"{name.title()}Columns"]["properties"]
        of_measures = columns.keys() - {column.name for column in REPORTS[name].columns}
        for column, shape in columns.items():
            if column not in of_measures:
                continue
            if column.endswith(("design_effect", "clusters")):
                assert shape["description"] in RESTS_ON
                continue
            measure = MEASURES.get(column) or MEASURES[column.rpartition("_")[0]]
            assert measure.definition in shape["description"] or measure.name in shape["description"]


# --- examples and events ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("place", "schema", "value"), list(described.examples()))
def test_example_is_what_its_schema_asks_for(place: str, schema: dict[str, Any], value: Any) -> None:
    assert described.faults_closed(schema, value) == [], place


@pytest.mark.parametrize("kind", list(EVENT_TYPES))
def test_event_type_has_a_shape_that_takes_its_examples(kind: str) -> None:
    mapping = described.made()["components"]["schemas"]["Event"]["discriminator"]["mapping"]
    for schema in (EVENT, {"$ref": mapping[kind]}):
        assert described.faults(schema, EXAMPLES[kind]) == []
        assert described.faults(schema, event(kind)) == []


def test_event_data_has_every_field_of_its_examples() -> None:
    shapes = described.made()["components"]["schemas"]
    for kind, example in EXAMPLES.items():
        data = shapes[shapes["Event"]["discriminator"]["mapping"][kind].rpartition("/")[2].removesuffix("Event")]
        assert data["additionalProperties"] is False
        assert set(example["data"]) <= set(data["properties"])


TAKEN = {
    "an extension attribute": event(shopfloor="2", traceid=7, urgent=True, empty=""),
    "null for not given": with_data(STARTED, gas=None, recipe=None, thickness_mm=20, thickness_in=None),
    "inches as a number": job(thickness_in=0.75),
    "inches as a fraction": job(thickness_in="1 1/4"),
    "a whole number with a point": job(thickness_mm=20, priority=5.0),
    "three decimals": with_data(REWORKED, minutes=0.07),
    "letters beyond the plane": with_data(STARTED, machine="Łaser 雷射 🔥 é"),
    "a lower-case t and z": event(time="2026-03-02t06:15:00.123456789z"),
}
REFUSED = {
    "unknown field": with_data(FINISHED, outcom="severed"),
    "missing field": event(FINISHED, {}),
    "unknown word": event(FINISHED, {"outcome": "severd"}),
    "word of other case": event(FINISHED, {"outcome": "Severed"}),
    "text for a number": with_data(FINISHED, seconds="412.5"),
    "true for a number": with_data(FINISHED, good=True),
    "number for true": with_data(FINISHED, blank_lost=1),
    "number out of bounds": with_data(FINISHED, seconds=-1),
    "no whole number": with_data(FINISHED, good=1.5),
    "no minutes": with_data(REWORKED, minutes=0),
    "both thicknesses": job(thickness_mm=20, thickness_in="3/4"),
    "no thickness": job(),
    "no thickness but null": job(thickness_mm=None),
    "nothing under the bar": job(thickness_in="1/0"),
    "no inch size": job(thickness_in="3/4in"),
    "naive time": event(time="2026-03-02T06:15:00"),
    "day for an instant": event(time="2026-03-02"),
    "id of 129 characters": event(id="x" * 129),
    "blank id": event(id=" "),
    "NUL character": event(subject="A\0"),
    "other version": event(specversion="0.3"),
    "unknown type": event("cutledger.attempt.begun", {}),
    "source with a space": event(source="/terminals/bay 2"),
    "binary data": event(data=..., data_base64="e30="),
    "field of data in the envelope": event(blank_lost=True),
    "object as an extension": event(trace={"id": 1}),
    "no verdict": event(INSPECTED, {"stage": "first"}),
    "nothing assessed": event(ASSESSED, {"observed_at": "2026-03-02T05:00:00Z"}),
    "hardness without its load": event(ASSESSED, {"hardness_hv": 310}),
    "too many defects": with_data(FINISHED, defects=[{"term": "crack"}] * 101),
    "unknown field deep inside": with_data(FINISHED, recipe={"name": "R", "power_kw": 12}),
    "quality of no class": job(thickness_mm=20, cut_quality="ISO 9013-942"),
    "month 13": job(thickness_mm=20, due="2026-13-01"),
    "40 extension attributes": event(**{f"x{number}": 1 for number in range(40)}),
}


@pytest.mark.parametrize("case", TAKEN)
def test_document_takes_what_the_door_takes(case: str) -> None:
    assert not isinstance(door(TAKEN[case]), list)
    assert described.faults(EVENT, TAKEN[case]) == []


@pytest.mark.parametrize("case", REFUSED)
def test_document_refuses_what_the_door_refuses(case: str) -> None:
    assert isinstance(door(REFUSED[case]), list)
    assert described.faults(EVENT, REFUSED[case]) != []


def test_an_event_is_of_one_type_alone() -> None:
    assert set(MINIMAL) == set(EVENT_TYPES)
    shapes = described.made()["components"]["schemas"]
    for kind in EVENT_TYPES:
        fitting = [name for name in _event_shapes() if not described.faults(described.of_shape(name), event(kind))]
        assert len(fitting) == 1, fitting
        assert shapes[fitting[0]]["properties"]["type"]["const"] == kind


def _event_shapes() -> list[str]:
    mapping = described.made()["components"]["schemas"]["Event"]["discriminator"]["mapping"]
    return [target.rpartition("/")[2] for target in mapping.values()]
