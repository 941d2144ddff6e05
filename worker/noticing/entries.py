"""Entries that are hardly true: warnings of attempts, gathered to one finding for each thing they are about."""

from __future__ import annotations

from typing import Final

import orjson
from sqlalchemy import and_, func, select

from worker.noticing.finding import IMPLAUSIBLE, Finding
from worker.reports.questions import Question
from worker.reports.reading import Reader, spellings
from worker.sentences import sentence, with_forms_text

#: Kinds of subjects that are stored by the key of their name.
_NAMED: Final = ("recipe", "machine")


def implausible(reader: Reader, question: Question) -> list[Finding]:
    """One finding for each code and subject with warnings in the window, by key, with the figures of its newest."""
    w, a = reader.tables.warnings.c, reader.tables.attempts.c
    key = (w.code, w.subject_kind, w.subject)
    within = (
        w.site == reader.site,
        w.day >= question.first_day.isoformat(),
        w.day <= question.last_day.isoformat(),
    )
    joined = reader.tables.warnings.join(reader.tables.attempts, and_(a.site == w.site, a.attempt == w.attempt))
    rank = func.row_number().over(partition_by=key, order_by=(a.started_us.desc(), w.attempt.desc()))
    ranked = (
        select(
            *key,
            w.attempt,
            w.detail,
            w.figures,
            w.forms,
            rank.label("rank"),
            func.count().over(partition_by=key).label("all"),
        )
        .select_from(joined)
        .where(*within)
        .subquery()
    )
    query = select(ranked).where(ranked.c.rank == 1).order_by(ranked.c.code, ranked.c.subject_kind, ranked.c.subject)
    names = {kind: spellings(reader, kind) for kind in _NAMED}
    return [
        Finding(
            IMPLAUSIBLE,
            code,
            subject_kind,
            names.get(subject_kind, {}).get(subject, subject),
            "",
            _said(with_forms_text(detail, forms), count),
            {"attempts": count, "attempt": attempt} | orjson.loads(figures),
            first_day=question.first_day,
            last_day=question.last_day,
        )
        for code, subject_kind, subject, attempt, detail, figures, forms, _, count in reader.connection.execute(query)
    ]


def _said(detail: str, attempts: int) -> str:
    if attempts == 1:
        return detail
    return sentence("%(detail)s (%(attempts)s attempts, the newest shown)", detail=detail, attempts=attempts)
