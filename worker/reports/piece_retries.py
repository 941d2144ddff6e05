"""Report retries: how many attempts does a piece take, and does it come in the end?

What a piece is, when it is right, and when it came or was given up, stands in `tried_pieces`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from worker.reports.comparing import described
from worker.reports.notes import common_notes
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, dimension_columns, shown_groups
from worker.reports.report import Column, Report
from worker.reports.tried_pieces import GIVEN_UP_DAYS, Tried, pieces_without_first, tried_pieces
from worker.sentences import Figure, Sentence, counted, figure, sentence
from worker.stats.clustering import Clustered, Estimate, clustered_wilson, correlation
from worker.stats.survival import Survival, clustered_kaplan_meier

METHOD: Final = sentence(
    "Kaplan-Meier over judged attempts; log-log limits, of Greenwood's variance times the design effect and what the "
    "pieces of a plate share between attempts; final yield: Wilson interval of the effective sample"
)

COLUMNS: Final = (
    Column("attempt", "", "so many judged attempts on a piece", "integer"),
    Column("pieces_at_risk", "pieces", "pieces with so many judged attempts, not right before", "integer"),
    Column("pieces_right", "pieces", "those whose parts were all good without rework at this attempt", "integer"),
    Column(
        "pieces_censored", "pieces", "not right, and without a next judged attempt: given up, or waiting", "integer"
    ),
    Column("not_right_share", "share (0-1)", "Kaplan-Meier share of pieces not yet right after so many attempts"),
    Column("not_right_share_low", "share (0-1)", "lower log-log limit of it; null: none is right yet, or all are"),
    Column("not_right_share_high", "share (0-1)", "upper log-log limit of it; null: none is right yet, or all are"),
    Column("design_effect", "", "pieces of one plate stand or fall together: this step's own variance times this"),
    Column("clusters", "", "plates (else runs, else attempts) of the pieces at risk", "integer"),
    Column("pieces", "pieces", "pieces of the group, the same in each of its rows", "integer"),
    Column("pieces_decided", "pieces", "pieces of the group that came in the end, or were given up", "integer"),
    Column("pieces_good", "pieces", "those of them whose parts were all good in the end, rework included", "integer"),
    Column("final_yield", "share (0-1)", "pieces finally good over pieces decided, of the group"),
    Column("final_yield_low", "share (0-1)", "lower limit of the Wilson interval of the effective sample"),
    Column("final_yield_high", "share (0-1)", "upper limit of the Wilson interval of the effective sample"),
    Column("median_attempts", "attempts", "after so many attempts half of the group's pieces are right", "integer"),
    Column("reason", "", "what the group lacks, or its limits rest on", "text"),
)
DETAILS: Final = (
    Column("pieces", "pieces", "pieces whose first attempt lies in the window", "integer"),
    Column("pieces_not_begun", "pieces", "those among them whose first attempt is not judged", "integer"),
    Column("pieces_decided", "pieces", "pieces that came in the end, or were given up", "integer"),
    Column("pieces_good", "pieces", "those of them whose parts were all good in the end, rework included", "integer"),
    Column("pieces_given_up", "pieces", "decided pieces that did not come", "integer"),
    Column("pieces_waiting", "pieces", "pieces open, pending, in rework, or not yet tried again", "integer"),
    Column("final_yield", "share (0-1)", "pieces finally good over pieces decided"),
    Column("final_yield_low", "share (0-1)", "lower limit of the Wilson interval of the effective sample"),
    Column("final_yield_high", "share (0-1)", "upper limit of the Wilson interval of the effective sample"),
    Column("final_yield_design_effect", "", "so many times fewer independent pieces would tell as much"),
    Column("clusters", "", "plates (else runs, else attempts) of the decided pieces", "integer"),
    Column("median_attempts", "attempts", "after so many attempts half of the pieces are right", "integer"),
    Column("median_attempts_low", "attempts", "lower limit of it, from the limits of the curve", "integer"),
    Column("median_attempts_high", "attempts", "upper limit of it; null: not known how many", "integer"),
    Column(
        "pieces_without_name", "pieces", "pieces whose first attempt names none: only retry_of adds to it", "integer"
    ),
    Column("pieces_without_first", "pieces", "left out: pieces cut again whose first attempt is not known", "integer"),
    Column("method", "", "how curve and final yield, and their limits, are made", "text"),
    Column("reason", "", "what the whole lacks, or its limits rest on", "text"),
)


def piece_retries(reader: Reader, question: Question) -> Report:
    """Attempt by attempt the share of pieces that are not yet right, in each group; and what came in the end."""
    whole, groups = tried_pieces(reader, question)
    return _answer(reader, question, whole, groups, without_first=pieces_without_first(reader, question))


def _answer(
    reader: Reader, question: Question, whole: Tried, groups: Mapping[Group, Tried], *, without_first: int
) -> Report:
    alike = correlation([step for tried in groups.values() for step in tried.steps])
    decided_alike = correlation([tried.decided for tried in groups.values()])
    rows = [
        shown | row
        for shown, tried in shown_groups(reader, question, groups)
        for row in _rows(tried, alike, decided_alike, confidence=question.confidence)
    ]
    curve = _curve(whole, correlation(whole.steps), confidence=question.confidence)
    final = clustered_wilson(whole.decided, confidence=question.confidence)
    return described(
        "retries",
        reader,
        question,
        columns=(*dimension_columns(question), *COLUMNS),
        rows=rows,
        details=_details(whole, curve, final, without_first),
        notes=list(_said(reader, question, whole, curve, final, without_first)),
    )


def _curve(tried: Tried, alike: float | None, *, confidence: float) -> Survival:
    return clustered_kaplan_meier(
        tried.steps, tried.crossed, not_begun=tried.not_begun, confidence=confidence, pooled=alike
    )


def _rows(
    tried: Tried, alike: float | None, decided_alike: float | None, *, confidence: float
) -> Iterator[dict[str, Any]]:
    """A row an attempt; one without a share where nothing is judged."""
    curve = _curve(tried, alike, confidence=confidence)
    final = clustered_wilson(tried.decided, confidence=confidence, pooled=decided_alike, own=decided_alike is None)
    of_group = {
        "pieces": tried.pieces,
        "pieces_decided": round(tried.decided.n),
        "pieces_good": round(tried.decided.x),
        "final_yield": final.share,
        "final_yield_low": final.low,
        "final_yield_high": final.high,
        "median_attempts": curve.median,
        "reason": curve.reason or curve.certainty,
    }
    nothing = dict.fromkeys(column.name for column in COLUMNS) | {
        "attempt": 1, "pieces_at_risk": 0, "pieces_right": 0, "pieces_censored": 0, "clusters": 0,
    }  # fmt: skip
    if not curve.steps:
        yield nothing | of_group
    for step, counts in zip(curve.steps, tried.steps, strict=True):
        yield (
            nothing
            | of_group
            | {
                "attempt": step.time,
                "pieces_at_risk": step.at_risk,
                "pieces_right": step.events,
                "pieces_censored": step.censored,
                "not_right_share": step.survival,
                "not_right_share_low": step.lower,
                "not_right_share_high": step.upper,
                "design_effect": step.design_effect,
                "clusters": counts.clusters,
            }
        )


def _details(whole: Tried, curve: Survival, final: Estimate, without_first: int) -> dict[str, Any]:
    decided, good = round(whole.decided.n), round(whole.decided.x)
    return {
        "pieces": whole.pieces,
        "pieces_not_begun": curve.not_begun,
        "pieces_decided": decided,
        "pieces_good": good,
        "pieces_given_up": decided - good,
        "pieces_waiting": whole.pieces - decided,
        "final_yield": final.share,
        "final_yield_low": final.low,
        "final_yield_high": final.high,
        "final_yield_design_effect": final.design_effect,
        "clusters": whole.decided.clusters,
        "median_attempts": curve.median,
        "median_attempts_low": curve.median_lower,
        "median_attempts_high": curve.median_upper,
        "pieces_without_name": whole.unnamed,
        "pieces_without_first": without_first,
        "method": METHOD,
        "reason": curve.reason or curve.certainty or final.reason,
    }


_NOTHING_TO_NOTE: Final = {"pending_first": 0, "open_attempts": 0, "bevelled_attempts": 0}


def _said(
    reader: Reader, question: Question, whole: Tried, curve: Survival, final: Estimate, without_first: int
) -> Iterator[str]:
    yield from common_notes(_NOTHING_TO_NOTE, question, reader.as_of)
    if not whole.pieces:
        yield sentence("no first attempt lies in this window: nothing can be said of pieces")
        return
    yield from _said_of_curve(question, curve)
    yield from _said_of_the_end(question, whole, final)
    if whole.unnamed:
        yield counted(
            whole.pieces,
            "%(unnamed)s of %(count)s piece have no name: a later attempt at the same part is seen only where retry_of "
            "tells it, and counts as a piece of its own otherwise",
            "%(unnamed)s of %(count)s pieces have no name: a later attempt at the same part is seen only where "
            "retry_of tells it, and counts as a piece of its own otherwise",
            unnamed=whole.unnamed,
        )
    if without_first:
        yield counted(
            without_first,
            "%(count)s piece cut again without a first attempt that is known are left out: recuts of another job, or "
            "retries of an attempt that nobody told",
            "%(count)s pieces cut again without a first attempt that is known are left out: recuts of another job, or "
            "retries of an attempt that nobody told",
        )
    if all(dimension.name != "thickness" for dimension in question.by) and "thickness" not in question.filters:
        yield sentence(
            "all thicknesses stand together here: compare two curves only where the same thicknesses were cut"
        )


def _said_of_curve(question: Question, curve: Survival) -> Iterator[Sentence]:
    if not curve.steps:
        yield sentence("no first attempt is judged yet: how many attempts a piece takes cannot be told")
        return
    first = curve.steps[0]
    right = counted(
        first.at_risk,
        "%(right)s of %(count)s piece were right at the first attempt",
        "%(right)s of %(count)s pieces were right at the first attempt",
        right=first.events,
    )
    if first.lower is None or first.upper is None:
        yield right
    else:
        yield sentence(
            "%(right)s, which lies between %(low)s and %(high)s %% (%(confidence)s)",
            right=right,
            low=_percent(1 - first.upper),
            high=_percent(1 - first.lower),
            confidence=_confidence(question),
        )
    if curve.median is None:
        yield sentence(
            "fewer than half of the pieces were right as far as they were tried: no median number of attempts"
        )
    yield sentence(
        "the curve takes pieces that were given up for such as would have come like the others, had one gone on: it "
        "says how far another attempt pays, not how many pieces were delivered; final_yield says that"
    )


def _said_of_the_end(question: Question, whole: Tried, final: Estimate) -> Iterator[Sentence]:
    decided, good = round(whole.decided.n), round(whole.decided.x)
    if final.low is not None and final.high is not None:
        yield counted(
            decided,
            "%(good)s of %(count)s piece that are decided came in the end, rework included: the final yield lies "
            "between %(low)s and %(high)s %% (%(confidence)s)",
            "%(good)s of %(count)s pieces that are decided came in the end, rework included: the final yield lies "
            "between %(low)s and %(high)s %% (%(confidence)s)",
            good=good,
            low=_percent(final.low),
            high=_percent(final.high),
            confidence=_confidence(question),
        )
    if waiting := whole.pieces - decided:
        yield counted(
            waiting,
            "%(count)s piece not decided: open, pending, in rework, or not tried again for at most %(days)s days while "
            "the job is open; what is right at once is decided first, so the final yield may still fall",
            "%(count)s pieces not decided: open, pending, in rework, or not tried again for at most %(days)s days "
            "while the job is open; what is right at once is decided first, so the final yield may still fall",
            days=GIVEN_UP_DAYS,
        )


def _percent(share: float) -> Figure:
    return figure(100 * share, ".3g")


def _confidence(question: Question) -> Sentence:
    return sentence("%(confidence)s %% confidence, chance alone", confidence=figure(100 * question.confidence, "g"))


def example(reader: Reader, question: Question) -> Report:
    """Pieces of two thicknesses, invented; each a cluster of its own."""

    def tried(pieces: int, decided: tuple[int, int], *risks: tuple[int, int]) -> Tried:
        return Tried(
            pieces,
            decided=Clustered.singly(*decided),
            risks={number: Clustered.singly(*risk) for number, risk in enumerate(risks, start=1)},
        )

    groups = {
        (20_000_000,): tried(120, (116, 118), (108, 120), (8, 10)),
        (40_000_000,): tried(40, (33, 37), (25, 39), (7, 12), (2, 4)),
    }
    whole = tried(160, (149, 155), (133, 159), (15, 22), (2, 4))
    return _answer(reader, question, whole, groups, without_first=0)
