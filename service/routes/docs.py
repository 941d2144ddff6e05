"""The API document, and a page to read it that asks no other host."""

from __future__ import annotations

from typing import Final

from flask import Flask, Response
from flask_smorest import Api
from flask_swagger_ui import get_swaggerui_blueprint

from service.asking import PUBLIC, needs
from service.formats import json_response

DOCUMENT: Final = "/openapi.json"
PAGE: Final = "/docs"
#: The page's own script starts the reader; nothing is loaded from elsewhere.
_PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; frame-ancestors 'none'"
)


def serve(app: Flask, api: Api) -> None:
    """Serve the document of this API and the page."""

    @app.get(DOCUMENT)
    @needs(PUBLIC)
    def get_document() -> Response:
        return json_response(api.spec.to_dict())

    page = get_swaggerui_blueprint(PAGE, DOCUMENT, config={"app_name": "Cutledger API", "validatorUrl": None})

    @page.after_request
    def _allow_own_parts(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = _PAGE_POLICY
        return response

    app.register_blueprint(page)
    for endpoint in app.view_functions:
        if endpoint.startswith(f"{page.name}."):
            needs(PUBLIC)(app.view_functions[endpoint])
