"""The API document, and a page to read it that asks no other host."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterable
from copy import deepcopy
from functools import cache
from hashlib import sha256
from typing import Final

from flask import Flask, Response
from flask_smorest import Api, Blueprint
from flask_swagger_ui import get_swaggerui_blueprint

from service.api_document.document import complete
from service.api_document.operations import Reply, operation
from service.asking import PUBLIC, needs
from service.formats import JSON
from worker.reports.plain import json_bytes

DOCUMENT: Final = "/openapi.json"
PAGE: Final = "/docs"
#: Nothing is loaded from elsewhere; the reader writes styles into its elements.
_PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'{scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_SCRIPT: Final = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_PAGE_SETTINGS: Final = {
    "app_name": "Cutledger API",
    "layout": "BaseLayout",
    "validatorUrl": None,
    # Not worked out from the request: the page is the same for whoever asks, by whatever name of this host.
    "oauth2RedirectUrl": "",
    "defaultModelsExpandDepth": 0,
    "displayRequestDuration": True,
}

_SAYS_DOCUMENT: Final = operation(
    Reply(
        200,
        "The document.",
        content={
            JSON: {
                "schema": {"type": "object", "additionalProperties": True},
                "example": {"openapi": "3.1.0", "info": {"title": "Cutledger"}},
            }
        },
    )
)
_SAYS_PAGE: Final = {
    "summary": "Read the document as a page.",
    "description": "It loads nothing from another host.",
    "operationId": "get_docs_page",
    "tags": ["document"],
    **operation(
        Reply(200, "The page.", content={"text/html": {"schema": {"type": "string"}, "example": "<!DOCTYPE html>"}})
    ),
}


def serve(app: Flask, api: Api) -> None:
    """Serve the document of this API and the page. To be called last: what is registered later is not in it."""
    blueprint = Blueprint("document", __name__, description="This document, and a page to read it")

    @cache
    def document() -> bytes:
        return json_bytes(complete(app, deepcopy(api.spec.to_dict())))

    @blueprint.route(DOCUMENT)
    @blueprint.doc(**_SAYS_DOCUMENT)
    @needs(PUBLIC)
    def get_document() -> Response:
        """Read this document.

        OpenAPI 3.1, made from the code that answers.
        """
        return Response(document(), mimetype=JSON)

    api.register_blueprint(blueprint)
    _serve_page(app)
    rule = next(rule for rule in app.url_map.iter_rules() if rule.rule == f"{PAGE}/")
    api.spec.path(rule=rule, operations={"get": deepcopy(_SAYS_PAGE)})


def _policy(scripts: Iterable[str]) -> str:
    """The policy of a page within which these scripts may run, and no other: the one that starts the reader."""
    digests = (b64encode(sha256(script.encode()).digest()).decode() for script in scripts)
    return _PAGE_POLICY.format(scripts="".join(f" 'sha256-{digest}'" for digest in digests))


def _serve_page(app: Flask) -> None:
    page = get_swaggerui_blueprint(PAGE, DOCUMENT, config=dict(_PAGE_SETTINGS))

    @page.after_request
    def _allow_own_parts(response: Response) -> Response:
        scripts = _SCRIPT.findall(response.get_data(as_text=True)) if not response.direct_passthrough else []
        response.headers["Content-Security-Policy"] = _policy(scripts)
        return response

    app.register_blueprint(page)
    for endpoint in app.view_functions:
        if endpoint.startswith(f"{page.name}."):
            needs(PUBLIC)(app.view_functions[endpoint])
