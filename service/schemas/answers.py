"""What the service answers: shapes for the API document, made of a few words. Tests hold real answers to them."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from typing import Any, Final, TypeVar, cast

from marshmallow import EXCLUDE, Schema, fields
from marshmallow.validate import OneOf

from service.schemas.strict import StrictSchema
from service.strict_fields import about
from worker.events import PURPOSES
from worker.measures import MEASURES
from worker.reports.reading import INTERVAL

S = TypeVar("S", bound=type[Schema])
AT: Final = "2026-03-02T05:15:00Z"
VERDICTS: Final = ("accepted", "duplicate", "conflict", "invalid")


class Answer(Schema):
    """A shape of an answer; one that a client keeps may gain fields."""

    class Meta:
        """Fields to come are no fault."""

        unknown = EXCLUDE


def text(description: str, example: str | None, *, null: bool = False) -> fields.String:
    """Field of words; always there."""
    return fields.String(required=True, allow_none=null, metadata={"description": description, "examples": [example]})


def word(words: tuple[str, ...], description: str, example: str | None = "", *, null: bool = False) -> fields.String:
    """Field of one word out of a tuple, the first being the example unless one is given; always there."""
    metadata = {"description": description, "examples": [words[0] if example == "" else example]}
    return fields.String(required=True, allow_none=null, validate=OneOf(words), metadata=metadata)


def whole(description: str, example: int | None, *, null: bool = False) -> fields.Integer:
    """Field of a whole number from 0; always there."""
    metadata = {"description": description, "examples": [example], "minimum": 0}
    return fields.Integer(required=True, allow_none=null, metadata=metadata)


def number(description: str, example: float | None, *, null: bool = False) -> fields.Float:
    """Field of a number from 0; always there."""
    metadata = {"description": description, "examples": [example], "minimum": 0}
    return fields.Float(required=True, allow_none=null, metadata=metadata)


def flag(description: str, example: bool, *, null: bool = False) -> fields.Boolean:
    """Field of true or false; always there."""
    return fields.Boolean(required=True, allow_none=null, metadata=about(description, example))


def instant(description: str, example: str | None = AT, *, null: bool = False) -> fields.AwareDateTime:
    """Field of an instant in UTC; always there."""
    metadata = {"description": description, "examples": [example]}
    return fields.AwareDateTime(required=True, allow_none=null, metadata=metadata)


def day(description: str, example: str | None = "2026-03-02", *, null: bool = False) -> fields.Date:
    """Field of a production day; always there."""
    return fields.Date(required=True, allow_none=null, metadata={"description": description, "examples": [example]})


def rows(inner: fields.Field[Any] | type[Schema], description: str) -> fields.List[Any]:
    """Field of a list; always there."""
    each = inner if isinstance(inner, fields.Field) else fields.Nested(inner)
    return fields.List(each, required=True, metadata=about(description))


def record(shape: type[Schema], description: str, *, null: bool = False) -> fields.Nested:
    """Field of an object; always there."""
    return fields.Nested(shape, required=True, allow_none=null, metadata=about(description))


def states(schema: type[StrictSchema], *, without: tuple[str, ...], required: bool = False) -> Callable[[S], S]:
    """Class decorator: the answer also holds the fields that an event stated, as they were stated, never null."""

    def with_stated(shape: S) -> S:
        stated = {name: copy(field) for name, field in schema().fields.items() if name not in without}
        for field in stated.values():
            field.required, field.allow_none = required, False
        return cast(S, type(shape.__name__, (shape,), {"__doc__": shape.__doc__, **stated}))

    return with_stated


class Page(Answer):
    """A page."""

    next = text("cursor of the next page; null on the last one", None, null=True)


# --- the door and the feed --------------------------------------------------------------------------------------


class ItemFault(Answer):
    """One thing that is wrong with one event of a request."""

    pointer = text("where it is: RFC 6901, from the start of the body", "/3/data/outcome")
    detail = text("what is wrong, what was found, what would do", "must be one of severed, aborted; found null")


class Verdict(Answer):
    """What became of one event of a request."""

    index = whole("its place in the request, from 0", 0)
    id = text("its id, when it has one that can be sent back", "0197c1f2-5b7e-7c10-9a52-000000000007", null=True)
    status = word(VERDICTS, "what became of it")
    position = fields.Integer(metadata=about("its place in the ledger, or that of the event that was there first", 417))
    errors = fields.List(fields.Nested(ItemFault), metadata=about("why it was not taken"))


class Verdicts(Answer):
    """What became of the events of a request: counts, and each item in its order."""

    accepted = whole("events taken", 1)
    duplicate = whole("events that were there already, with the same content", 0)
    conflict = whole("events refused: their source and id is there with other content", 0)
    invalid = whole("events refused: they are not what the schema of their type asks for", 0)
    items = rows(Verdict, "each event's verdict, in the order of the request")


class FeedItem(Answer):
    """An event of the ledger."""

    position = whole("place in the ledger, given when it was taken; no cursor", 417)
    received_at = instant("when it was received")
    event = fields.Raw(required=True, metadata={"allOf": [{"$ref": "#/components/schemas/Event"}]})


class Feed(Answer):
    """A piece of the ledger."""

    items = rows(FeedItem, "events in the order in which they were committed")
    next = text("cursor that goes on from here; good also when there is nothing more yet", "ZjE6NDE3")
    more = flag("there is more already", False)


class HistoryItem(FeedItem):
    """An event of one subject."""

    voided = flag("a void took it back", False)


class History(Answer):
    """All events about one subject."""

    items = rows(HistoryItem, "events by the time at which they happened, voids of them included")


# --- reports, health --------------------------------------------------------------------------------------------


class MeasureTold(Answer):
    """A measure of a report."""

    name = text("its name", "first_pass_yield")
    columns = rows(text("column", "first_pass_yield"), "its columns: itself and, where it has one, its interval")
    unit = text("its unit", MEASURES["first_pass_yield"].unit)
    definition = text("what it is", MEASURES["first_pass_yield"].definition)
    standard = text("its name in a standard", MEASURES["first_pass_yield"].standard, null=True)
    interval = text("method of its interval; null where it has none", INTERVAL, null=True)


class ColumnTold(Answer):
    """A column of a report that is no measure."""

    name = text("its name", "lot")
    unit = text("its unit; null: none", "share (0-1)", null=True)
    definition = text("what it is", "mill and heat number, or supplier")


class DetailTold(ColumnTold):
    """A figure of an answer as a whole, or a list of objects."""

    items = rows(ColumnTold, "what each object of the list holds; empty for what is no list")


class OptionTold(Answer):
    """What a report can be told beside window, division and filters."""

    name = text("its name", "chart")
    definition = text("what it decides", "the kind of chart")
    kind = word(("word", "number", "name"), "one of its words, a number within its bounds, or a name")
    words = rows(text("word", "auto"), "what it may be; empty for numbers and names")
    least = number("the least number; null where it is none", None, null=True)
    most = number("the greatest number; null where it is none", None, null=True)
    target = text("the target of the site that holds when it is left out; null: none", None, null=True)
    default = text("what holds when it is left out, and the site has no such target; null: nothing", "auto", null=True)


class ReportTold(Answer):
    """A report."""

    name = text("its name in the path", "yield")
    question = text("the question that it answers", "How often are parts right the first time?")
    measures = rows(MeasureTold, "its measures, in the order of its columns")
    columns = rows(ColumnTold, "its other columns")
    details = rows(DetailTold, "what it says of the answer as a whole")
    options = rows(OptionTold, "what it can be told")
    by = rows(text("dimension", "thickness"), "what divides it when nothing is asked")
    last = text("its window when none is asked for", "8w")
    purposes = rows(word((*PURPOSES, "all"), "purpose"), "what it counts when no purpose is asked for")
    more_dimensions = rows(text("dimension", "operation"), "what only this report can be divided by")


class DimensionTold(Answer):
    """What a report can be divided and filtered by."""

    name = text("its name in by", "thickness")
    column = text("its column in the rows", "thickness_mm")
    unit = text("its unit", "mm", null=True)
    definition = text("what it is", "nominal thickness of the plate")
    filter = text("its name as a filter; null for what is asked for as the window", "thickness_mm", null=True)


class Defaults(Answer):
    """What a report answers when it is asked nothing else."""

    last = text("window", "8w")
    by = text("division", "thickness")
    purpose = word(PURPOSES, "filter, unless purpose is asked for or divided by")
    confidence = number("confidence of the intervals", 0.95)


class PublishedWeek(Answer):
    """A week whose reports are kept as they stood a day after its end."""

    week = text("ISO 8601 week", "2026-W10")
    at = instant("when it was published", "2026-03-10T06:00:12Z")
    position = whole("place in the ledger of the last event that its reports count", 417)
    release = text("release that computed them", "1.0.0")


class Catalogue(Answer):
    """What reports, measures and dimensions there are, and which weeks are published."""

    reports = rows(ReportTold, "the reports")
    dimensions = rows(DimensionTold, "the dimensions")
    defaults = record(Defaults, "what is answered when nothing else is asked")
    published_weeks = rows(PublishedWeek, "the latest weeks that are published, newest first")


class Alive(Answer):
    """The process runs."""

    status = word(("alive",), "that it runs")


class PartStates(Answer):
    """The parts of the service."""

    database = word(("ready", "unavailable"), "the database")
    migration = word(("ready", "needed", "unknown"), "whether its tables are those of this release")
    broker = fields.String(
        validate=OneOf(("ready", "degraded")),
        metadata=about("the broker, where one is set up; degraded: it is away, and counting starts later", "ready"),
    )
    server = word(("ready", "draining"), "draining: about to end, send nothing more here")


class Ready(Answer):
    """Requests can be answered."""

    status = word(("ready",), "that it is ready")
    parts = record(PartStates, "part by part")
    oldest_owed_seconds = number("age of the oldest event not counted yet, in seconds; 0 without one", 0.4)


class NotReady(Answer):
    """Requests cannot be answered."""

    status = word(("not ready",), "that it is not ready")
    parts = record(PartStates, "part by part")
