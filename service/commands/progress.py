"""Progress towards a known end, on the terminal's standard error."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn


@contextmanager
def bar(what: str, total: int | None, things: str = "events") -> Iterator[Callable[[int], None]]:
    """A bar for as long as something goes on; called with how many more are done. `total`: None when not known."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn(f"{{task.completed:,.0f}} {things}"),
        TimeRemainingColumn(),
    )
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(what, total=total)
        yield lambda count: progress.advance(task, count)
