"""Holds: what is not to be cut, or not to leave, until somebody lifts it; folded from the ledger whenever asked.

Of the events of one hold, in fold order: a placing holds what it names, the last one as a whole; a lifting ends it; a
placing after that holds again. What was started while it held is a cut on held steel, by a held recipe, and so on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from sqlalchemy import ColumnElement, and_, or_, select

from worker.acts import Act, acts
from worker.events import HOLD, HOLD_FIELDS, LIFTED, PLACED
from worker.naming import name_key, recipe_label
from worker.reports.reading import Reader, instant
from worker.sentences import Sentence, sentence
from worker.tables import LIVE

OPEN: Final = "open"
LIFTED_STATE: Final = "lifted"
STATES: Final = (OPEN, LIFTED_STATE)
#: What a hold is on, by the field that names it.
ON: Final[Mapping[str, str]] = {name: "heat" if name == "heat_number" else name for name in HOLD_FIELDS}
#: Remnants of remnants that are followed, and cuts that are told of one hold.
MOST_GENERATIONS: Final = 50
MOST_CUTS: Final = 200
_MOST_NAMED: Final = 5


@dataclass(frozen=True)
class Span:
    """From when to when it held; `until_us` None: it still does."""

    since_us: int
    until_us: int | None = None


@dataclass(frozen=True)
class Hold:
    """A hold as it stands. `told`: the data of its last placing; `spans`: when it held, in order, apart."""

    hold: str
    told: Mapping[str, Any]
    source: str
    position: int
    spans: tuple[Span, ...]
    lifted: Mapping[str, Any] | None = None
    lifted_by: str | None = None

    @property
    def on(self) -> str:
        """What it is on: heat, plate, recipe, machine, job or attempts."""
        return next(ON[name] for name in HOLD_FIELDS if self.told.get(name) not in (None, []))

    @property
    def state(self) -> str:
        """Open or lifted."""
        return OPEN if self.spans[-1].until_us is None else LIFTED_STATE

    @property
    def may_lift(self) -> str:
        """Role that may lift it."""
        return str(self.told.get("may_lift") or "engineer")


@dataclass(frozen=True)
class Cutting:
    """What is about to be cut, or was: `plates` with the ancestors of the plate; names as they were written."""

    plates: Sequence[str] = ()
    mill: str | None = None
    heat_number: str | None = None
    machine: str | None = None
    job: str | None = None
    recipe: Mapping[str, Any] = field(default_factory=dict)
    attempt: str | None = None


def folded(told: Iterable[Act]) -> dict[str, Hold]:
    """Holds by their id, from their events in fold order; what is lifted before it was placed is no hold."""
    found: dict[str, Hold] = {}
    for event, _, position in told:
        hold = found.get(event.subject)
        if event.type == PLACED:
            spans = () if hold is None else hold.spans
            if not spans or spans[-1].until_us is not None:
                spans = (*spans, Span(event.time_us))
            found[event.subject] = Hold(event.subject, event.data, event.source, position, spans)
        elif event.type == LIFTED and hold is not None and hold.spans[-1].until_us is None:
            spans = (*hold.spans[:-1], replace(hold.spans[-1], until_us=event.time_us))
            found[event.subject] = replace(hold, spans=spans, lifted=event.data, lifted_by=event.source)
    return found


def holds(reader: Reader, *, state: str | None = None, with_owed: bool = True) -> list[Hold]:
    """All holds of the site by id, or those in a state; `with_owed`: what is not counted yet is among them."""
    told = acts(reader.connection, reader.site, HOLD, upto=reader.as_of.position, with_owed=with_owed)
    return [hold for _, hold in sorted(folded(told).items()) if state in (None, hold.state)]


def hold_named(reader: Reader, name: str) -> Hold | None:
    """One hold, or None."""
    told = acts(reader.connection, reader.site, HOLD, upto=reader.as_of.position, subject=name, with_owed=True)
    return folded(told).get(name)


def holding(reader: Reader, cutting: Cutting) -> list[Hold]:
    """Open holds on what is about to be cut, by id. A held plate holds its remnants, a held heat all its plates."""
    return [hold for hold in holds(reader, state=OPEN) if is_on(reader, hold, cutting)]


def is_on(reader: Reader, hold: Hold, cutting: Cutting) -> bool:
    """True when a hold is on what is cut."""
    told: Any = hold.told
    is_held = False
    match hold.on:
        case "heat":
            is_mill = told.get("mill") is None or name_key(told["mill"]) == name_key(cutting.mill or "")
            is_held = cutting.heat_number == told["heat_number"] and is_mill
        case "plate":
            is_held = told["plate"] in cutting.plates
        case "machine":
            is_held = cutting.machine is not None and _key(reader, "machine", told["machine"], cutting.machine)
        case "job":
            is_held = cutting.job == told["job"]
        case "recipe":
            is_held = _is_recipe(reader, told["recipe"], cutting.recipe)
        case "attempts":
            is_held = cutting.attempt in told["attempts"]
    return is_held


def _key(reader: Reader, kind: str, one: str, other: str) -> bool:
    settings = reader.calendar.latest
    return bool(settings.key_of(kind, one) == settings.key_of(kind, other))


def _is_recipe(reader: Reader, held: Mapping[str, Any], used: Mapping[str, Any]) -> bool:
    if used.get("name") is None or not _key(reader, "recipe", held["name"], used["name"]):
        return False
    revision = held.get("revision")
    return revision is None or name_key(revision) == name_key(used.get("revision") or "")


def with_ancestors(reader: Reader, plate: str) -> list[str]:
    """A plate and the plates that it is a remnant of, as far as they are known; a ring ends."""
    p = LIVE.plates.c
    found, name = [plate], plate
    while len(found) < MOST_GENERATIONS:
        parent = reader.connection.execute(select(p.parent).where(p.site == reader.site, p.plate == name)).scalar()
        if parent is None or parent in found:
            break
        found.append(parent)
        name = parent
    return found


def with_remnants(reader: Reader, plate: str) -> list[str]:
    """A plate and its remnants, theirs too."""
    p = LIVE.plates.c
    found, newest = [plate], [plate]
    for _ in range(MOST_GENERATIONS):
        children = select(p.plate).where(p.site == reader.site, p.parent.in_(newest)).order_by(p.plate)
        newest = [name for name in reader.connection.execute(children).scalars() if name not in found]
        if not newest:
            break
        found += newest
    return found


# --- what was cut all the same ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class HeldCut:
    """An attempt that was started while it was held."""

    attempt: str
    hold: Hold
    started_us: int
    machine: str | None
    plate: str | None
    job: str | None


def cuts_on(reader: Reader, hold: Hold) -> Iterator[HeldCut]:
    """Attempts that were started on, by or for what was held while it was, in the order of their start; so many."""
    a = LIVE.attempts.c
    which = _which(reader, hold)
    if which is None:
        return
    held = or_(
        *(
            and_(a.started_us >= span.since_us, *(() if span.until_us is None else (a.started_us < span.until_us,)))
            for span in hold.spans
        )
    )
    query = select(a.attempt, a.started_us, a.machine_name, a.plate, a.job).where(a.site == reader.site, which, held)
    for row in reader.connection.execute(query.order_by(a.started_us, a.attempt).limit(MOST_CUTS)):
        yield HeldCut(row.attempt, hold, row.started_us, row.machine_name, row.plate, row.job)


def _which(reader: Reader, hold: Hold) -> ColumnElement[bool] | None:
    """Condition under which an attempt is on what is held; None where nothing can be cut on it: parts are held."""
    a: Any = LIVE.attempts.c
    told, settings = hold.told, reader.calendar.latest
    which: ColumnElement[bool] | None = None
    match hold.on:
        case "heat":
            which = _of_heat(reader, told)
        case "plate":
            which = a.plate.in_(with_remnants(reader, told["plate"]))
        case "machine":
            which = a.machine == settings.key_of("machine", told["machine"])
        case "job":
            which = a.job == told["job"]
        case "recipe":
            name, revision = told["recipe"]["name"], told["recipe"].get("revision")
            key = settings.recipe_key(name, revision)
            # All revisions: what begins with its name, a slash and spaces around it.
            revisions = and_(a.recipe >= f"{key} / ", a.recipe < f"{key} /!")
            which = a.recipe == key if revision is not None else or_(a.recipe == key, revisions)
    return which


def _of_heat(reader: Reader, told: Mapping[str, Any]) -> ColumnElement[bool]:
    a = LIVE.attempts.c
    of_heat: ColumnElement[bool] = a.heat_number == told["heat_number"]
    if told.get("mill") is None:
        return of_heat
    p = LIVE.plates.c
    mills = select(p.mill).where(p.site == reader.site, p.heat_number == told["heat_number"]).distinct()
    key = name_key(told["mill"])
    same = [mill for mill in reader.connection.execute(mills).scalars() if name_key(mill or "") == key]
    return and_(of_heat, a.mill.in_(same))


# --- in words ---------------------------------------------------------------------------------------------------

_MAY_LIFT: Final = {"engineer": sentence("an engineer may lift it"), "admin": sentence("an admin may lift it")}


def said(hold: Hold) -> Sentence:
    """What is held, and why."""
    return sentence(
        "%(what)s is held: %(reason)s (%(hold)s; %(lift)s)",
        what=named(hold), reason=hold.told["reason"], hold=hold.hold, lift=_MAY_LIFT[hold.may_lift],
    )  # fmt: skip


def named(hold: Hold) -> Sentence:
    """What it is on, by name."""
    told: Any = hold.told
    name = told.get(next(name for name, on in ON.items() if on == hold.on))
    match hold.on:
        case "heat" if told.get("mill"):
            return sentence("heat %(heat)s of %(mill)s", heat=name, mill=told["mill"])
        case "heat":
            return sentence("heat %(heat)s", heat=name)
        case "plate":
            return sentence("plate %(plate)s with its remnants", plate=name)
        case "machine":
            return sentence("machine %(machine)s", machine=name)
        case "job":
            return sentence("job %(job)s", job=name)
        case "recipe":
            return sentence("recipe %(recipe)s", recipe=recipe_label(name["name"], name.get("revision")))
        case _:
            return sentence("what was made by attempt %(attempts)s", attempts=", ".join(name[:_MOST_NAMED]))


# --- as plain values --------------------------------------------------------------------------------------------


def shown(hold: Hold) -> dict[str, Any]:
    """A hold as it is told: what it is on, since when, why, who may lift it, and what became of it."""
    told, last = hold.told, hold.spans[-1]
    lifted = hold.lifted if hold.state == LIFTED_STATE else None
    return {
        "id": hold.hold,
        "state": hold.state,
        "on": hold.on,
        **{name: told.get(name) for name in ("mill", *HOLD_FIELDS)},
        "reason": told["reason"],
        "may_lift": hold.may_lift,
        "finding": told.get("finding"),
        "placed_at": instant(last.since_us),
        "source": hold.source,
        "position": hold.position,
        "lifted_at": None if last.until_us is None else instant(last.until_us),
        "lifted_source": hold.lifted_by if lifted else None,
        "lifted_reason": lifted and lifted["reason"],
        "disposition": lifted and lifted.get("disposition"),
        "times_placed": len(hold.spans),
    }
