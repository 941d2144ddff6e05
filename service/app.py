"""The application: all wiring on one screen."""

from __future__ import annotations

import random
import re
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from flask import Flask, Response, current_app, g, request
from flask_smorest import Api
from werkzeug.middleware.proxy_fix import ProxyFix

from service import RELEASE, access
from service.acceptance import People
from service.asking import Gate, guard, hold_to_site
from service.broker import Broker
from service.conditional import settled
from service.drain import Drain
from service.headers import Protected
from service.metrics import Metrics
from service.pages.signing_in import shown
from service.pages.wiring import serve_pages
from service.paths import IdentifierConverter, KeepEncodedSlashes
from service.problems import answer_problems, not_found
from service.rates import Limits, Rates
from service.routes import (
    administration,
    audit,
    confirmations,
    docs,
    events,
    findings,
    health,
    holds,
    keys,
    people,
    plan,
    prechecks,
    proofs,
    releases,
    reports,
    sites,
    state,
    tracing,
    trials,
    webhooks,
)
from service.routes import metrics as metrics_route
from service.sessions import Sessions
from worker.database import Database
from worker.reports.questions import QuestionUnanswerable, Wrong
from worker.sentences import sentence

_TRACE = re.compile(r"[0-9a-f]{2}-([0-9a-f]{32})-[0-9a-f]{16}-[0-9a-f]{2}", re.ASCII)


@dataclass(frozen=True)
class Parts:
    """What the application works with: its database, how it says that something was appended, and who it knows.

    For those who watch it: what it measures, whether it is about to end, and the broker of its workers, if any.
    people: what sites kept of people's names when that was last asked; what is judged by it is held against it again.
    """

    database: Database
    nudge: Callable[[], None]
    gate: Gate
    metrics: Metrics
    drain: Drain
    broker: Broker | None
    sessions: Sessions
    rates: Rates
    people: dict[str, People] = field(default_factory=dict)


class Application(Flask):
    """Flask without what only coroutines need: each function is called as it is."""

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """The function: none is a coroutine."""
        return func


def create_app(
    database: Database,
    nudge: Callable[[], None],
    *,
    metrics: Metrics | None = None,
    drain: Drain | None = None,
    broker: Broker | None = None,
    rates: Rates | None = None,
    proxy_hops: int = 0,
) -> Flask:
    """The HTTP service over a database; `nudge` is called after each commit that appended something.

    proxy_hops: so many proxies stand before it, and say in X-Forwarded-For, -Proto and -Host who asked.
    """
    app = Application(__name__, static_folder=None)
    app.config.update(API_TITLE="Cutledger", API_VERSION=RELEASE, OPENAPI_VERSION="3.1.0", PROPAGATE_EXCEPTIONS=False)
    rates = rates or Rates(Limits())
    gate, sessions = Gate(database, rates), Sessions(database)
    metrics, drain = metrics or Metrics(), drain or Drain()
    app.extensions["cutledger"] = Parts(database, nudge, gate, metrics, drain, broker, sessions, rates)
    app.url_map.converters["identifier"] = IdentifierConverter
    app.url_map.merge_slashes = False
    app.before_request(_name_request)
    guard(app, gate, rates, sessions.asker)
    app.before_request(_refuse_nul)
    api = Api(app)
    asked_of_the_past = (prechecks, reports, plan, proofs, trials, findings, tracing)
    administered = (sites, people, keys, audit, administration, webhooks)
    acted = (holds, releases)
    for module in (events, state, confirmations, *acted, *asked_of_the_past, *administered, health, metrics_route):
        api.register_blueprint(module.blueprint)
    docs.serve(app, api)
    serve_pages(app)
    answer_problems(app, shown)
    app.after_request(_finish)
    # Before _finish: they run from the last to the first.
    app.after_request(hold_to_site)
    app.wsgi_app = Protected(KeepEncodedSlashes(app.wsgi_app))  # type: ignore[method-assign]
    if proxy_hops:
        forwarded = {"x_for": proxy_hops, "x_proto": proxy_hops, "x_host": proxy_hops}
        app.wsgi_app = ProxyFix(app.wsgi_app, **forwarded)  # type: ignore[method-assign]
    return app


def _name_request() -> None:
    found = _TRACE.fullmatch(request.headers.get("traceparent", ""))
    # Drawn without a call of the system, during which other threads would run: an id is no secret.
    g.request_id = str(uuid.UUID(found[1]) if found else uuid.UUID(int=random.getrandbits(128), version=4))
    access.begin(g.request_id)


def _refuse_nul() -> None:
    """No text may hold a NUL, which one of the databases does not take."""
    asked = request
    if asked.query_string:
        given = asked.args.lists()
        wrong = [Wrong(name, sentence("must not hold a NUL")) for name, values in given if "\0" in "".join(values)]
        if wrong:
            raise QuestionUnanswerable(wrong)
    if asked.view_args and any("\0" in str(value) for value in asked.view_args.values()):
        raise not_found("there is nothing under an id with a NUL in it")


def _finish(response: Response) -> Response:
    response = settled(response)
    response.headers["X-Request-Id"] = g.get("request_id") or str(uuid.uuid4())
    access.note(response, current_app.extensions["cutledger"].metrics)
    return response
