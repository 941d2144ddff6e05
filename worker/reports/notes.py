"""What a reader of a report may and may not conclude from it, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from worker.measures import ShareOf
from worker.reports.questions import Question
from worker.reports.report import AsOf
from worker.stats.clustering import INDEPENDENCE_ASSUMED

#: The sums that `common_notes` speaks of.
COMMON_SUMS: Final = ("pending_first", "open_attempts", "bevelled_attempts")


def are(count: int, thing: str) -> str:
    """So many things, one or several, with their verb."""
    return f"1 {thing} is" if count == 1 else f"{count} {thing}s are"


def common_notes(
    sums: Mapping[str, int], question: Question, as_of: AsOf, *, provisional: bool = True
) -> Iterator[str]:
    """Notes that hold for every report over attempts. provisional: pending parts may change its figures."""
    if as_of.waiting:
        yield f"{are(as_of.waiting, 'event')} in the ledger and not yet counted here"
    if as_of.set_aside:
        yield f"{are(as_of.set_aside, 'event')} set aside and not counted"
    if provisional and sums["pending_first"]:
        yield (
            f"provisional: {are(sums['pending_first'], 'part')} pending; failures are known at once, good parts only "
            "when inspected, so the first-pass yield tends to rise"
        )
    if sums["open_attempts"]:
        yield f"{are(sums['open_attempts'], 'attempt')} still cutting; counted in open_attempts alone"
    if sums["bevelled_attempts"] and all(dimension.name != "bevel" for dimension in question.by):
        bevelled = are(sums["bevelled_attempts"], "attempt")
        apart = "" if "bevel" in question.filters else "; by=bevel tells them apart"
        yield f"{bevelled} bevelled and stand under the plate's thickness{apart}"


def certainty_notes(
    sums: Mapping[str, int], question: Question, share_of: ShareOf, *, share: str, of: str, cluster: str
) -> Iterator[str]:
    """How far the share of all rows together may be from the truth, and what it rests on."""
    found = share_of.estimate(sums, confidence=question.confidence)
    if found.low is None or found.high is None:
        return
    count, clusters = sums[share_of.n], sums[share_of.clusters]
    many = f"1 {cluster}" if clusters == 1 else f"{clusters} {cluster}s"
    counted = f"1 {of.removesuffix('s')}" if count == 1 else f"{count} {of}"
    yield (
        f"{counted} of {many}: the {share} lies between {100 * found.low:.3g} and {100 * found.high:.3g} % "
        f"({100 * question.confidence:g} % confidence, chance alone)"
    )
    if clusters == 1 and count > 1:
        yield f"all of them are of one {cluster}: that tells little of the next"
    elif found.reason == INDEPENDENCE_ASSUMED:
        yield f"how alike {of} of one {cluster} are cannot be told from these: independence assumed"


def pierce_notes(sums: Mapping[str, int]) -> Iterator[str]:
    """Notes on failed pierces."""
    if sums["attempts_without_pierces"]:
        yield (
            f"{are(sums['attempts_without_pierces'], 'attempt')} left out of the failed-pierce rate: they do not tell "
            "their pierces and their failed ones"
        )


def cost_notes(sums: Mapping[str, int]) -> Iterator[str]:
    """Notes on money."""
    if sums["attempts_without_cost"]:
        yield "cost is null where the site has not set the rates for labour, machine and material"


def in_rework_notes(sums: Mapping[str, int]) -> Iterator[str]:
    """Notes on rework that goes on."""
    if sums["in_rework"]:
        yield f"so far: {are(sums['in_rework'], 'part')} still in rework"
