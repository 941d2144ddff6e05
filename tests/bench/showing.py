"""The figures as a table, and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import orjson
from rich.console import Console
from rich.table import Table

from tests.bench.figures import Figure

_MARKS: Final = {True: "[green]met[/green]", False: "[red]MISSED[/red]", None: ""}


def table_of(figures: Sequence[Figure]) -> Table:
    """One row a figure, beside its counterpart, their ratio, and what is wanted."""
    table = Table(title="bench", title_justify="left")
    for heading in ("measure", "figure"):
        table.add_column(heading)
    table.add_column("found", justify="right", no_wrap=True)
    table.add_column("beside")
    for heading in ("found", "ratio"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("wanted", no_wrap=True)
    before = ""
    for figure in figures:
        if figure.measure != before:
            table.add_section()
        table.add_row(*_cells(figure, is_new=figure.measure != before))
        before = figure.measure
    return table


def _cells(figure: Figure, *, is_new: bool) -> tuple[str, ...]:
    return (
        figure.measure if is_new else "",
        figure.name,
        shown(figure.value, figure.unit),
        figure.beside,
        "" if figure.counterpart is None else shown(figure.counterpart, figure.unit),
        "" if figure.ratio is None else shown(figure.ratio, ""),
        f"{_wanted(figure)} {_MARKS[figure.met]}".strip(),
    )


def _wanted(figure: Figure) -> str:
    limits = []
    if figure.below is not None:
        limits.append(f"< {figure.below:g} {figure.unit}")
    if figure.above is not None:
        limits.append(f"> {figure.above:g} {figure.unit}")
    if figure.ratio_below is not None:
        limits.append(f"ratio < {figure.ratio_below:g}")
    if figure.ratio_above is not None:
        limits.append(f"ratio > {figure.ratio_above:g}")
    return ", ".join(limits)


def shown(value: float, unit: str) -> str:
    """A number to three digits, large ones whole, with its unit."""
    text = f"{value:,.0f}" if abs(value) >= 100 or value == int(value) else f"{value:.3g}"
    return text + (unit if unit.startswith("/") else f" {unit}" if unit else "")


def write(folder: Path, at: datetime, facts: Mapping[str, Any], figures: Sequence[Figure]) -> Path:
    """Write a run as JSON into the folder, named for its instant; returns the file."""
    folder.mkdir(exist_ok=True)
    path = folder / f"{at:%Y%m%dT%H%M%SZ}.json"
    run = {"at": at.isoformat(), **facts, "figures": [figure.plain() for figure in figures]}
    path.write_bytes(orjson.dumps(run, option=orjson.OPT_INDENT_2) + b"\n")
    return path


def show(console: Console, figures: Sequence[Figure]) -> None:
    """Print the table, and what was missed."""
    console.print(table_of(figures))
    for figure in figures:
        if figure.met is False:
            console.print(f"[red]Missed:[/red] {figure.measure}: {figure.name}, wanted {_wanted(figure)}")
