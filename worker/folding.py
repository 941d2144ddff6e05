"""Events of one attempt -> what became of its parts. Pure; steps 1 to 7 of the fold, in their order.

What an attempt shares with others (its number, its plate's condition, its job's part) is added by `worker.placing`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from worker.events import CERTAINTIES, NOT_THE_PROCESS, PROCESS_STOP_REASONS, thickness_nm
from worker.losses import Entry, defect_entries, stage_not_made
from worker.records import Event
from worker.sentences import sentence

STARTED: Final = "cutledger.attempt.started"
FINISHED: Final = "cutledger.attempt.finished"
INSPECTED: Final = "cutledger.attempt.inspected"
REWORKED: Final = "cutledger.attempt.reworked"
SUSPECTED, CONFIRMED = CERTAINTIES

VERDICTS: Final = ("good", "rework", "scrap")
_DESCRIPTIVE: Final = (
    "job", "plate", "machine", "run", "piece", "retry_of", "mode", "operator", "recipe", "gas", "quantity", "purpose",
    "material", "tried", "interruptions", "blank_lost", "seconds",
)  # fmt: skip
_MICROSECONDS: Final = 1_000_000


def instant_us(text: str) -> int:
    """Microseconds since 1970 of a stored RFC 3339 instant; digits finer than a microsecond are cut."""
    if text[-1] in "zZ":
        text = text[:-1] + "+00:00"
    seconds, dot, rest = text.partition(".")
    fraction = 0
    if dot:
        digits = rest[:-6]
        seconds, fraction = seconds + rest[-6:], int(digits[:6].ljust(6, "0"))
    return int(datetime.fromisoformat(seconds).timestamp()) * _MICROSECONDS + fraction


@dataclass(frozen=True)
class Contradiction:
    """What the events of a subject say against each other, with both figures."""

    code: str
    detail: str
    figures: dict[str, Any]
    other: str = ""


@dataclass
class Cut:
    """An attempt by its own events alone. Instants in microseconds, times in milliseconds, thickness in nanometres."""

    attempt: str
    state: str
    given: dict[str, Any] = field(default_factory=dict)
    thickness_nm: int | None = None
    source: str | None = None
    started_us: int | None = None
    outcome: str | None = None
    stop_reason: str | None = None
    seconds_ms: int | None = None
    pierces: int | None = None
    failed_pierces: int | None = None
    quantity: int = 1
    tried: int = 0
    good: int = 0
    rework: int = 0
    scrap: int = 0
    not_made: int = 0
    pending: int = 0
    recovered: int = 0
    scrapped: int = 0
    released: int = 0
    hidden: int = 0
    #: Of the parts that the first verdict lost, those lost to a confirmed cause that is not the process.
    lost_otherwise: int = 0
    defects: Sequence[Entry] = ()
    not_made_defects: Sequence[Entry] = ()
    causes: dict[str, str] = field(default_factory=dict)
    inspected: Sequence[Event] = ()
    reworked: Sequence[Event] = ()
    contradictions: tuple[Contradiction, ...] = ()
    #: Names the piece within its job, without a job within its plate; None when the attempt stands alone.
    piece_key: str | None = None

    @property
    def in_rework(self) -> int:
        """Rework parts without an end."""
        return self.rework - self.recovered - self.scrapped

    @property
    def judged(self) -> int:
        """Parts with a first verdict; parts never severed have theirs."""
        return self.good + self.rework + self.scrap + self.not_made


def fold_attempt(attempt: str, events: Iterable[Event]) -> Cut:
    """What the events of an attempt (not voided, in any order) say of it."""
    by_type: dict[str, list[Event]] = {STARTED: [], FINISHED: [], INSPECTED: [], REWORKED: []}
    for event in sorted(events):
        by_type[event.type].append(event)
    started, finished, inspected, reworked = by_type.values()
    state = "finished" if finished else "open" if started else "unfinished"
    cut = Cut(attempt, state, inspected=inspected, reworked=reworked)
    if started or finished:
        _describe(cut, started, finished)
        cut.piece_key = _piece_key(cut.given)
    if finished:
        _judge(cut, finished, inspected)
        if inspected or reworked:
            _follow_rework(cut, inspected)
    return cut


def names_given(cuts: Iterable[Cut], kind: str) -> list[str]:
    """The jobs, plates or others of a kind that attempts name, in order."""
    return sorted({name for cut in cuts if (name := cut.given.get(kind)) is not None})


def _describe(cut: Cut, started: Sequence[Event], finished: Sequence[Event]) -> None:
    """Step 1: the last value given counts."""
    given = cut.given
    both = sorted((*started, *finished))
    for event in both:
        data = event.data
        for name in _DESCRIPTIVE:
            if (value := data.get(name)) is not None:
                given[name] = value
        nm = thickness_nm(data)
        cut.thickness_nm = cut.thickness_nm if nm is None else nm
    cut.source = both[-1].source
    cut.started_us = _started_us(started, finished)
    if "seconds" in given:
        cut.seconds_ms = round(given["seconds"] * 1000)
    elif started and finished and finished[-1].time_us >= started[-1].time_us:
        cut.seconds_ms = round((finished[-1].time_us - started[-1].time_us) / 1000)
    if not finished:
        return
    cut.outcome = finished[-1].data["outcome"]
    cut.stop_reason = finished[-1].data.get("stop_reason")
    for event in reversed(finished):
        pierces, failed = event.data.get("pierces"), event.data.get("failed_pierces")
        if pierces is not None or failed is not None:
            cut.pierces, cut.failed_pierces = pierces, failed
            break


def _piece_key(given: Mapping[str, Any]) -> str | None:
    """The separator is no printable character, so no two names run into one."""
    piece = given.get("piece")
    if piece is None:
        return None
    if (job := given.get("job")) is not None:
        return f"job\x1f{job}\x1f{piece}"
    return None if (plate := given.get("plate")) is None else f"plate\x1f{plate}\x1f{piece}"


def _started_us(started: Sequence[Event], finished: Sequence[Event]) -> int:
    if started:
        return started[-1].time_us
    newest_first = finished[::-1]
    for event in newest_first:
        if (stated := event.data.get("started_at")) is not None:
            return instant_us(stated)
    for event in newest_first:
        if (seconds := event.data.get("seconds")) is not None:
            return event.time_us - int(round(seconds * 1000)) * 1000
    return finished[-1].time_us


def _counts(data: dict[str, Any]) -> list[int]:
    return [data.get("good") or 0, data.get("rework") or 0, data.get("scrap") or 0]


def _gives_counts(data: dict[str, Any]) -> bool:
    return not (data.get("good") is None and data.get("rework") is None and data.get("scrap") is None)


def _judge(cut: Cut, finished: Sequence[Event], inspected: Sequence[Event]) -> None:
    """Steps 2 to 5: the first verdict of each part that was reached, and what is said to be wrong with it."""
    own_event = next((event for event in reversed(finished) if _gives_counts(event.data)), None)
    own = _counts(own_event.data) if own_event else [0, 0, 0]
    stated_tried = cut.given.get("tried")
    cut.quantity = max(cut.given.get("quantity") or 1, stated_tried or 0, sum(own))
    counted_inspections = _inspections_that_count(cut, inspected) if inspected else []
    inspections = [0, 0, 0]
    for event in counted_inspections:
        inspections = [before + more for before, more in zip(inspections, _counts(event.data), strict=True)]
    if (excess := sum(own) + sum(inspections) - cut.quantity) > 0:
        own = _operator_rest(own, inspections, excess=excess)
    cut.good, cut.rework, cut.scrap = (mine + theirs for mine, theirs in zip(own, inspections, strict=True))
    cut.tried = _tried(cut, stated_tried)
    if any(event.data.get("rest_released") for event in counted_inspections):
        cut.released = cut.tried - (cut.good + cut.rework + cut.scrap)
        cut.good += cut.released
    downstream = [event for event in inspected if event.data.get("stage") == "downstream"]
    _move_downstream(cut, downstream)
    rest = cut.tried - (cut.good + cut.rework + cut.scrap)
    cut.not_made, cut.pending = (0, rest) if cut.outcome == "severed" else (rest, 0)
    verdict_events = sorted([*([own_event] if own_event else ()), *counted_inspections, *downstream])
    cut.defects = [entry for event in verdict_events for entry in defect_entries(event.data)]
    if finished[-1] is not own_event:
        # It gives no verdict, but the outcome: of its defects those explain parts not made that stand at their stage.
        at = stage_not_made(cut.outcome)
        cut.not_made_defects = [entry for entry in defect_entries(finished[-1].data) if entry.stage == at]
    after_rework = [event for event in inspected if event.data.get("stage") == "after_rework"]
    cut.causes = _causes(finished, [*counted_inspections, *downstream, *after_rework, *cut.reworked])
    if cut.causes:
        lost = [(sum(own[1:]), own_event), (cut.not_made, finished[-1])]
        lost += [(sum(_counts(event.data)[1:]), event) for event in (*counted_inspections, *downstream)]
        otherwise = sum(parts for parts, event in lost if event is not None and _is_not_the_process(event))
        cut.lost_otherwise = min(otherwise, cut.rework + cut.scrap + cut.not_made)


def _is_not_the_process(event: Event) -> bool:
    """All causes that an event names are confirmed and none is a fault of the cut: so are the parts that it lost."""
    causes = event.data.get("causes") or ()
    return bool(causes) and all(
        cause["term"] in NOT_THE_PROCESS and cause.get("certainty") == CONFIRMED for cause in causes
    )


def _causes(finished: Sequence[Event], others: Iterable[Event]) -> dict[str, str]:
    """Certainty of each cause that the last finished that names any, and the others, name: confirmed before suspected.

    Planned finishing is no rework, and tells nothing of what was wrong.
    """
    last = next((event for event in reversed(finished) if event.data.get("causes")), None)
    certainties: dict[str, str] = {}
    for event in (*([last] if last else ()), *others):
        if event.data.get("planned"):
            continue
        for cause in event.data.get("causes") or ():
            term, certainty = cause["term"], cause.get("certainty") or SUSPECTED
            if certainties.get(term) != CONFIRMED:
                certainties[term] = certainty
    return certainties


def _inspections_that_count(cut: Cut, inspected: Sequence[Event]) -> list[Event]:
    """Step 3: those of stage first, each of parts not judged before, as far as the quantity goes."""
    counted: list[Event] = []
    judged = 0
    for event in inspected:
        if (event.data.get("stage") or "first") != "first":
            continue
        parts = sum(_counts(event.data))
        if judged + parts > cut.quantity:
            cut.contradictions += (
                Contradiction(
                    "more_inspected_than_cut",
                    sentence(
                        "an inspection of %(parts)s parts, %(judged)s being judged before, exceeds the %(quantity)s "
                        "cut",
                        parts=parts, judged=judged, quantity=cut.quantity,
                    ),
                    {"inspected": judged + parts, "quantity": cut.quantity},
                ),
            )  # fmt: skip
        else:
            counted.append(event)
            judged += parts
    return counted


def _operator_rest(own: Sequence[int], inspections: Sequence[int], *, excess: int) -> list[int]:
    """Step 4: the operator's counts less what the inspections judged again."""
    rest = list(own)
    for limits in (inspections, own):
        for index, limit in enumerate(limits):
            taken = max(0, min(excess, rest[index], limit))
            rest[index] -= taken
            excess -= taken
    return rest


def _tried(cut: Cut, stated: int | None) -> int:
    """Step 2: the parts that the run reached."""
    counted = cut.good + cut.rework + cut.scrap
    if stated is not None:
        return max(stated, counted)
    if cut.outcome != "aborted":
        return cut.quantity
    by_the_process = cut.stop_reason is None or cut.stop_reason in PROCESS_STOP_REASONS
    return min(cut.quantity, counted + int(by_the_process))


def _move_downstream(cut: Cut, downstream: Iterable[Event]) -> None:
    """Step 5: what a later station found among the good."""
    for event in downstream:
        found = (event.data.get("rework") or 0) + (event.data.get("scrap") or 0)
        if found > cut.good:
            cut.contradictions += (
                Contradiction(
                    "more_downstream_than_good",
                    sentence(
                        "a later station found %(found)s parts faulty where %(good)s were good",
                        found=found,
                        good=cut.good,
                    ),
                    {"found": found, "good": cut.good},
                ),
            )
        for name in ("rework", "scrap"):
            moved = min(cut.good, event.data.get(name) or 0)
            cut.good -= moved
            setattr(cut, name, getattr(cut, name) + moved)


def _follow_rework(cut: Cut, inspected: Sequence[Event]) -> None:
    """Steps 6 and 7: rework that no one declared, and what became of all rework."""
    parts_by_operation: dict[str, int] = {}
    for event in cut.reworked:
        if not event.data.get("planned"):
            operation = event.data["operation"]
            parts_by_operation[operation] = parts_by_operation.get(operation, 0) + event.data["parts"]
    worked = max(parts_by_operation.values(), default=0)
    cut.hidden = min(cut.good, max(0, worked - cut.rework))
    cut.good -= cut.hidden
    cut.rework += cut.hidden
    cut.released = min(cut.released, cut.good)
    after = [event.data for event in inspected if event.data.get("stage") == "after_rework"]
    ended = [event.data for event in cut.reworked]
    scrapped = sum(data.get("scrapped") or 0 for data in ended) + sum(data.get("scrap") or 0 for data in after)
    recovered = sum(data.get("recovered") or 0 for data in ended) + sum(data.get("good") or 0 for data in after)
    cut.scrapped = min(cut.rework, scrapped)
    cut.recovered = min(cut.rework - cut.scrapped, max(recovered, cut.hidden - cut.scrapped))
