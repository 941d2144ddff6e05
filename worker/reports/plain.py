"""A report as a plain dict, and plain values as JSON: what is answered and what is stored are made in one way."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from decimal import Decimal
from typing import Any

import orjson

from worker.reports.report import AsOf, Report


def report_plain(report: Report) -> dict[str, Any]:
    """All that a report answers, with its totals, in the order in which it is shown."""
    return {
        "report": report.name,
        "site": report.site,
        "window": {"from": report.first_day, "to": report.last_day},
        "by": report.by,
        "filters": report.filters,
        "confidence": report.confidence,
        "currency": report.currency,
        "as_of": as_of_plain(report.as_of),
        "rows": report.rows,
        "totals": report.totals,
        "details": report.details,
        "notes": report.notes,
    } | ({"cautions": report.cautions} if report.cautions else {})


def as_of_plain(as_of: AsOf) -> dict[str, Any]:
    """Up to what a report counts."""
    return asdict(as_of)


def json_bytes(value: Any) -> bytes:
    """UTF-8 JSON; decimals leave as exact numbers, instants in UTC."""
    return orjson.dumps(value, default=_as_number, option=orjson.OPT_UTC_Z)


def _as_number(value: Any) -> orjson.Fragment:
    if isinstance(value, Decimal):
        return orjson.Fragment(plain_decimal(value))
    raise TypeError(type(value).__name__)


def plain_decimal(value: Decimal) -> str:
    """A decimal without exponent or needless zeros."""
    text = f"{value:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def read_plain(text: str | bytes) -> dict[str, Any]:
    """What `json_bytes` wrote. A number with a fraction is a float where a float is written so, else a Decimal."""
    value: dict[str, Any] = json.loads(text, parse_float=_number)
    return value


def read_as_of(told: Mapping[str, Any]) -> dict[str, Any]:
    """Up to what an answer counts, as `as_of_plain` has it, from what was read of one."""
    as_of = dict(told["as_of"])
    as_of["at"] = as_of["at"] and datetime.fromisoformat(as_of["at"])
    return as_of


def _number(text: str) -> float | Decimal:
    as_float = float(text)
    # As it was written: Python itself would write 0.00001 with an exponent.
    return as_float if "e" in text or orjson.dumps(as_float) == text.encode() else Decimal(text)
