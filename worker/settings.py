"""Where the installation keeps its data: from CUTLEDGER_* or the command line."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

#: The release that this is.
RELEASE = version("cutledger")
DATABASE_FILE = "cutledger.sqlite3"
#: `1` lets the sites of an installation allow pushes to this machine.
LOOPBACK_VARIABLE = "CUTLEDGER_WEBHOOK_LOOPBACK"
_KINDS = ("sqlite", "postgresql")


class SettingWrong(ValueError):
    """A setting that cannot be followed: which, and what would do."""


@dataclass(frozen=True)
class Installation:
    """An installation: embedded in a folder unless a database is named."""

    data: Path
    database_url: str
    broker_url: str | None

    @property
    def embedded(self) -> bool:
        """True when the data is one SQLite file, which one server serves."""
        return self.database_url.startswith("sqlite")

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None, *, data: str | None = None) -> Installation:
        """Installation that the CUTLEDGER_* settings describe; raises SettingWrong.

        CUTLEDGER_DATA, CUTLEDGER_DATABASE_URL, CUTLEDGER_DATABASE_PASSWORD_FILE (a file with the password of that
        address, so that none stands in the environment), CUTLEDGER_BROKER_URL.
        """
        env = os.environ if environment is None else environment
        folder = Path(data or env.get("CUTLEDGER_DATA") or "data")
        url = env.get("CUTLEDGER_DATABASE_URL") or f"sqlite:///{(folder / DATABASE_FILE).absolute()}"
        password_file = env.get("CUTLEDGER_DATABASE_PASSWORD_FILE")
        return cls(folder, _checked(url, password_file), env.get("CUTLEDGER_BROKER_URL") or None)


def loopback_allowed(environment: Mapping[str, str] | None = None) -> bool:
    """True when CUTLEDGER_WEBHOOK_LOOPBACK says that webhooks may lead to this machine, where a site allows it."""
    env = os.environ if environment is None else environment
    return env.get(LOOPBACK_VARIABLE) == "1"


def _checked(url: str, password_file: str | None) -> str:
    # The release is told without it.
    from sqlalchemy.engine import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise SettingWrong(
            "CUTLEDGER_DATABASE_URL is no database address; one reads postgresql://user@host:5432/name"
        ) from error
    if parsed.get_backend_name() not in _KINDS:
        raise SettingWrong(
            f"CUTLEDGER_DATABASE_URL names a database of the kind {parsed.get_backend_name()}; "
            "postgresql:// and sqlite:/// are known"
        )
    if not password_file:
        return url
    try:
        password = Path(password_file).read_text().strip()
    except OSError as error:
        raise SettingWrong(
            f"CUTLEDGER_DATABASE_PASSWORD_FILE names {password_file}, which cannot be read ({error.strerror})"
        ) from error
    return parsed.set(password=password).render_as_string(hide_password=False)
