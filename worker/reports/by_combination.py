"""What is known by production day and combination, with the dimensions that stand behind these."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, and_, select
from sqlalchemy.sql.selectable import FromClause

from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.sums import Expression

#: What names a cluster: within a production day and a combination, as for the tallies.
CLUSTER: Final = ("day", "combination", "cluster")


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


def by_cluster(
    reader: Reader, question: Question, where: Sequence[ColumnElement[bool]], sums: Mapping[str, Expression]
) -> Select[Any]:
    """(dimensions, `in_` and each of CLUSTER, sums) of the clusters of attempts that meet `where`.

    Where tallies carry the dimensions, attempts are counted off their index of clusters, in its order.
    """
    a = reader.tables.attempts.c
    amounts = [expression.label(name) for name, expression in sums.items()]
    if question.needs_attempts:
        by = divided_by(question, a)
        cluster = [a[name].label(f"in_{name}") for name in CLUSTER]
        return select(*by, *cluster, *amounts).where(*where).group_by(*told_apart_by(question, a), *by)
    of_cluster = told_apart_by(question, a)
    found = select(*of_cluster, *amounts).where(*where).group_by(*of_cluster).subquery("counted")
    columns, joined = with_dimensions(reader, question, found)
    counted = (found.c[name].label(f"in_{name}") for name in CLUSTER)
    return select(*divided_by(question, columns), *counted, *(found.c[name] for name in sums)).select_from(joined)


def told_apart_by(question: Question, a: Any, names: Sequence[str] = CLUSTER) -> list[ColumnElement[Any]]:
    """What tells the clusters of a question's attempts apart, or these columns of them.

    With a filter that has an index of its own the week goes before, which follows from the day: SQLite would else take
    the index of clusters for its order, and read the attempts of all days.
    """
    return [*([a.week] if question.needs_attempts else []), *(a[name] for name in names)]


def divided_by(question: Question, columns: Any) -> list[Expression]:
    """The dimensions that divide a question, labelled, over these columns."""
    return [stored_expression(dimension, columns).label(f"by_{dimension.name}") for dimension in question.by]
