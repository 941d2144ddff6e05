"""The API document of this code, as it is committed."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from service.app import create_app
from worker.database import Database


def document() -> dict[str, Any]:
    """The OpenAPI 3.1 document."""
    with tempfile.TemporaryDirectory() as folder:
        app = create_app(Database(f"sqlite:///{Path(folder) / 'unused.sqlite3'}"), nudge=lambda: None)
        response = app.test_client().get("/openapi.json")
    if response.status_code != 200:
        raise RuntimeError(f"the document cannot be made: {response.get_json()}")
    answer: dict[str, Any] = response.get_json()
    return answer


def document_text() -> str:
    """The document as text, the same for the same code."""
    return json.dumps(document(), indent=2, sort_keys=True, ensure_ascii=False) + "\n"
