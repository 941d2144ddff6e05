"""Where and with what a run was made: without it no figure can be compared with another day's."""

from __future__ import annotations

import os
import platform
import re
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import psycopg

from tests.bench.places import POSTGRES

_DISTRIBUTIONS: Final = (
    "cutledger", "celery", "flask", "flask-smorest", "gunicorn", "marshmallow", "orjson", "pandas", "psycopg",
    "sqlalchemy",
)  # fmt: skip
#: What of a PostgreSQL says how durable and how large it is.
_OF_POSTGRES: Final = ("server_version", "fsync", "synchronous_commit", "full_page_writes", "shared_buffers")


def versions() -> dict[str, str]:
    """Versions of what is measured."""
    found = {name: version(name) for name in _DISTRIBUTIONS}
    return {"python": platform.python_version(), "sqlite": sqlite3.sqlite_version} | found


def postgres() -> dict[str, str] | None:
    """The server of the grown half and how durable it is; None where none answers."""
    try:
        with closing(psycopg.connect(POSTGRES, connect_timeout=3)) as connection:
            rows = [(name, connection.execute(f"show {name}").fetchone()) for name in _OF_POSTGRES]
    except psycopg.OperationalError:
        return None
    return {name: row[0] for name, row in rows if row}


def machine() -> dict[str, Any]:
    """The machine: its system, processors and memory, as far as it tells."""
    return {
        "system": f"{platform.system()} {platform.release()}",
        "architecture": platform.machine(),
        "processor": _found("/proc/cpuinfo", r"^model name\s*:\s*(.+)$") or platform.processor(),
        "processors": os.cpu_count(),
        "memory_kb": int(_found("/proc/meminfo", r"^MemTotal:\s*([0-9]+) kB$") or 0) or None,
    }


def load_average() -> list[float] | None:
    """Load over 1, 5 and 15 minutes; None where the system does not tell."""
    return [round(load, 2) for load in os.getloadavg()] if hasattr(os, "getloadavg") else None


def _found(path: str, pattern: str) -> str | None:
    try:
        match = re.search(pattern, Path(path).read_text(), re.MULTILINE)
    except OSError:
        return None
    return match[1].strip() if match else None


def in_words(facts: Mapping[str, Any], known: Mapping[str, str]) -> str:
    """Machine and versions in two lines."""
    memory = f"{facts['memory_kb'] / 1024**2:.0f} GiB" if facts["memory_kb"] else "unknown memory"
    return (
        f"{facts['processors']} x {facts['processor'] or facts['architecture']}, {memory}, {facts['system']}\n"
        + ", ".join(f"{name} {number}" for name, number in known.items())
    )
