"""How far a measurement has come."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn


@contextmanager
def bar(console: Console, label: str, *, total: int) -> Iterator[Callable[[int], None]]:
    """Show a bar that goes away when done, or a line every fifth of the way where there is no terminal."""
    if console.is_terminal:
        columns = (
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
            TimeRemainingColumn(),
        )  # fmt: skip
        with Progress(*columns, console=console, transient=True) as progress:
            task = progress.add_task(label, total=total)
            yield lambda done: progress.advance(task, done)
        return
    so_far = 0

    def advance(done: int) -> None:
        nonlocal so_far
        fifths_before, so_far = 5 * so_far // total, so_far + done
        if 5 * so_far // total > fifths_before:
            console.print(f"{label}: {so_far:,} of {total:,}", highlight=False)

    yield advance
