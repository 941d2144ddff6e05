"""What is known by production day and combination, with the dimensions that stand behind these."""

from __future__ import annotations

from typing import Any

from sqlalchemy import and_
from sqlalchemy.sql.selectable import FromClause

from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.sums import Expression


def with_dimensions(reader: Reader, question: Question, source: FromClause) -> tuple[dict[str, Any], FromClause]:
    """(columns of the dimensions that tallies carry, `source` joined with what holds them).

    `source` has a `day` and a `combination` of the reader's site, in which attempts were finished.
    """
    found = source.c
    c, t = reader.tables.combinations.c, reader.tables.tallies.c
    columns: dict[str, Any] = {column.name: column for column in (*c, found.day)}
    joined = source.join(reader.tables.combinations, and_(c.site == reader.site, c.combination == found.combination))
    if DIMENSIONS["week"] in question.dimensions:
        columns["week"] = t.week
        of_tally = and_(t.site == reader.site, t.day == found.day, t.combination == found.combination)
        joined = joined.join(reader.tables.tallies, of_tally)
    return columns, joined


def divided_by(question: Question, columns: Any) -> list[Expression]:
    """The dimensions that divide a question, labelled, over these columns."""
    return [stored_expression(dimension, columns).label(f"by_{dimension.name}") for dimension in question.by]
