"""Where the installation keeps its data: from CUTLEDGER_* or the command line."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

DATABASE_FILE = "cutledger.sqlite3"


@dataclass(frozen=True)
class Installation:
    """An installation: embedded in a folder unless a database is named."""

    data: Path
    database_url: str
    broker_url: str | None

    @property
    def embedded(self) -> bool:
        """True when the data is one SQLite file and one process serves it."""
        return self.database_url.startswith("sqlite")

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None, *, data: str | None = None) -> Installation:
        """Installation that CUTLEDGER_DATA, CUTLEDGER_DATABASE_URL and CUTLEDGER_BROKER_URL describe."""
        env = os.environ if environment is None else environment
        folder = Path(data or env.get("CUTLEDGER_DATA") or "data")
        url = env.get("CUTLEDGER_DATABASE_URL") or f"sqlite:///{(folder / DATABASE_FILE).absolute()}"
        return cls(folder, url, env.get("CUTLEDGER_BROKER_URL") or None)
