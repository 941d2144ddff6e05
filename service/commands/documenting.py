"""`cutledger openapi`: write the API document."""

from __future__ import annotations

from pathlib import Path

import click

from service.commands.opening import refusal
from service.openapi import document_text


@click.command()
@click.argument("path", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--check", is_flag=True, help="Write nothing; exit 1 when the file is not what would be written.")
def openapi(path: Path, *, check: bool) -> None:
    """Write the API document to a file."""
    text = document_text()
    if not check:
        path.write_text(text)
    elif not path.exists() or path.read_text() != text:
        raise refusal(f"{path} is not the document of this code; write it again with: make openapi")
