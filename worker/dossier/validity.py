"""Until when what was proven holds, and what ends it: its age, newer settings, a fallen standing, a withdrawal.

It holds for the 26 weeks after the production day of the trial that decided it, as what may be promised does; what ends
it for good ends it on its day. An open hold on the machine or on a recipe of its trials suspends it while it lasts. A
late event that opens its series again takes it away altogether: what has not passed has no dossier.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, Final

from worker.acts import acts
from worker.dossier.cuts import Cut, key_of
from worker.events import RECIPE, RELEASED
from worker.holds import OPEN, Cutting, Hold, holds, is_on, said
from worker.naming import recipe_label
from worker.proof_standing import Trial
from worker.reports.holding import BELOW, FELL_BACK
from worker.reports.reading import Group, Reader
from worker.reports.released import Place, place_of
from worker.reports.standings import WINDOW_DAYS, Standing, standing_question, standings
from worker.sentences import Sentence, joined, sentence

VALID: Final = "valid"
HELD: Final = "held"
ENDED: Final = "ended"
STATES: Final = (VALID, HELD, ENDED)

NEW_REVISION: Final = "new_revision"
FALLEN: Final = "fell_back"
WITHDRAWN: Final = "withdrawn"
AGE: Final = "age"
REOPENED: Final = "reopened"
ENDS: Final = (NEW_REVISION, FALLEN, WITHDRAWN, AGE, HELD, REOPENED)

_RULES: Final[Mapping[str, Sentence]] = {
    NEW_REVISION: sentence(
        "a newer revision of its recipe: the first production cut of one, of this thickness and material on this "
        "machine with this gas"
    ),
    FALLEN: sentence(
        "the standing: when report standing says of where its trials were cut that it fell back, or is ruled out"
    ),
    WITHDRAWN: sentence(
        "a withdrawal: when the released recipe of its trials is withdrawn, or another takes its place"
    ),
    AGE: sentence("age: 26 weeks after the production day of the trial that decided it"),
    HELD: sentence("a hold on the machine or on the recipe: it suspends the proof until it is lifted"),
    REOPENED: sentence("a late event: when one opens its series again, or its plan is voided, nothing is proven"),
}


@dataclass(frozen=True)
class End:
    """Something that ends a proof, or suspends it. `day`: production day on which it ended; None: it has not.

    `detail`: what happened.
    """

    what: str
    rule: Sentence
    day: date | None = None
    detail: Sentence | None = None


@dataclass(frozen=True)
class Validity:
    """Whether a proof holds today. `until`: last production day on which it does, if nothing else ends it.

    `end`: what ended it first; None while nothing has.
    """

    state: str
    until: date
    detail: Sentence
    end: End | None
    ends: Sequence[End]
    holds: Sequence[Hold]


def validity(reader: Reader, decided: Trial, cuts: Sequence[Cut], *, machine: str, today: date) -> Validity:
    """Whether what these cuts proved holds at the end of a production day; machine: as the plan names it."""
    decided_day = date.fromisoformat(decided.day)
    until = decided_day + timedelta(days=WINDOW_DAYS - 1)
    last = max(decided_day, min(today, until))
    here = _standings(reader, cuts, last)
    held = _holds(reader, cuts, machine)
    happened = [
        _superseded(here, cuts, decided_day, last),
        _fallen(here, decided_day),
        _withdrawn(reader, cuts, decided.started_us),
        _aged(decided_day, until, today),
    ]
    ends = {end.what: end for end in happened if end is not None and end.day is not None and end.day <= today}
    told = ends | ({HELD: End(HELD, _RULES[HELD], detail=joined("; ", map(said, held)))} if held else {})
    # On one day what tells more than age comes first
    end = min(ends.values(), key=lambda each: (each.day, ENDS.index(each.what)), default=None)
    state = ENDED if end is not None else HELD if held else VALID
    return Validity(
        state=state,
        until=until,
        detail=_said(state, until, end, held),
        end=end,
        ends=[told.get(what, End(what, _RULES[what])) for what in ENDS],
        holds=held,
    )


def _said(state: str, until: date, end: End | None, held: Sequence[Hold]) -> Sentence:
    if end is not None and end.day is not None:
        return sentence("ended on %(day)s: %(why)s", day=end.day.isoformat(), why=end.detail)
    through = sentence("it holds until %(day)s, unless something ends it sooner", day=until.isoformat())
    if state == HELD:
        return sentence("held: %(holds)s; %(until)s", holds=joined("; ", map(said, held)), until=through)
    return sentence("valid: %(until)s", until=through)


def _aged(decided_day: date, until: date, today: date) -> End | None:
    if today <= until:
        return None
    detail = sentence("the trial that decided it was cut on %(day)s, 26 weeks before", day=decided_day.isoformat())
    return End(AGE, _RULES[AGE], until + timedelta(days=1), detail)


# --- standing and revisions -------------------------------------------------------------------------------------


def _standings(reader: Reader, cuts: Sequence[Cut], last: date) -> list[Standing]:
    """Where what the trials were cut as stands, over the 26 weeks up to a day."""
    cells = {cut.cell for cut in cuts}
    names = ("thickness", "material", "machine")
    only = {name: tuple(sorted({cell[place] for cell in cells})) for place, name in enumerate(names)}
    asked = standing_question(reader, last)
    found = standings(reader, replace(asked, filters={**asked.filters, **only}))
    return [one for one in found.standings if one.cell in cells]


def _fallen(here: Sequence[Standing], decided_day: date) -> End | None:
    days = [
        change.day
        for one in here
        for change in one.changes
        if change.why in (FELL_BACK, BELOW) and change.day >= decided_day.toordinal()
    ]
    if not days:
        return None
    return End(FALLEN, _RULES[FALLEN], date.fromordinal(min(days)), sentence("its standing fell"))


def _superseded(here: Sequence[Standing], cuts: Sequence[Cut], decided_day: date, last: date) -> End | None:
    """The first day since the decision on which newer revisions take the place of all that were cut somewhere."""
    spans = {one.cell: one.rivals.superseded for one in here}
    by_place: dict[tuple[Any, ...], set[Group]] = defaultdict(set)
    for cut in cuts:
        if cut.recipe is not None:
            by_place[(*cut.cell[:4], cut.recipe.partition(" / ")[0])].add(cut.cell)
    days = [
        day
        for cells in by_place.values()
        if (day := first_of_all([spans.get(cell, ()) for cell in cells], decided_day.toordinal())) is not None
    ]
    if not days or min(days) > last.toordinal():
        return None
    return End(NEW_REVISION, _RULES[NEW_REVISION], date.fromordinal(min(days)), sentence("a newer revision was cut"))


def first_of_all(spans: Sequence[Sequence[tuple[int, int]]], since: int) -> int | None:
    """The first day from `since` on that lies in a span of each, as ordinals; both ends of a span lie in it."""
    begins = {max(first, since) for some in spans for first, until in some if until >= since}
    return next((day for day in sorted(begins) if all(_within(some, day) for some in spans)), None)


def _within(spans: Sequence[tuple[int, int]], day: int) -> bool:
    return any(first <= day <= until for first, until in spans)


# --- what people did --------------------------------------------------------------------------------------------


def _withdrawn(reader: Reader, cuts: Sequence[Cut], since_us: int) -> End | None:
    """The first place since the decision where the recipe of its trials was released, and is no more."""
    settings = reader.calendar.latest
    gone: dict[Place, tuple[int, Sentence]] = {}
    mine: dict[Place, bool] = {}
    for event, _, _ in acts(reader.connection, reader.site, RECIPE, upto=reader.as_of.position, with_owed=True):
        place = place_of(settings, event.data)
        is_released = event.type == RELEASED
        recipe = event.data["recipe"] if is_released else None
        is_mine = recipe is not None and any(_is_at(reader, cut, place, recipe) for cut in cuts)
        if is_mine:
            gone.pop(place, None)
        elif mine.get(place):
            gone[place] = (event.time_us, _gone(recipe))
        mine[place] = is_mine
    since = [each for each in gone.values() if each[0] > since_us]
    if not since:
        return None
    time_us, detail = min(since, key=lambda each: each[0])
    return End(WITHDRAWN, _RULES[WITHDRAWN], reader.calendar.place(time_us).day, detail)


def _gone(instead: Mapping[str, Any] | None) -> Sentence:
    if instead is None:
        return sentence("the recipe of its trials was withdrawn")
    return sentence(
        "recipe %(recipe)s was released instead of that of its trials",
        recipe=recipe_label(instead["name"], instead["revision"]),
    )


def _is_at(reader: Reader, cut: Cut, place: Place, recipe: Mapping[str, Any]) -> bool:
    thickness, material, machine, *_ = cut.cell
    group = None if material is None else reader.calendar.latest.group("material", material)
    return (
        (machine, group, thickness, cut.gas) == place[:4]
        and place.surface_group in (None, cut.surface_group)
        and key_of(reader, recipe) == cut.recipe
    )


def _holds(reader: Reader, cuts: Sequence[Cut], machine: str) -> list[Hold]:
    """Open holds on the machine, or on a recipe that a trial was cut with."""
    used = {cut.recipe: cut.used for cut in cuts if cut.recipe is not None}
    cuttings = [Cutting(machine=machine), *(Cutting(recipe=recipe) for recipe in used.values())]
    return [hold for hold in holds(reader, state=OPEN) if any(is_on(reader, hold, each) for each in cuttings)]
