"""`cutledger demo`: play an invented shop."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from service.demonstration import demonstrate


@click.command()
@click.option("--port", default=8750, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on.")
@click.option("--once", is_flag=True, help="End after the report instead of serving on.")
@click.option("--seed", default=7, show_default=True, help="The shop that is played.")
@click.option(
    "--data", type=click.Path(file_okay=False), help="Folder to keep the demo in; a temporary one by default."
)
def demo(port: int, seed: int, data: str | None, *, once: bool) -> None:
    """Play eight weeks of an invented shop through the real door, and print its last week's report."""
    sys.exit(demonstrate(port=port, seed=seed, data=None if data is None else Path(data), once=once))
