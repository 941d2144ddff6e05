"""Reports in the document: their parameters and answers, from the dimensions, the measures and the catalogue."""

from __future__ import annotations

from collections import defaultdict
from typing import Any, Final

from service.api_document.field_shapes import Shape
from service.api_document.references import ref
from service.formats import FORMATS
from service.schemas.answers import PublishedWeek
from worker.events import GASES, PURPOSES
from worker.measures import COUNT, PARTS, SHARE, Measure
from worker.plates import SURFACES
from worker.publishing import DIVISIONS
from worker.reports.catalogue import REPORTS, Entry
from worker.reports.dimensions import ASKED_UNKNOWN, DIMENSIONS, HISTORIES, Dimension
from worker.reports.options import LONGEST_NAME, AnyOption, NameOption, NumberOption, Option
from worker.reports.questions import (
    DEFAULT_CONFIDENCE,
    DEFAULT_LAST,
    LONGEST_WINDOW_DAYS,
    MOST_DIMENSIONS,
    MOST_VALUES,
    filter_names,
)
from worker.reports.reading import INTERVAL, RESTS_ON
from worker.reports.report import Column
from worker.reports.standing_then import MOST_DIGITS, MOST_EVENTS

REPORT: Final = "Report"
_DIVISION: Final = "Division"
#: The words that a filter takes, where it takes nothing else.
WORDS: Final[dict[str, tuple[str, ...]]] = {
    "gas": GASES,
    "surface": SURFACES,
    "surface_group": ("clean", "disturbed", ASKED_UNKNOWN),
    "thermal_history": HISTORIES,
    "purpose": (*PURPOSES, "all"),
}
_WEEK: Final = r"^[0-9]{4}-W[0-9]{2}$"
_MONTH: Final = r"^[0-9]{4}-(0[1-9]|1[0-2])$"
_LAST: Final = r"^[1-9][0-9]{0,3}[dwm]$"

Parameter = dict[str, Any]


# --- parameters -------------------------------------------------------------------------------------------------


def name_parameter() -> Parameter:
    """Which report."""
    questions = " ".join(f"`{entry.name}`: {entry.question}" for entry in REPORTS.values())
    schema = {"type": "string", "enum": list(REPORTS), "examples": ["yield"]}
    return {"in": "path", "name": "name", "required": True, "description": questions, "schema": schema}


def report_parameters() -> list[Parameter]:
    """What a report can be asked, and how it is answered."""
    return [_by(), *_window(), *_standing(), _confidence(), *_options(), *_filters(), _format()]


def _options() -> list[Parameter]:
    """What only some reports can be told."""
    of: dict[str, list[Entry]] = {}
    for entry in REPORTS.values():
        for option in entry.options:
            of.setdefault(option.name, []).append(entry)
    options = {option.name: option for entry in REPORTS.values() for option in entry.options}
    return [
        _query(
            name,
            f"{option.definition}; only in {', '.join(entry.name for entry in of[name])}{_left_out(option)}",
            _option(option),
        )
        for name, option in options.items()
    ]


def _left_out(option: AnyOption) -> str:
    if isinstance(option, NumberOption) and option.target:
        usual = "none" if option.default is None else f"{option.default:g}"
        return f"; left out: the site's target {option.target}, else {usual}"
    return "" if option.default is None else f"; left out: {option.default}"


def _option(option: AnyOption) -> Shape:
    if isinstance(option, Option):
        return {"type": "string", "enum": list(option.words), "examples": [option.default]}
    if isinstance(option, NameOption):
        return {"type": "string", "minLength": 1, "maxLength": LONGEST_NAME, "examples": [option.example]}
    kind = "integer" if option.whole else "number"
    return {"type": kind, "minimum": option.low, "maximum": option.high} | (
        {} if option.default is None else {"examples": [option.default]}
    )


def _query(name: str, description: str, schema: Shape, **more: Any) -> Parameter:
    return {"in": "query", "name": name, "required": False, "description": description, "schema": schema, **more}


def _by() -> Parameter:
    dimensions = [*DIMENSIONS.values(), *(each for entry in REPORTS.values() for each in entry.more_dimensions)]
    names = dict.fromkeys([dimension.name for dimension in dimensions] + [dimension.label for dimension in dimensions])
    only = ", ".join(
        f"{' and '.join(each.name for each in entry.more_dimensions)} only in {entry.name}"
        for entry in REPORTS.values()
        if entry.more_dimensions
    )
    schema = {
        "type": "array",
        "items": {"type": "string", "enum": list(names)},
        "maxItems": MOST_DIMENSIONS,
        "uniqueItems": True,
        "default": ["thickness"],
        "examples": [["thickness", "machine"]],
    }
    description = f"dimensions that divide it, one row for each group; by= without a name: one row; {only}"
    return _query("by", description, schema, style="form", explode=False)


def _window() -> list[Parameter]:
    one = "give one of from and to, week, month, day, last"
    day = {"type": "string", "format": "date"}
    return [
        _query("from", f"first production day, within; {one}", day | {"examples": ["2026-03-02"]}),
        _query("to", "last production day, within; left out: the running one", day | {"examples": ["2026-03-08"]}),
        _query("week", "ISO 8601 week", {"type": "string", "pattern": _WEEK, "examples": ["2026-W10"]}),
        _query("month", "month", {"type": "string", "pattern": _MONTH, "examples": ["2026-03"]}),
        _query("day", "one production day", day | {"examples": ["2026-03-04"]}),
        _query(
            "last",
            # No default of the schema: a client that sends it beside another window would contradict itself.
            f"that many days, weeks or months up to the running one, at most {LONGEST_WINDOW_DAYS} days; without any "
            f"window: {DEFAULT_LAST}",
            {"type": "string", "pattern": _LAST, "examples": [DEFAULT_LAST]},
        ),
    ]


def _standing() -> list[Parameter]:
    at = (
        "position of the ledger, as as_of has it: the figures as they stood when it had been counted up to there; from "
        f"a published week, or counted anew where that takes at most {MOST_EVENTS} events"
    )
    published = (
        "ISO 8601 week: its answer as it was published, with what changed since; beside it only by, of those that are "
        f"published ({', '.join(DIVISIONS)} and the usual one)"
    )
    return [
        _query("at", at, {"type": "integer", "minimum": 0, "maximum": 10**MOST_DIGITS - 1, "examples": [417]}),
        _query("published", published, {"type": "string", "pattern": _WEEK, "examples": ["2026-W10"]}),
    ]


def _confidence() -> Parameter:
    schema = {"type": "number", "minimum": 0.5, "maximum": 0.9999, "default": DEFAULT_CONFIDENCE}
    return _query("confidence", "confidence of the intervals, at most 6 decimals", schema)


def _format() -> Parameter:
    return _query(
        "format", "goes before Accept; left out: as Accept asks, else json", {"type": "string", "enum": list(FORMATS)}
    )


def _filters() -> list[Parameter]:
    return [_filter(name, dimension) for name, dimension in filter_names().items()]


def _filter(name: str, dimension: Dimension) -> Parameter:
    unit = "inches, a number or a fraction" if name == "thickness_in" else dimension.unit
    in_unit = f", {unit}" if unit else ""
    description = f"filter: {dimension.definition}{in_unit}; repeated: any of them; {ASKED_UNKNOWN}: not known"
    if dimension.name == "purpose":
        description += "; left out: production, unless by names it"
    schema = {"type": "array", "items": _filter_value(name, dimension), "maxItems": MOST_VALUES}
    return _query(name, description, schema, style="form", explode=True)


def _filter_value(name: str, dimension: Dimension) -> Shape:
    value: Shape = {"type": "string"}
    if words := WORDS.get(dimension.name):
        value["enum"] = list(dict.fromkeys((*words, ASKED_UNKNOWN)))
    return value | {"examples": ["3/4" if name == "thickness_in" else dimension.example]}


# --- answers ----------------------------------------------------------------------------------------------------


def report_name(entry: Entry) -> str:
    """Component of a report."""
    return f"{entry.name.title()}Report"


def report_shapes() -> dict[str, Shape]:
    """Components of the reports' answers."""
    shapes = {report_name(entry): _report(entry) for entry in REPORTS.values()}
    mapping = {entry.name: f"#/components/schemas/{report_name(entry)}" for entry in REPORTS.values()}
    shapes[REPORT] = {
        "description": "The answer of a report.",
        "oneOf": [{"$ref": target} for target in mapping.values()],
        "discriminator": {"propertyName": "report", "mapping": mapping},
    }
    columns = {_columns_name(entry): _measures(entry) for entry in REPORTS.values()}
    parts = {_DIVISION: _divided_by(), "Window": _window_shown(), "AsOf": _as_of(), "FigureChange": _change()}
    return shapes | columns | parts


def _columns_name(entry: Entry) -> str:
    return f"{entry.name.title()}Columns"


def _report(entry: Entry) -> Shape:
    texts = {"type": "array", "items": {"type": "string"}}
    properties = {
        "report": {"const": entry.name},
        "site": {"type": "string", "description": "id of the site"},
        "window": ref("Window"),
        "by": texts | {"description": "dimensions that divide it"},
        "filters": {
            "type": "object",
            "description": "what it was filtered by, as asked",
            "additionalProperties": texts,
        },
        "confidence": {"type": "number", "description": "confidence of the intervals"},
        "currency": {"type": ["string", "null"], "description": "currency of its costs, ISO 4217; null: none is set"},
        "as_of": ref("AsOf"),
        "rows": {
            "type": "array",
            "description": "one row for each group, by the dimensions, not known last",
            "items": {"type": "object", "allOf": [ref(_DIVISION), ref(_columns_name(entry))]},
        },
        "totals": _totals(entry),
        "details": {
            "type": "object",
            "description": "what the answer as a whole is, beside its rows",
            "properties": {column.name: _column(column) for column in entry.details},
            "required": [column.name for column in entry.details],
        },
        "notes": texts | {"description": "what may and what may not be concluded, in sentences"},
    }
    if entry.advises:
        properties["cautions"] = texts | {"description": "what to heed before anybody cuts"}
    return {
        "description": entry.question,
        "type": "object",
        "properties": properties | _if_published(),
        "required": list(properties),
    }


def _if_published() -> dict[str, Shape]:
    """What an answer holds besides when it was asked for with `published`."""
    return {
        "published": ref(PublishedWeek) | {"description": "only with published: when, and up to where it counts"},
        "changes_as_of": ref("AsOf") | {"description": "only with published: what the figures of now count"},
        "changes": {
            "type": "array",
            "description": "only with published: each figure that the same question answers otherwise now",
            "items": ref("FigureChange"),
        },
    }


def _change() -> Shape:
    value: Shape = {"type": ["string", "number", "null"]}
    properties: dict[str, Shape] = {
        "part": {"type": "string", "enum": ["rows", "totals", "details"], "description": "where the figure stands"},
        "row": {
            "type": ["object", "null"],
            "description": "the columns that say which row it is; null for totals and details",
            "additionalProperties": value,
        },
        "column": {"type": "string", "description": "its column"},
        "then": value | {"description": "what was published; null also where the row was not there"},
        "now": value | {"description": "what it is now; null also where the row is no more"},
    }
    return {
        "description": "A figure of a published week that is otherwise now.",
        "type": "object",
        "properties": properties,
        "required": list(properties),
    }


def _totals(entry: Entry) -> Shape:
    if not entry.measures:
        return {"type": "object", "description": "empty: these rows have no sum"}
    return ref(_columns_name(entry)) | {"description": "the measures over all groups"}


def _column(column: Column) -> Shape:
    if column.kind == "list":
        items = {
            "type": "object",
            "properties": {item.name: _column(item) for item in column.items},
            "required": [item.name for item in column.items],
        }
        return {"type": "array", "description": column.definition, "items": items}
    kinds = {"text": "string", "number": "number", "integer": "integer"}
    unit = f"; {column.unit}" if column.unit else ""
    return {"type": [kinds[column.kind], "null"], "description": f"{column.definition}{unit}"}


def _divided_by() -> Shape:
    more = [dimension for entry in REPORTS.values() for dimension in entry.more_dimensions]
    return {
        "description": "The group of a row: a column for each dimension that by names; null: not known.",
        "type": "object",
        "properties": {each.label: _dimension(each) for each in (*DIMENSIONS.values(), *more)},
    }


def _measures(entry: Entry) -> Shape:
    columns = {name: shape for measure in entry.measures for name, shape in measure_columns(measure).items()}
    columns |= {column.name: _column(column) for column in entry.columns}
    shape: Shape = {"description": f"The measures of report {entry.name}.", "type": "object", "properties": columns}
    # A report with a dimension of its own answers fewer columns when it is divided by it.
    return shape if entry.more_dimensions else shape | {"required": list(columns)}


def _dimension(dimension: Dimension) -> Shape:
    kind = "string" if dimension.is_text else "number"
    unit = f", {dimension.unit}" if dimension.unit else ""
    return {"type": [kind, "null"], "description": f"{dimension.definition}{unit}"}


def measure_columns(measure: Measure) -> dict[str, Shape]:
    """Columns of a measure, the limits of its interval behind it."""
    standard = f" ({measure.standard})" if measure.standard else ""
    unit = "" if measure.unit in (COUNT, PARTS) else f"; {measure.unit}"
    texts = (
        f"{measure.definition}{unit}{standard}",
        f"lower limit of the {INTERVAL} of {measure.name}",
        f"upper limit of the {INTERVAL} of {measure.name}",
        *RESTS_ON,
    )
    shape = _value(measure)
    limit = shape | {"type": ["number", "null"]}
    shapes = (shape, limit, limit, {"type": ["number", "null"], "minimum": 1}, {"type": "integer", "minimum": 0})
    columns = zip(measure.columns, texts, shapes, strict=False)
    return {name: of | {"description": text} for name, text, of in columns}


def _value(measure: Measure) -> Shape:
    kind = "integer" if measure.unit in (COUNT, PARTS) else "number"
    bounds = {"minimum": 0, "maximum": 1} if measure.unit == SHARE else {"minimum": 0}
    return {"type": [kind, "null"] if _may_be_none(measure) else kind, **bounds}


def _may_be_none(measure: Measure) -> bool:
    """Whether a measure has no value over nothing, or over attempts that lack what it needs."""
    nothing: defaultdict[str, int] = defaultdict(int)
    lacking: defaultdict[str, int] = defaultdict(lambda: 1)
    return measure.make(nothing) is None or measure.make(lacking) is None


def _window_shown() -> Shape:
    day = {"type": "string", "format": "date", "examples": ["2026-03-02"]}
    properties = {
        "from": day | {"description": "first production day"},
        "to": day | {"description": "last production day"},
    }
    return {
        "description": "The window of a report, both days within.",
        "type": "object",
        "properties": properties,
        "required": list(properties),
    }


def _as_of() -> Shape:
    whole = {"type": "integer", "minimum": 0}
    properties: dict[str, Shape] = {
        "position": whole | {"description": "place in the ledger of the last event that is counted", "examples": [417]},
        "at": {
            "type": ["string", "null"],
            "format": "date-time",
            "description": "when it was counted; null before the first",
            "examples": ["2026-03-08T22:00:00Z"],
        },
        "waiting": whole | {"description": "events in the ledger that are not yet counted", "examples": [0]},
        "set_aside": whole | {"description": "events that could not be counted", "examples": [0]},
    }
    return {
        "description": "Up to where the ledger is counted in an answer.",
        "type": "object",
        "properties": properties,
        "required": list(properties),
    }
