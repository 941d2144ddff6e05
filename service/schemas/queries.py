"""Parameters of queries: unknown names are refused, since a mistyped filter must not answer another question."""

from __future__ import annotations

import re
from typing import Any, Final

from marshmallow import RAISE, Schema, ValidationError, fields
from marshmallow.validate import Length, OneOf

from service.strict_fields import about
from service.strict_times import Instant
from worker.administration import ACTS
from worker.events import EVENT_TYPES, GASES, OUTCOMES, PURPOSES
from worker.findings import ALL
from worker.kept import OPEN, STATES
from worker.noticing.finding import KINDS
from worker.reports.questions import no_day, read_day
from worker.sentences import sentence
from worker.tracing.checks import BOUNDS, EITHER
from worker.tracing.walk import BOTH, DIRECTIONS

ID_LENGTH: Final = 128
MOST_ITEMS: Final = 500
MOST_FEED_ITEMS: Final = 1_000
#: Parameters that more than one query has.
_SITE: Final = "site to ask about; may be left out when the key has one site"


#: No instant that is asked about lies beyond: 2200-01-01.
_FURTHEST_US: Final = 7_258_118_400 * 1_000_000
_INSTANT: Final = Instant(metadata=about("an instant"))

NO_PARAMETER: Final = sentence("is no parameter here")


class OneOfWords(OneOf):
    """One word of a few."""

    def _format_error(self, value: Any) -> str:
        return sentence("must be one of %(choices)s, found %(found)s", choices=self.choices_text, found=repr(value))


class Characters(Length):
    """1 to `most` characters; `wrong`: what is said of another number."""

    def __init__(self, most: int, wrong: str | None = None) -> None:
        super().__init__(1, most)
        self._wrong = wrong or sentence("Length must be between %(least)s and %(most)s.", least=1, most=most)

    def _format_error(self, _value: Any, _message: str) -> str:
        return self._wrong


class WholeParameter(fields.Integer):
    """A whole number in digits, within bounds."""

    def __init__(self, low: int, high: int, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.low, self.high = low, high
        self.metadata = {"minimum": low, "maximum": high, **self.metadata}

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> int:
        text = str(value)
        if re.fullmatch(r"[0-9]{1,9}", text, re.ASCII) and self.low <= int(text) <= self.high:
            return int(text)
        must = sentence(
            "must be a whole number from %(low)s to %(high)s, found %(found)s",
            low=self.low,
            high=self.high,
            found=repr(text[:60]),
        )
        raise ValidationError(must)


class DayParameter(fields.String):
    """A production day, as its text."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.metadata = {"format": "date", **self.metadata}

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:
        text = str(value)
        if read_day(text) is None:
            raise ValidationError(no_day(text))
        return text


class InstantParameter(fields.String):
    """An instant, as microseconds since 1970."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.metadata = {"format": "date-time", **self.metadata}

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        # A plus that was not encoded arrives as a blank.
        return instant_asked(str(value).replace(" ", "+"))


def instant_asked(text: str) -> int:
    """Microseconds since 1970 of an RFC 3339 instant that is asked about; raises ValidationError."""
    instant = _INSTANT.read(text)
    if instant >= _FURTHEST_US:
        raise ValidationError(sentence("is after the year 2199; leave it out for now"))
    return instant


def _text(description: str, example: str) -> fields.String:
    message = sentence("must have 1 to %(most)s characters", most=ID_LENGTH)
    return fields.String(
        validate=Characters(ID_LENGTH, message), metadata={"description": description, "example": example}
    )


def _name(description: str, example: str) -> fields.String:
    return fields.String(validate=_is_name, metadata={"description": description, "example": example})


def _is_name(text: str) -> None:
    if not text.strip() or len(text) > ID_LENGTH:
        must = sentence(
            "must be a name of 1 to %(most)s characters, found %(found)s", most=ID_LENGTH, found=repr(text[:60])
        )
        raise ValidationError(must)


def _one_of(words: tuple[str, ...], description: str) -> fields.String:
    return fields.String(validate=OneOfWords(words), metadata={"description": description})


class Query(Schema):
    """Parameters of every query that is about a site."""

    class Meta:
        """Unknown parameters are refused."""

        unknown = RAISE

    error_messages = {"unknown": NO_PARAMETER}  # noqa: RUF012
    site = fields.String(validate=Characters(ID_LENGTH), metadata={"description": _SITE, "example": "main"})


class PageQuery(Query):
    """Parameters of a query that answers in pages."""

    after = fields.String(
        validate=Characters(4096), metadata={"description": "cursor: next of the page before; opaque"}
    )
    limit = WholeParameter(1, MOST_ITEMS, load_default=100, metadata={"description": "items a page"})


class JobsQuery(PageQuery):
    """Which jobs."""

    state = _one_of(("open", "closed"), "only jobs in this state")
    part_number = _text("only jobs for this part", "BR-120")


class PlatesQuery(PageQuery):
    """Which plates."""

    state = _one_of(("open", "closed", "unknown"), "only plates in this state")
    heat_number = _text("only plates of this heat, their remnants included", "H4711")
    parent = _text("only remnants of this plate", "P-77")


class PrecheckQuery(Query):
    """What a plate is about to be cut for, and on what."""

    machine = _name("machine that is to cut it; left out: the work centre of the job, else what cut it last", "Laser 1")
    gas = _one_of(GASES, "gas that it is to be cut with; left out: that of the last cuts like this, of the job if any")
    job = _text("job that it is to be cut for", "J-1024")


def _as_rows() -> fields.String:
    return fields.String(
        validate=OneOfWords(("json", "csv")),
        metadata={"description": "csv: the attempts as rows; left out: json", "example": "csv"},
    )


class TraceStartQuery(Query):
    """From what to trace, and which way: exactly one of job, attempt, plate, heat_number, order, run, machine."""

    job = _text("from this job", "J-1042")
    attempt = _text("from this attempt and the others on its piece", "A-5001")
    plate = _text("from this plate", "P-77")
    heat_number = _text("from the heats of this number", "H48213")
    mill = _text("with heat_number: the heat of this mill alone", "Nordhelm")
    order = _text("from the jobs of this order", "4711")
    run = _text("from this run", "R-0311")
    machine = _text("from all attempts on this machine, by any name of it, within from and to", "laser-2")
    from_ = DayParameter(
        data_key="from", metadata={"description": "with machine: first production day", "example": "2026-03-02"}
    )
    to = DayParameter(metadata={"description": "with machine: last production day", "example": "2026-03-02"})
    direction = fields.String(
        validate=OneOfWords(DIRECTIONS),
        load_default=BOTH,
        metadata={"description": "back: to the steel; forward: to what was made of it; both", "example": BOTH},
    )


class TraceQuery(TraceStartQuery):
    """From what to trace, which way, and as what."""

    format = _as_rows()


class SinceQuery(Query):
    """Since what a machine is asked about."""

    by = fields.String(
        validate=OneOfWords(BOUNDS),
        load_default=EITHER,
        metadata={
            "description": "since when: check, the last check that looked at everything; inspection, the last attempt "
            "of which all parts were inspected and good; either, the later of the two",
            "example": EITHER,
        },
    )


class SinceCheckQuery(SinceQuery):
    """On which machine, since what, up to when, and as what."""

    # Whoever may not know the site is told so first: so that the machine is needed is said by the door.
    machine = _text("the machine, by any name of it; needed", "laser-2")
    until = InstantParameter(
        metadata={
            "description": "only what happened before this instant, checks and attempts alike; left out: now",
            "example": "2026-03-08T22:00:00Z",
        }
    )
    format = _as_rows()


class AttemptsQuery(PageQuery):
    """Which attempts."""

    state = _one_of(("open", "finished", "unfinished"), "only attempts in this state")
    job = _text("only attempts of this job", "J-1024")
    plate = _text("only attempts on this plate", "P-77")
    machine = _text("only attempts on this machine", "Laser 1")
    run = _text("only attempts of this run", "R-9")
    piece = _text("only attempts at a piece of this name", "bracket 3")
    outcome = _one_of(OUTCOMES, "only attempts with this outcome")
    purpose = _one_of(PURPOSES, "only attempts for this purpose")
    day = DayParameter(metadata={"description": "only attempts of this production day", "example": "2026-03-04"})


class ActsQuery(PageQuery):
    """Which acts of the record of administration."""

    act = fields.List(_one_of(tuple(ACTS), "only acts of this kind; repeated: of any of them"))


class FeedQuery(Query):
    """Which part of the ledger."""

    after = fields.String(
        validate=Characters(1024),
        metadata={"description": "cursor: next of the answer before; left out it begins at the start"},
    )
    limit = WholeParameter(1, MOST_FEED_ITEMS, load_default=100, metadata={"description": "events an answer"})
    type = fields.List(_one_of(tuple(EVENT_TYPES), "only events of this type; repeated: of any of them"))
    subject = fields.List(_text("only events about this subject; repeated: about any of them", "A-5001"))


class FindingsQuery(PageQuery):
    """Which findings."""

    kind = _one_of(KINDS, "only findings of this kind")
    state = _one_of((*STATES, ALL), f"findings in this state; {OPEN} unless another is asked for")
