"""What a page asks of a report: parameters as a form sends them, the answer, and what can be chosen or taken along."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from flask import request

from service.asking import database
from service.beside import later
from service.clock import now_us
from service.formats import FORMATS
from service.pages.languages import gettext, number, percent
from service.pages.terms import SURFACES, THERMAL_HISTORIES, said
from worker import answers
from worker.reports.catalogue import REPORTS
from worker.reports.dimensions import ASKED_UNKNOWN
from worker.reports.plain import report_plain
from worker.reports.questions import WINDOW_PARAMETERS, Question
from worker.reports.reading import Reader
from worker.reports.withholding import how_many_withheld

#: Offered beside what holds at the site.
TARGETS: Final = (0.8, 0.9, 0.95, 0.99)
CONFIDENCES: Final = (0.8, 0.9, 0.95, 0.99)

Parameters = Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class Told:
    """What a report answers, as plain values, and the question that it answers."""

    name: str
    question: Question
    parameters: Parameters
    answer: Mapping[str, Any]

    @property
    def rows(self) -> list[dict[str, Any]]:
        """Its rows."""
        rows: list[dict[str, Any]] = self.answer["rows"]
        return rows

    @property
    def details(self) -> Mapping[str, Any]:
        """What the answer as a whole is."""
        details: Mapping[str, Any] = self.answer["details"]
        return details

    @property
    def why_nothing(self) -> str:
        """What is said where it has no rows."""
        if how_many_withheld(self.answer["notes"]):
            return gettext("What was cut here is of so few people that it is not shown; the notes say more.")
        return gettext("Nothing was judged here: widen the window, or leave out a filter.")

    def addresses(self, site: str) -> list[tuple[str, str]]:
        """(format, where the same answer is had in it)."""
        window = {"from": self.question.first_day, "to": self.question.last_day}
        rest = {name: values for name, values in self.parameters.items() if name not in WINDOW_PARAMETERS}
        return [
            (word, f"/v1/reports/{self.name}?{urlencode({'site': site, **window, **rest, 'format': word}, doseq=True)}")
            for word in sorted(FORMATS)
        ]


def asked_parameters(*others: str) -> dict[str, list[str]]:
    """The request's parameters as a report takes them: without those of the page, and without fields left empty."""
    told = {name: [value for value in values if value.strip()] for name, values in request.args.lists()}
    return {name: values for name, values in told.items() if values and name not in ("site", *others)}


def of_these(parameters: Parameters, *names: str) -> dict[str, list[str]]:
    """Those of the parameters that another report takes too: the window, and these."""
    return {name: list(values) for name, values in parameters.items() if name in (*WINDOW_PARAMETERS, *names)}


def told(reader: Reader, name: str, parameters: Parameters) -> Told:
    """The answer of a report, as the door gives it: the one that is kept, else one made now, which is kept if slow.

    Raises QuestionUnanswerable.
    """
    entry, now, database_of = REPORTS[name], now_us(), database()
    question = answers.asked(reader, entry, parameters, now_us=now)
    kept = answers.kept_answer(reader, entry, question, now_us=now, with_its_forms=True)
    if kept is not None:
        later(lambda: answers.note_asked(database_of, reader.site, entry, question, kept, now_us=now))
        return Told(name, question, parameters, kept.plain())
    began = time.monotonic()
    answer = report_plain(entry.answer(reader, question))
    took_us = int((time.monotonic() - began) * 1_000_000)
    if took_us >= answers.KEPT_FROM_US:
        later(
            lambda: answers.keep(
                database_of, reader, entry, question, parameters, answer, took_us=took_us, now_us=now, asked_us=now
            )
        )
    return Told(name, question, parameters, answer)


def plate_state(row: Mapping[str, Any]) -> str:
    """The state of the plate of a row, in words."""
    surface, history = row["surface_group"], row["thermal_history"]
    if surface is None and history is None:
        return gettext("state not noted")
    return ", ".join(
        (
            gettext("surface not noted") if surface is None else said(SURFACES, surface),
            gettext("edges not noted") if history is None else said(THERMAL_HISTORIES, history),
        )
    )


# --- forms ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Field:
    """A list to choose from: (value, text) each, and what is chosen."""

    name: str
    label: str
    options: Sequence[tuple[str, str]]
    chosen: str


def also_asked(parameters: Parameters, fields: Sequence[Field]) -> str:
    """What is asked beside the window and what the fields show, so that no figure is taken for one of more."""
    chosen = {(field.name, field.chosen) for field in fields}
    others = [
        f"{name}={value}"
        for name, values in parameters.items()
        if name not in WINDOW_PARAMETERS
        for value in values
        if (name, value) not in chosen
    ]
    return ", ".join(others)


def filter_field(
    name: str, label: str, values: Iterable[Any], asked: Parameters, *, words: Mapping[str, str] | None = None,
    unit: str = "", every: str | None = None,
) -> Field:  # fmt: skip
    """A filter: one of these values, or all of them. words: how the values are said. every: what all is called."""
    chosen = next(iter(asked.get(name, ())), "")
    told_values = [asked_as(value) for value in values]
    if chosen and chosen not in told_values:
        told_values.append(chosen)
    options = [(value, _text(value, words or {}, unit)) for value in told_values]
    return Field(name, label, [("", every or gettext("all")), *options], chosen)


def asked_as(value: Any) -> str:
    """A value as a filter asks for it; a thickness to the nanometre, which inches need: 13/32 in is 10.31875 mm."""
    return f"{value:.12g}" if isinstance(value, int | float) else str(value)


def _text(value: str, words: Mapping[str, str], unit: str) -> str:
    if value in words:
        return gettext(words[value])
    if value == ASKED_UNKNOWN:
        return gettext("not noted")
    return f"{number(float(value))} {unit}" if unit and value.replace(".", "", 1).isdecimal() else value


def share_field(name: str, label: str, offered: Sequence[float], chosen: float) -> Field:
    """A share to choose, in per cent, with the one that holds among them."""
    options = [(f"{share:.6g}", percent(share, _digits(share))) for share in sorted({*offered, chosen})]
    return Field(name, label, options, f"{chosen:.6g}")


def word_field(name: str, label: str, words: Mapping[str, str], chosen: str) -> Field:
    """An option of a report that is one word of a few."""
    return Field(name, label, [(word, gettext(text)) for word, text in words.items()], chosen)


def certain(share: float) -> str:
    """A target or a confidence as it is said."""
    return percent(share, _digits(share))


def _digits(share: float) -> int:
    return next(digits for digits in range(5) if abs(share - round(share, digits + 2)) < 1e-9 or digits == 4)
