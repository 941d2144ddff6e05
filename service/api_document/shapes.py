"""The components of the document that are shapes, each from the schema that the code works with."""

from __future__ import annotations

from inspect import cleandoc
from typing import Any, Final

from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin
from marshmallow import Schema

from service.api_document.event_shapes import ENVELOPE, event_shapes, rules_of
from service.api_document.field_shapes import Shape, strict2properties
from service.api_document.refusals import refusal_shapes
from service.api_document.report_shapes import report_shapes
from service.schemas import administration_answers as administration
from service.schemas import answers
from service.schemas import state_answers as state
from service.schemas.administration import KeyNew, KeyRotation, SiteNew
from service.schemas.confirmation_answers import JobConfirmations
from service.schemas.dossier import Dossier
from service.schemas.events import DATA_SCHEMAS, EnvelopeSchema
from service.schemas.holds import HoldNew, HoldPage, HoldWhole
from service.schemas.plan import ListPlanned, OnePlanned, PlanList
from service.schemas.precheck_answers import Precheck
from service.schemas.proofs import ProofNew, ProofPage, ProofWhole
from service.schemas.releases import ReleaseAnswer, ReleaseNew, ReleasePage
from service.schemas.trace_answers import TraceSince, TraceWhole
from service.schemas.trials import TrialNew, TrialPage, TrialWhole
from service.schemas.webhooks import (
    DeliveryPage,
    Webhook,
    WebhookList,
    WebhookMade,
    WebhookNew,
    WebhookResent,
    WebhookTested,
)

OPENAPI: Final = "3.1.0"
_SCHEMAS: Final[tuple[type[Schema], ...]] = (
    EnvelopeSchema,
    *(type(schema) for schema in DATA_SCHEMAS.values()),
    answers.Verdicts,
    answers.Feed,
    answers.History,
    state.JobPage,
    state.PlatePage,
    state.AttemptPage,
    JobConfirmations,
    Precheck,
    state.FindingPage,
    state.FindingWhole,
    state.FindingNotedAnswer,
    answers.Catalogue,
    PlanList,
    OnePlanned,
    ListPlanned,
    ProofNew,
    ProofPage,
    ProofWhole,
    Dossier,
    HoldNew,
    HoldPage,
    HoldWhole,
    ReleaseNew,
    ReleasePage,
    ReleaseAnswer,
    TraceWhole,
    TraceSince,
    TrialNew,
    TrialPage,
    TrialWhole,
    KeyNew,
    KeyRotation,
    SiteNew,
    administration.SiteList,
    administration.SiteMade,
    administration.SiteChanged,
    administration.PeopleUnlinked,
    administration.KeyPage,
    administration.KeyMade,
    administration.AuditStarted,
    administration.AuditState,
    administration.ActPage,
    WebhookNew,
    WebhookList,
    Webhook,
    WebhookMade,
    WebhookTested,
    DeliveryPage,
    WebhookResent,
    answers.Alive,
    answers.Ready,
    answers.NotReady,
)


def all_shapes() -> dict[str, Shape]:
    """Every shape by its name."""
    shapes = _of_schemas()
    events = event_shapes(shapes)
    del shapes[ENVELOPE]
    return shapes | events | report_shapes() | refusal_shapes()


def _of_schemas() -> dict[str, Shape]:
    plugin = MarshmallowPlugin()
    spec = APISpec("", "", OPENAPI, plugins=[plugin])
    # The plugin has it from here on, and its functions have no types.
    converter: Any = plugin.converter
    converter.add_attribute_function(strict2properties)
    for schema in _SCHEMAS:
        converter.resolve_nested_schema(schema)
    found: dict[str, Shape] = spec.components.schemas
    schemas: dict[str, type[Schema]] = {name: key[0] for key, name in converter.refs.items()}
    return {name: _told(shape, schemas[name]) for name, shape in found.items()}


def _told(shape: Shape, schema: type[Schema]) -> Shape:
    rules = rules_of(schema)
    return shape | {"description": flowing(schema.__doc__ or "")} | ({"allOf": rules} if rules else {})


def flowing(text: str) -> str:
    """A docstring with each paragraph on one line."""
    return "\n\n".join(" ".join(part.split()) for part in cleandoc(text).split("\n\n"))
