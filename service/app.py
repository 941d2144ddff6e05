"""The application: all wiring on one screen."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable
from dataclasses import dataclass

from flask import Flask, Response, g, request
from flask_smorest import Api

from service import RELEASE
from service.asking import Gate, guard
from service.paths import IdentifierConverter, KeepEncodedSlashes
from service.problems import answer_problems
from service.routes import audit, docs, events, findings, health, keys, reports, sites, state
from worker.database import Database

_TRACE = re.compile(r"[0-9a-f]{2}-([0-9a-f]{32})-[0-9a-f]{16}-[0-9a-f]{2}", re.ASCII)


@dataclass(frozen=True)
class Parts:
    """What the application works with: its database, how it says that something was appended, and who it knows."""

    database: Database
    nudge: Callable[[], None]
    gate: Gate


def create_app(database: Database, nudge: Callable[[], None]) -> Flask:
    """The HTTP service over a database; `nudge` is called after each commit that appended something."""
    app = Flask(__name__, static_folder=None)
    app.config.update(API_TITLE="Cutledger", API_VERSION=RELEASE, OPENAPI_VERSION="3.1.0", PROPAGATE_EXCEPTIONS=False)
    gate = Gate(database)
    app.extensions["cutledger"] = Parts(database, nudge, gate)
    app.url_map.converters["identifier"] = IdentifierConverter
    app.url_map.merge_slashes = False
    app.before_request(_name_request)
    guard(app, gate)
    api = Api(app)
    for module in (events, state, reports, findings, sites, keys, audit, health):
        api.register_blueprint(module.blueprint)
    docs.serve(app, api)
    answer_problems(app)
    app.after_request(_finish)
    app.wsgi_app = KeepEncodedSlashes(app.wsgi_app)  # type: ignore[method-assign]
    return app


def _name_request() -> None:
    found = _TRACE.fullmatch(request.headers.get("traceparent", ""))
    g.request_id = str(uuid.UUID(found[1])) if found else str(uuid.uuid4())


def _finish(response: Response) -> Response:
    response.headers["X-Request-Id"] = g.get("request_id") or str(uuid.uuid4())
    response.headers.setdefault("Cache-Control", "no-store")
    response.headers.setdefault("X-Content-Type-Options", "nosniff")
    response.headers.setdefault("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
    response.headers.setdefault("Referrer-Policy", "no-referrer")
    return response
