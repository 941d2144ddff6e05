"""The figures as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rich.console import Console
from rich.table import Table

from tests.calibrate.figures import Figure

_MARKS: Final = {True: "[green]met[/green]", False: "[red]MISSED[/red]", None: ""}


def table_of(figures: Sequence[Figure], *, title: str) -> Table:
    """One row a figure, with what is demanded of it and what a plain method gives."""
    table = Table(title=title, title_justify="left")
    for heading in ("question", "case"):
        table.add_column(heading)
    table.add_column("found", justify="right", no_wrap=True)
    table.add_column("demanded")
    table.add_column("beside")
    table.add_column("found", justify="right", no_wrap=True)
    table.add_column("trials", justify="right", no_wrap=True)
    before = ""
    for figure in figures:
        if figure.question != before:
            table.add_section()
        table.add_row(
            figure.question if figure.question != before else "",
            figure.case,
            percent(figure.found),
            f"{figure.demanded} {_MARKS[figure.met]}".strip(),
            figure.beside,
            percent(figure.plain),
            f"{figure.trials:,}",
        )
        before = figure.question
    return table


def percent(shares: Sequence[float]) -> str:
    """One share, or the least and the largest of several, in percent."""
    if not shares:
        return ""
    low, high = (f"{100 * share:.{1 if share >= 0.01 else 2}f}" for share in (min(shares), max(shares)))
    return f"{low} %" if low == high else f"{low} to {high} %"


def show(console: Console, figures: Sequence[Figure], *, title: str) -> None:
    """Print the table, and what was missed."""
    console.print(table_of(figures, title=title))
    for figure in figures:
        if figure.met is False:
            console.print(
                f"[red]Missed:[/red] {figure.question}: {figure.case}: {percent(figure.found)}, "
                f"demanded {figure.demanded}",
                highlight=False,
            )
