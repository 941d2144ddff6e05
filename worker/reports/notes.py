"""What a reader of a report may and may not conclude from it, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Any, Final

from worker.measures import FAILED_PIERCES, FIRST_PASS, ShareOf
from worker.reports.questions import Question
from worker.reports.report import AsOf
from worker.sentences import Sentence, counted, figure, sentence
from worker.stats.clustering import INDEPENDENCE_ASSUMED

#: The sums that `common_notes` speaks of.
COMMON_SUMS: Final = ("pending_first", "open_attempts", "bevelled_attempts")


def common_notes(
    sums: Mapping[str, int], question: Question, as_of: AsOf, *, provisional: bool = True
) -> Iterator[Sentence]:
    """Notes that hold for every report over attempts. provisional: pending parts may change its figures."""
    if as_of.waiting:
        yield counted(
            as_of.waiting,
            "%(count)s event is in the ledger and not yet counted here",
            "%(count)s events are in the ledger and not yet counted here",
        )
    if as_of.set_aside:
        yield counted(
            as_of.set_aside,
            "%(count)s event is set aside and not counted",
            "%(count)s events are set aside and not counted",
        )
    if provisional and sums["pending_first"]:
        yield counted(
            sums["pending_first"],
            "provisional: %(count)s part is pending; failures are known at once, good parts only when inspected, so "
            "the first-pass yield tends to rise",
            "provisional: %(count)s parts are pending; failures are known at once, good parts only when inspected, so "
            "the first-pass yield tends to rise",
        )
    if sums["open_attempts"]:
        yield counted(
            sums["open_attempts"],
            "%(count)s attempt is still cutting; counted in open_attempts alone",
            "%(count)s attempts are still cutting; counted in open_attempts alone",
        )
    if sums["bevelled_attempts"] and all(dimension.name != "bevel" for dimension in question.by):
        yield _bevelled(sums["bevelled_attempts"], is_filtered="bevel" in question.filters)


def _bevelled(attempts: int, *, is_filtered: bool) -> Sentence:
    if is_filtered:
        return counted(
            attempts,
            "%(count)s attempt is bevelled and stand under the plate's thickness",
            "%(count)s attempts are bevelled and stand under the plate's thickness",
        )
    return counted(
        attempts,
        "%(count)s attempt is bevelled and stand under the plate's thickness; by=bevel tells them apart",
        "%(count)s attempts are bevelled and stand under the plate's thickness; by=bevel tells them apart",
    )


@dataclass(frozen=True, slots=True)
class _Certainty:
    """What is said of the share of all rows together, and what it rests on."""

    count: int
    clusters: int
    is_assumed: bool
    limits: Mapping[str, Any]


def _certainty(sums: Mapping[str, int], question: Question, share_of: ShareOf) -> _Certainty | None:
    found = share_of.estimate(sums, confidence=question.confidence)
    if found.low is None or found.high is None:
        return None
    limits = {
        "low": figure(100 * found.low, ".3g"),
        "high": figure(100 * found.high, ".3g"),
        "confidence": figure(100 * question.confidence, "g"),
    }
    return _Certainty(sums[share_of.n], sums[share_of.clusters], found.reason == INDEPENDENCE_ASSUMED, limits)


def first_pass_certainty(sums: Mapping[str, int], question: Question) -> Iterator[Sentence]:
    """How far the first-pass yield of all rows together may be from the truth, and what it rests on."""
    if (known := _certainty(sums, question, FIRST_PASS)) is None:
        return
    yield sentence(
        "%(parts)s of %(plate_days)s: the first-pass yield lies between %(low)s and %(high)s %% (%(confidence)s %% "
        "confidence, chance alone)",
        parts=counted(known.count, "%(count)s part", "%(count)s parts"),
        plate_days=counted(known.clusters, "%(count)s plate-day", "%(count)s plate-days"),
        **known.limits,
    )
    if known.clusters == 1 and known.count > 1:
        yield sentence("all of them are of one plate-day: that tells little of the next")
    elif known.is_assumed:
        yield sentence("how alike parts of one plate-day are cannot be told from these: independence assumed")


def pierce_certainty(sums: Mapping[str, int], question: Question) -> Iterator[Sentence]:
    """How far the failed-pierce rate of all rows together may be from the truth, and what it rests on."""
    if (known := _certainty(sums, question, FAILED_PIERCES)) is None:
        return
    yield sentence(
        "%(pierces)s of %(attempts)s: the failed-pierce rate lies between %(low)s and %(high)s %% (%(confidence)s %% "
        "confidence, chance alone)",
        pierces=counted(known.count, "%(count)s pierce", "%(count)s pierces"),
        attempts=counted(known.clusters, "%(count)s attempt", "%(count)s attempts"),
        **known.limits,
    )
    if known.clusters == 1 and known.count > 1:
        yield sentence("all of them are of one attempt: that tells little of the next")
    elif known.is_assumed:
        yield sentence("how alike pierces of one attempt are cannot be told from these: independence assumed")


def pierce_notes(sums: Mapping[str, int]) -> Iterator[Sentence]:
    """Notes on failed pierces."""
    if sums["attempts_without_pierces"]:
        yield counted(
            sums["attempts_without_pierces"],
            "%(count)s attempt is left out of the failed-pierce rate: they do not tell their pierces and their failed "
            "ones",
            "%(count)s attempts are left out of the failed-pierce rate: they do not tell their pierces and their "
            "failed ones",
        )


def cost_notes(sums: Mapping[str, int]) -> Iterator[Sentence]:
    """Notes on money."""
    if sums["attempts_without_cost"]:
        yield rates_not_set()


def rates_not_set() -> Sentence:
    """Why there is no cost."""
    return sentence("cost is null where the site has not set the rates for labour, machine and material")


def several_currencies(currencies: Iterable[str]) -> Sentence:
    """Why there is no cost over a window in which the site changed its currency."""
    return sentence(
        "cost is null: the window spans %(currencies)s; ask for each apart",
        currencies=with_and(sorted(currencies)),
    )


def with_and(names: Iterable[str]) -> str:
    """Names, one at least, with an "and" between any two."""
    return reduce(lambda first, second: sentence("%(first)s and %(second)s", first=first, second=second), names)


def in_rework_notes(sums: Mapping[str, int]) -> Iterator[Sentence]:
    """Notes on rework that goes on."""
    if sums["in_rework"]:
        yield counted(
            sums["in_rework"],
            "so far: %(count)s part is still in rework",
            "so far: %(count)s parts are still in rework",
        )
