"""What a report is asked: window, division, filters, confidence; read strictly from a request's parameters. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from difflib import get_close_matches
from typing import Any, Final

from worker.reports.dimensions import (
    ASKED_UNKNOWN,
    DIMENSIONS,
    Dimension,
    ValueUnreadable,
    read_thickness_in,
)
from worker.reports.options import AnyOption, OptionUnreadable
from worker.sentences import Sentence, figure, sentence
from worker.shopcalendar import monday_of
from worker.sites import Settings

DEFAULT_LAST: Final = "8w"
DEFAULT_CONFIDENCE: Final = 0.95
LONGEST_WINDOW_DAYS: Final = 3_700
MOST_DIMENSIONS: Final = 6
MOST_VALUES: Final = 200
WINDOW_PARAMETERS: Final = ("from", "to", "week", "month", "day", "last")
OTHER_PARAMETERS: Final = ("by", "confidence")
#: Parameters that choose which figures answer; who reads them takes them out of a question.
STANDING_PARAMETERS: Final = ("at", "published")
_LAST = re.compile(r"(?P<count>[1-9][0-9]{0,3})(?P<unit>[dwm])", re.ASCII)
_WEEK = re.compile(r"[0-9]{4}-W[0-9]{2}", re.ASCII)
_MONTH = re.compile(r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})", re.ASCII)
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)


@dataclass(frozen=True)
class Wrong:
    """A parameter that cannot be answered, and what would do."""

    parameter: str
    detail: str


class QuestionUnanswerable(ValueError):
    """Parameters that are unknown, unreadable or contradict each other."""

    def __init__(self, wrong: Sequence[Wrong]) -> None:
        super().__init__("; ".join(f"{one.parameter} {one.detail}" for one in wrong))
        self.wrong = list(wrong)


@dataclass(frozen=True)
class Askable:
    """What a report can be asked beside what all can.

    more: dimensions of its own. options: what else it can be told. by: what divides it when nothing is asked; nothing:
    it is not divided. last: its window when none is asked for. purposes: those it counts when none is asked for;
    nothing: all. of_targets: its confidence is the site's target when none is asked for.
    """

    more: tuple[Dimension, ...] = ()
    options: tuple[AnyOption, ...] = ()
    by: tuple[str, ...] = ("thickness",)
    last: str = DEFAULT_LAST
    purposes: tuple[str, ...] = ("production",)
    of_targets: bool = False


#: What can be asked of a report that has nothing of its own.
_PLAIN: Final = Askable()


@dataclass(frozen=True)
class LeftOut:
    """Groups of attempts that an answer leaves out, by the stored values of these dimensions."""

    dimensions: tuple[Dimension, ...]
    groups: frozenset[tuple[Any, ...]]


@dataclass(frozen=True)
class Question:
    """A question to a report. `filters`: by dimension the stored values asked for, None meaning not known."""

    first_day: date
    last_day: date
    by: tuple[Dimension, ...]
    filters: Mapping[str, tuple[Any, ...]]
    asked: Mapping[str, tuple[str, ...]]
    confidence: float
    options: Mapping[str, Any] = field(default_factory=dict)
    without_days: frozenset[date] = frozenset()
    left_out: tuple[LeftOut, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """All that it asks, as texts: equal for equal questions, in every process."""
        by = [dimension.name for dimension in self.by]
        filters = sorted((name, repr(values)) for name, values in self.filters.items())
        asked = sorted((name, repr(values)) for name, values in self.asked.items())
        options = sorted(self.options.items())
        parts = (self.first_day, self.last_day, by, filters, asked, self.confidence, options)
        return tuple(str(part) for part in parts)

    @property
    def needs_attempts(self) -> bool:
        """True when tallies cannot answer it."""
        return any(dimension.of_attempts for dimension in self.dimensions)

    @property
    def dimensions(self) -> tuple[Dimension, ...]:
        """All dimensions that attempts must carry to answer it."""
        left_out = (dimension for groups in self.left_out for dimension in groups.dimensions)
        return (*self.by, *(DIMENSIONS[name] for name in self.filters), *left_out)


def filter_names() -> dict[str, Dimension]:
    """Parameter name of each filter -> its dimension."""
    filters = {dimension.label: dimension for dimension in DIMENSIONS.values() if not dimension.is_window}
    return filters | {"thickness_in": DIMENSIONS["thickness"]}


def read_question(
    parameters: Mapping[str, Sequence[str]],
    *,
    today: date,
    settings: Settings,
    askable: Askable = _PLAIN,
) -> Question:
    """Question of a request's parameters, each name with all its values; raises QuestionUnanswerable with every fault.

    today: the site's running production day. settings: those that hold, whose aliases the names go through. askable:
    what this report can be asked.
    """
    wrong: list[Wrong] = []
    targets = settings.values["targets"] or {}
    _refuse_unknown(parameters, askable.options, wrong, is_divided=bool(askable.by))
    dimensions = {**DIMENSIONS, **{dimension.name: dimension for dimension in askable.more}}
    found_by = _by(parameters, dimensions, askable.by, wrong)
    first_day, last_day = _window(parameters, today, askable.last, wrong)
    filters, asked = _filters(parameters, settings, wrong)
    if "purpose" not in filters and DIMENSIONS["purpose"] not in found_by and askable.purposes:
        filters["purpose"] = askable.purposes
        asked["purpose"] = askable.purposes
    if "all" in filters.get("purpose", ()):
        del filters["purpose"]
    usual = (targets.get("confidence") if askable.of_targets else None) or DEFAULT_CONFIDENCE
    confidence = _confidence(parameters, usual, wrong)
    told = {option.name: _told(parameters, option, targets, wrong) for option in askable.options}
    if wrong:
        raise QuestionUnanswerable(wrong)
    return Question(first_day, last_day, found_by, filters, asked, confidence, told)


def _told(
    parameters: Mapping[str, Sequence[str]], option: AnyOption, targets: Mapping[str, Any], wrong: list[Wrong]
) -> Any:
    text = _single(parameters, option.name, wrong)
    if text is None:
        return option.usual(targets)
    try:
        return option.read(text)
    except OptionUnreadable as unreadable:
        wrong.append(Wrong(option.name, _not_found(unreadable.what, text)))
        return None


def _refuse_unknown(
    parameters: Mapping[str, Sequence[str]], options: Sequence[AnyOption], wrong: list[Wrong], *, is_divided: bool
) -> None:
    others = OTHER_PARAMETERS if is_divided else tuple(name for name in OTHER_PARAMETERS if name != "by")
    known = (*WINDOW_PARAMETERS, *others, *(option.name for option in options), *filter_names())
    for name in parameters:
        if name not in known:
            near = get_close_matches(name, (*known, *STANDING_PARAMETERS), n=1)
            hint = _meant(near, (*known, *STANDING_PARAMETERS))
            wrong.append(Wrong(name, sentence("is no parameter of this report; %(hint)s", hint=hint)))


def _single(parameters: Mapping[str, Sequence[str]], name: str, wrong: list[Wrong]) -> str | None:
    values = parameters.get(name, ())
    if len(values) > 1:
        wrong.append(Wrong(name, given_often(len(values))))
    return values[0] if values else None


def _by(
    parameters: Mapping[str, Sequence[str]],
    dimensions: Mapping[str, Dimension],
    usual: Sequence[str],
    wrong: list[Wrong],
) -> tuple[Dimension, ...]:
    if "by" not in parameters:
        return tuple(dimensions[name] for name in usual)
    labels = {dimension.label: dimension for dimension in dimensions.values()}
    found: dict[str, Dimension] = {}
    for name in (part.strip() for value in parameters["by"] for part in value.split(",")):
        if not name:
            continue
        dimension = dimensions.get(name) or labels.get(name)
        if dimension is None:
            near = get_close_matches(name, dimensions, n=1)
            hint = _meant(near, tuple(dimensions))
            what = sentence("%(name)s is no dimension of this report; %(hint)s", name=repr(name[:60]), hint=hint)
            wrong.append(Wrong("by", what))
        else:
            found[dimension.name] = dimension
    if len(found) > MOST_DIMENSIONS:
        what = sentence("has %(count)s dimensions; ask for at most %(most)s", count=len(found), most=MOST_DIMENSIONS)
        wrong.append(Wrong("by", what))
    return tuple(found.values())


def _window(parameters: Mapping[str, Sequence[str]], today: date, usual: str, wrong: list[Wrong]) -> tuple[date, date]:
    given = {name: _single(parameters, name, wrong) for name in WINDOW_PARAMETERS if name in parameters}
    forms = {"from/to" if name in ("from", "to") else name for name in given}
    if len(forms) > 1:
        what = sentence("contradicts the others: give one of %(forms)s", forms=", ".join(sorted(forms)))
        wrong.append(Wrong(sorted(given)[0], what))
        return today, today
    readers = {"week": _week, "month": _month, "day": _one_day, "last": _last}
    name = next(iter(forms), "last")
    if name == "from/to":
        return _from_to(given, today, wrong)
    window = readers[name](given.get(name) or (usual if name not in given else ""), today)
    if isinstance(window, str):
        wrong.append(Wrong(name, window))
        return today, today
    return window


def _from_to(given: Mapping[str, str | None], today: date, wrong: list[Wrong]) -> tuple[date, date]:
    days: dict[str, date] = {}
    for name, text in given.items():
        day = read_day(text or "")
        if day is None:
            wrong.append(Wrong(name, no_day(text or "")))
        else:
            days[name] = day
    if "from" not in given:
        what = sentence("is missing; a window has a first day, and a last day unless it ends today")
        wrong.append(Wrong("from", what))
    first, last = days.get("from", today), days.get("to", today)
    if not wrong and first > last:
        what = sentence("is before from: %(last)s < %(first)s; the window holds both days", last=last, first=first)
        wrong.append(Wrong("to", what))
    if (last - first).days >= LONGEST_WINDOW_DAYS:
        what = sentence(
            "begins a window of %(days)s days; ask for at most %(most)s",
            days=(last - first).days + 1,
            most=LONGEST_WINDOW_DAYS,
        )
        wrong.append(Wrong("from", what))
    return first, last


def read_day(text: str) -> date | None:
    """The day that a text such as "2026-03-02" is; None for any other."""
    try:
        return date.fromisoformat(text) if _DAY.fullmatch(text) else None
    except ValueError:
        return None


def given_often(times: int) -> Sentence:
    """What is wrong with a parameter that is given more than once."""
    return sentence("is given %(times)s times; give it once", times=times)


def no_day(text: str) -> Sentence:
    """What is wrong with a text where a production day is asked for."""
    return sentence("must be a production day such as 2026-03-02, found %(found)s", found=repr(text[:60]))


def _not_found(must: Sentence, text: str) -> Sentence:
    return sentence("%(must)s, found %(found)s", must=must, found=repr(text[:60]))


def _meant(near: Sequence[str], known: Sequence[str]) -> Sentence:
    """What was probably asked for, else all that could be."""
    if near:
        return sentence("did you mean %(name)s?", name=near[0])
    return sentence("known are %(names)s", names=", ".join(known))


def _week(text: str, _today: date) -> tuple[date, date] | str:
    try:
        first = monday_of(text) if _WEEK.fullmatch(text) else None
        last = None if first is None else first + timedelta(days=6)
    except (ValueError, OverflowError):
        return sentence("%(week)s does not exist: its year has no such week", week=text)
    if first is None or last is None:
        return sentence("must be an ISO week such as 2026-W10, found %(found)s", found=repr(text[:60]))
    return first, last


def _month(text: str, _today: date) -> tuple[date, date] | str:
    match = _MONTH.fullmatch(text)
    if match is None or not 1 <= int(match["month"]) <= 12 or not int(match["year"]):
        return sentence("must be a month such as 2026-03, found %(found)s", found=repr(text[:60]))
    first = date(int(match["year"]), int(match["month"]), 1)
    if first.year == date.max.year:
        return sentence("must be a month such as 2026-03, found %(found)s", found=repr(text[:60]))
    return first, _month_later(first, 1) - timedelta(days=1)


def _month_later(first: date, months: int) -> date:
    years, month = divmod(first.month - 1 + months, 12)
    return date(first.year + years, month + 1, 1)


def _one_day(text: str, _today: date) -> tuple[date, date] | str:
    day = read_day(text)
    return (day, day) if day is not None else no_day(text)


def _last(text: str, today: date) -> tuple[date, date] | str:
    """The running day, week or month, to its end, and those before it."""
    match = _LAST.fullmatch(text)
    if match is None:
        return sentence(
            "must be a number of days, weeks or months such as 30d, 8w or 3m, found %(found)s", found=repr(text[:60])
        )
    count, unit = int(match["count"]), match["unit"]
    if count * {"d": 1, "w": 7, "m": 31}[unit] > LONGEST_WINDOW_DAYS:
        return sentence("is longer than %(most)s days", most=LONGEST_WINDOW_DAYS)
    if unit == "d":
        return today - timedelta(days=count - 1), today
    if unit == "w":
        monday = today - timedelta(days=today.weekday())
        return monday - timedelta(days=7 * (count - 1)), monday + timedelta(days=6)
    this_month = today.replace(day=1)
    return _month_later(this_month, 1 - count), _month_later(this_month, 1) - timedelta(days=1)


def _filters(
    parameters: Mapping[str, Sequence[str]], settings: Settings, wrong: list[Wrong]
) -> tuple[dict[str, tuple[Any, ...]], dict[str, tuple[str, ...]]]:
    filters: dict[str, tuple[Any, ...]] = {}
    asked: dict[str, tuple[str, ...]] = {}
    for name, dimension in filter_names().items():
        values = parameters.get(name, ())
        if not values:
            continue
        if len(values) > MOST_VALUES:
            what = sentence("has %(count)s values; ask for at most %(most)s", count=len(values), most=MOST_VALUES)
            wrong.append(Wrong(name, what))
            continue
        stored = [_stored(dimension, name, value, wrong) for value in values]
        if dimension.named:
            stored += [settings.key_of(dimension.name, value) for value in values if value != ASKED_UNKNOWN]
        filters[dimension.name] = (*filters.get(dimension.name, ()), *stored)
        asked[name] = tuple(values)
    return filters, asked


def _stored(dimension: Dimension, name: str, value: str, wrong: list[Wrong]) -> Any:
    if value == ASKED_UNKNOWN:
        return None
    try:
        return read_thickness_in(value) if name == "thickness_in" else dimension.read(value)
    except ValueUnreadable as unreadable:
        wrong.append(Wrong(name, _not_found(unreadable.what, value)))
        return None


def _confidence(parameters: Mapping[str, Sequence[str]], usual: float, wrong: list[Wrong]) -> float:
    text = _single(parameters, "confidence", wrong)
    if text is None:
        return usual
    if re.fullmatch(r"0?\.[0-9]{1,6}", text, re.ASCII) and 0.5 <= float(text) <= 0.9999:
        return float(text)
    must = sentence("must be from %(low)s to %(high)s", low=figure(0.5, "g"), high=figure(0.9999, "g"))
    wrong.append(Wrong("confidence", _not_found(must, text)))
    return usual
