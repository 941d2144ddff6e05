"""Logs to standard error: one JSON object a line, or lines for people where a terminal reads them.

A line holds the fields named here and nothing else. What an exception says of values is left out, and so is what a
library quotes of a request: neither keys nor what events hold ever stand in a log.
"""

from __future__ import annotations

import json
import logging
import re
import sys
from collections.abc import Iterator
from contextvars import ContextVar
from types import TracebackType
from typing import Any, Final, TextIO

import orjson
import structlog
from structlog.typing import EventDict, Processor

#: The fields of a line, in order.
FIELDS: Final = (
    "ts", "level", "logger", "event", "pid", "request_id", "key_id", "site", "route", "method", "status", "duration_ms",
    "exception",
)  # fmt: skip
#: Attribute of a record that carries fields.
SAID: Final = "cutledger"
#: The id of the request that is being answered, if one is.
REQUEST_ID: Final[ContextVar[str | None]] = ContextVar("request_id", default=None)
_KEY: Final = re.compile(r"(?i)\bcut_([a-z0-9]{8})_[\w%.~-]+", re.ASCII)
_BEARER: Final = re.compile(r"(?i)\b(bearer|basic)\s+[^\s\"',;]+")
#: Up to the last @: a password that is not encoded as it should be may hold others.
_PASSWORD: Final = re.compile(r"(\w+://[^\s:/@]*):\S*@")
_SIGNING: Final = re.compile(r"\bwhsec_[\w+/=-]+", re.ASCII)
#: Cookies and tokens of sessions, in whichever way a header, a form or an object shows them.
_SESSION: Final = re.compile(r"(?i)\b(cutledger_(?:session|form)|csrf[_-]token)(\W{1,4})[^\s\"',;&]+")
#: Headers that are secret to their end.
_HEADER: Final = re.compile(r"(?i)\b((?:set-)?cookie|webhook-signature)(\W{0,2}[:=]\W{0,2})[^\r\n\"']+")
#: What is named as a secret in a form, in the query of an address or in words for a database.
_NAMED: Final = re.compile(r"(?i)\b(password|secret|token|key)(\W?\s?[:=]\s?)('[^']*'|\"[^\"]*\"|[^\s\"',;&]+)")
#: Paths of addresses that others gave: whoever knows one may post to it.
_PATH: Final = re.compile(r"(?i)\b(https?://[^\s/?#]+)[/?#][^\s\"']+")
_QUOTED: Final = re.compile(r"(?:\bb|(?<!\w))'[^']*'?|\"[^\"]*\"?|\([^()]*=[^()]*\)|\{.*|\[.*")
#: What may be no plain letter: those that are not printable could forge a line, move the cursor or turn the text round.
_ODD: Final = re.compile(r"[^ -~]")
_MOST_SAID: Final = 200
#: Packages whose exceptions say what is wrong with a database, a broker, a file or a connection.
_OF_SURROUNDINGS: Final = frozenset({"sqlalchemy", "sqlite3", "psycopg", "redis", "kombu"})


def log_to(stream: TextIO = sys.stderr, *, quiet: bool = False) -> None:
    """Let all that this process logs, whoever logs it, leave on a stream."""
    handler = logging.StreamHandler(stream)
    handler.setFormatter(formatter(for_people=stream.isatty()))
    root = logging.getLogger()
    for before in list(root.handlers):
        root.removeHandler(before)
    root.addHandler(handler)
    root.setLevel(logging.WARNING if quiet else logging.INFO)
    # Says at each start what it is made of.
    logging.getLogger("alembic.runtime.plugins").setLevel(logging.WARNING)
    # Warns with the paths of addresses that it asks, which may hold what only their receiver is to know.
    logging.getLogger("urllib3").setLevel(logging.ERROR)
    logging.captureWarnings(True)


def formatter(*, for_people: bool) -> logging.Formatter:
    """What turns a record, of whichever library, into a line."""
    renderer: Processor = structlog.dev.ConsoleRenderer(colors=True) if for_people else _json
    return structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=[
            structlog.stdlib.add_logger_name,
            structlog.stdlib.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True, key="timestamp" if for_people else "ts"),
            _with_said_fields,
        ],
        processors=[_with_exception, _only_known, _without_secrets, *([_on_one_line] if for_people else []), renderer],
    )


def _json(_logger: Any, _name: str, line: EventDict) -> str:
    return _ODD.sub(_as_json, orjson.dumps(line, default=str).decode())


def _as_json(found: re.Match[str]) -> str:
    return found[0] if found[0].isprintable() else json.dumps(found[0])[1:-1]


def _with_said_fields(_logger: Any, _name: str, line: EventDict) -> EventDict:
    record: logging.LogRecord = line["_record"]
    line["pid"] = record.process
    line["request_id"] = REQUEST_ID.get()
    line.update(getattr(record, SAID, {}))
    return line


def _with_exception(_logger: Any, _name: str, line: EventDict) -> EventDict:
    error = line.pop("exc_info", None)
    if isinstance(error, tuple) and error[1] is not None:
        line["exception"] = described(error[1])
    return line


def _only_known(_logger: Any, _name: str, line: EventDict) -> EventDict:
    known = ("timestamp", *FIELDS)
    return {name: line[name] for name in known if line.get(name) is not None}


def _without_secrets(_logger: Any, _name: str, line: EventDict) -> EventDict:
    return {name: _clean(value) if isinstance(value, str) else value for name, value in line.items()}


def _clean(text: str) -> str:
    """A text without keys, passwords, secrets of webhooks, cookies and tokens of sessions; and in whole characters."""
    text = text.encode(errors="backslashreplace").decode()
    text = _KEY.sub(r"cut_\1_...", text)
    text = _SIGNING.sub("whsec_...", text)
    text = _SESSION.sub(r"\1\2...", text)
    text = _HEADER.sub(r"\1\2...", text)
    text = _BEARER.sub(r"\1 ...", text)
    text = _PASSWORD.sub(r"\1:...@", text)
    text = _PATH.sub(r"\1/...", text)
    return _NAMED.sub(r"\1\2...", text)


def _on_one_line(_logger: Any, _name: str, line: EventDict) -> EventDict:
    """Without what would forge a line, move the cursor or turn the text round."""
    exception = line.pop("exception", None)
    shown = {name: _ODD.sub(_as_text, value) if isinstance(value, str) else value for name, value in line.items()}
    if exception is None:
        return shown
    # Its lines are ours.
    return shown | {"exception": "\n".join(_ODD.sub(_as_text, part) for part in exception.split("\n"))}


def _as_text(found: re.Match[str]) -> str:
    return found[0] if found[0].isprintable() else found[0].encode("unicode_escape").decode()


def described(error: BaseException) -> str:
    """An exception and what led to it: kinds, places in the code, and what they say without the values they quote."""
    return "\n".join(_described(error, set()))


def _described(error: BaseException, seen: set[int]) -> Iterator[str]:
    seen.add(id(error))
    before = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    if before is not None and id(before) not in seen:
        yield from _described(before, seen)
        yield "which led to"
    yield from _places(error.__traceback__)
    kind = type(error)
    yield f"{kind.__module__}.{kind.__qualname__}{_says(error)}"


def _places(trace: TracebackType | None) -> Iterator[str]:
    while trace is not None:
        code = trace.tb_frame.f_code
        yield f"  {code.co_filename}:{trace.tb_lineno} in {code.co_name}"
        trace = trace.tb_next


def _says(error: BaseException) -> str:
    """What an exception of the surroundings says, on its first line and quotes aside; nothing of any other one.

    The text of an exception of the fold may hold what it could not bear, and so may all that a database quotes.
    """
    if not isinstance(error, OSError) and type(error).__module__.partition(".")[0] not in _OF_SURROUNDINGS:
        return ""
    first = (str(error).splitlines() or [""])[0]
    return f": {_QUOTED.sub('...', first)[:_MOST_SAID]}"


def log_celery_too() -> None:
    """Keep Celery from putting handlers of its own in the place of ours."""
    # Slow to import, and only workers need it.
    from celery.signals import setup_logging

    setup_logging.connect(_leave_as_it_is, dispatch_uid="cutledger.logs", weak=False)
    # Wake-ups come every moment and say nothing; what fails is logged all the same.
    for name in ("celery.worker.strategy", "celery.app.trace", "celery.beat"):
        logging.getLogger(name).setLevel(logging.WARNING)


def _leave_as_it_is(**_: Any) -> None:
    """Logging is set up."""
