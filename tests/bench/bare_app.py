"""The least application of the same libraries: what the start of the service is held against."""

from __future__ import annotations

from flask import Flask
from sqlalchemy import create_engine, text

app = Flask(__name__)
_engine = create_engine("sqlite://")


@app.get("/readyz")
def get_readyz() -> str:
    """Answer as soon as there is anybody to answer."""
    with _engine.connect() as connection:
        return str(connection.execute(text("SELECT 'ready'")).scalar_one())
