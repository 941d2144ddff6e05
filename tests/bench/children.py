"""A command as a process of its own: what it takes from its start to its end, and how much memory at most."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from tests.bench.serving import memory_of

_LOOK_SECONDS: Final = 0.02


class CommandFailed(Exception):
    """A command ended otherwise than well."""


@dataclass(frozen=True)
class Ran:
    """Seconds by the clock and of the processor, the most memory in bytes (None: not told), and what was written."""

    seconds: float
    processor_seconds: float
    peak: int | None
    output: bytes


def run(environment: Mapping[str, str], *arguments: str) -> Ran:
    """Run a module of Python to its end; raises CommandFailed. Its output must be short."""
    began, spent = time.perf_counter(), _spent_by_children()
    process = subprocess.Popen(
        [sys.executable, "-m", *arguments], env=dict(environment), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    peak = None
    while process.poll() is None:
        # Of the last look: before it became this command, the process was a copy of the one that started it.
        if memory := memory_of(process.pid):
            peak = memory.peak
        with suppress(subprocess.TimeoutExpired):
            process.wait(_LOOK_SECONDS)
    seconds = time.perf_counter() - began
    output = process.communicate()[0]
    if process.returncode:
        raise CommandFailed(f"{' '.join(arguments)} ended with {process.returncode}")
    return Ran(seconds, _spent_by_children() - spent, peak, output)


def _spent_by_children() -> float:
    """Seconds of the processor that ended children took; no other one may end meanwhile."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime
