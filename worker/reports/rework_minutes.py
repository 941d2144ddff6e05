"""Minutes of rework, one by one: what a reworked attempt, or an entry of rework, takes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any, Final

from sqlalchemy import Select, Text, and_, case, cast, func, literal, literal_column, or_, select
from sqlalchemy.sql.selectable import FromClause

from worker.measures import COUNT, E3, E6, MINUTES, SHARE, ShareOf
from worker.reports.by_combination import divided_by, told_apart_by, with_dimensions
from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import INTERVAL, Group, Reader, Sums, asked_of, conditions_of, window_of
from worker.reports.report import Column
from worker.shopcalendar import monday_of
from worker.stats.clustering import Clustered, clustered_wilson
from worker.stats.lognormal import ClusterLogs, effect_of_clusters, log_correlation, positive_mean
from worker.stats.quantiles import quantile_of
from worker.sums import Expression, capped, total

CLUSTER: Final = "one production day and combination, where plates are whole,"
FEWER: Final = "so many times fewer independent ones would tell as much"
ZOU: Final = "log-normal interval (Zou) of the mean of those with minutes"


def _minutes_columns(of: str, what: str) -> tuple[Column, ...]:
    return (
        Column(f"minutes_per_{of}", MINUTES, f"mean of {what}"),
        Column(f"minutes_per_{of}_low", MINUTES, f"lower limit of the {ZOU}"),
        Column(f"minutes_per_{of}_high", MINUTES, f"upper limit of the {ZOU}"),
        Column(f"median_per_{of}", MINUTES, f"half of {what} are at most so long; type 7 of Hyndman and Fan"),
        Column(f"p90_per_{of}", MINUTES, f"nine in ten of {what} are at most so long; type 7 of Hyndman and Fan"),
        Column(
            f"{of}_design_effect", "", f"those of {CLUSTER} are alike: {FEWER}",
        ),
        Column(f"{of}_reason", "", "why a limit is null", "text"),
    )  # fmt: skip


#: Beside the sums of attempts: how long one attempt is reworked, and how sure the share of reworked parts is.
OF_ATTEMPTS: Final = (
    Column("rework_ratio_low", SHARE, f"lower limit of the {INTERVAL} of rework_ratio"),
    Column("rework_ratio_high", SHARE, f"upper limit of the {INTERVAL} of rework_ratio"),
    Column(
        "rework_design_effect", "", f"parts of {CLUSTER} stand or fall together: {FEWER}",
    ),
    Column("rework_clusters", COUNT, "production days and combinations in which parts were judged", "integer"),
    Column("attempts_reworked", COUNT, "attempts with minutes of unplanned rework so far: n of the columns behind it",
           "integer"),
    Column("attempts_without_minutes", COUNT, "attempts with rework parts and without minutes so far", "integer"),
    *_minutes_columns("reworked_attempt", "the minutes of the attempts with minutes so far"),
)  # fmt: skip
#: Beside the sums of entries.
OF_ENTRIES: Final = _minutes_columns("entry", "the minutes of the entries")
EQUAL_AGE: Final = Column(
    "rework_minutes_at_equal_age", MINUTES,
    "rework minutes of each week's attempts as they stood when it was as old as the youngest week shown; only by week",
)  # fmt: skip


#: Rework parts among judged ones, with what their clusters add up to.
PARTS: Final = ShareOf("rework", "judged", "clusters", "n2", "x2_over_n_e6")
PARTS_SUMS: Final = (PARTS.x, PARTS.n, PARTS.clusters, PARTS.n2, PARTS.x2_over_n_e6)

#: A production day and a combination: where plates are whole.
Cluster = tuple[str, int]


@dataclass
class Minutes:
    """Minutes above zero, in thousandths, by cluster; and how many have none."""

    by_cluster: dict[Cluster, list[int]] = field(default_factory=dict)
    without: int = 0

    @cached_property
    def values(self) -> list[float]:
        """All above zero, in minutes, in order."""
        return sorted(minutes / E3 for cluster in self.by_cluster.values() for minutes in cluster)

    @cached_property
    def logs(self) -> list[ClusterLogs]:
        """What the clusters add to a correlation."""
        return [ClusterLogs.of(cluster) for cluster in self.by_cluster.values()]

    @classmethod
    def together(cls, groups: Collection[Minutes]) -> Minutes:
        """Several groups as one: a cluster that they share is one."""
        whole = cls(without=sum(group.without for group in groups))
        for group in groups:
            for cluster, minutes in group.by_cluster.items():
                whole.by_cluster.setdefault(cluster, []).extend(minutes)
        if len(whole.by_cluster) == sum(len(group.by_cluster) for group in groups):
            # None is shared: they are not looked at twice.
            whole.logs = [cluster for group in groups for cluster in group.logs]
        return whole


# --- read -------------------------------------------------------------------------------------------------------


def reworked_attempts(reader: Reader, question: Question) -> dict[Group, Minutes]:
    """Minutes of the attempts with rework by group."""
    a = reader.tables.attempts.c
    by, joined, where = _of_reworked(reader, question)
    query = select(*by).select_from(joined).where(*where)
    return _minutes(reader, question, query, a, func.nullif(a.rework_minutes_e3, 0))


def entries(reader: Reader, question: Question) -> dict[Group, Minutes]:
    """Minutes of the entries of unplanned rework by group, on their own production days."""
    a, r = reader.tables.attempts.c, reader.tables.rework.c
    source: FromClause = reader.tables.rework
    columns: dict[str, Any]
    if question.needs_attempts:
        columns = {column.name: column for column in (*a, r.day, r.week, r.shift, r.operation)}
        source = source.join(reader.tables.attempts, and_(a.site == r.site, a.attempt == r.attempt))
    else:
        c = reader.tables.combinations.c
        columns = {column.name: column for column in (*c, r.day, r.week, r.operation)}
        source = source.join(reader.tables.combinations, and_(c.site == r.site, c.combination == r.combination))
    where = (r.site == reader.site, r.planned == 0, *window_of(question, r), *asked_of(question, columns))
    query = select(*divided_by(question, columns)).select_from(source).where(*where)
    return _minutes(reader, question, query, r, r.minutes_e3)


def _minutes(
    reader: Reader, question: Question, query: Select[Any], columns: Any, minutes_e3: Expression
) -> dict[Group, Minutes]:
    """Minutes by the dimensions that a query selects; those of a cluster are read as one text, for a year has many."""
    groups: dict[Group, Minutes] = {}
    width = len(question.by)
    told = func.aggregate_strings(cast(minutes_e3, Text), ",")
    without = func.count() - func.count(minutes_e3)
    found = query.add_columns(columns.day, columns.combination, told, without)
    within = (*told_apart_by(question, columns, ("day", "combination")), *query.selected_columns)
    for row in reader.connection.execute(found.group_by(*within)):
        day, combination, text, none = row[width:]
        minutes = groups.setdefault(tuple(row[:width]), Minutes())
        minutes.without += none
        if text is not None:
            minutes.by_cluster[day, combination] = [int(each) for each in text.split(",")]
    return groups


def _of_reworked(reader: Reader, question: Question) -> tuple[list[Expression], FromClause, list[Expression]]:
    """(dimensions, what to select from, conditions) of the attempts of the window with rework: parts or minutes."""
    a = reader.tables.attempts.c
    # Literals, since the index of these attempts is found by them.
    reworked = or_(a.rework_minutes_e3 > literal_column("0"), a.rework > literal_column("0"))
    where = [a.site == reader.site, *window_of(question, a), reworked]
    source: FromClause = reader.tables.attempts
    columns: Any = a
    if not question.needs_attempts:
        columns, source = with_dimensions(reader, question, source)
    return divided_by(question, columns), source, [*where, *asked_of(question, columns)]


def reworked_parts(reader: Reader, question: Question) -> dict[Group, Sums]:
    """Rework parts among the judged ones by group, clustered by production day and combination: sums of PARTS."""
    a, c, t = (table.c for table in (reader.tables.attempts, reader.tables.combinations, reader.tables.tallies))
    if question.needs_attempts:
        by = divided_by(question, a)
        judged = total(a.good + a.rework + a.scrap + a.not_made)
        cluster = (a.day, a.combination)
        found = (
            select(*by, total(a.rework).label("x"), judged.label("n"))
            .where(*conditions_of(reader, question, a), a.state == "finished")
            .group_by(*by, *cluster)
            .subquery("clusters")
        )
    else:
        columns: dict[str, Any] = {column.name: column for column in (*c, t.day, t.week)}
        judged = t.good + t.rework + t.scrap + t.not_made
        joined = reader.tables.tallies.join(
            reader.tables.combinations, and_(c.site == t.site, c.combination == t.combination)
        )
        found = (
            select(
                *divided_by(question, columns),
                t.rework.label("x"),
                (t.good + t.rework + t.scrap + t.not_made).label("n"),
            )
            .select_from(joined)
            .where(t.site == reader.site, *window_of(question, t), *asked_of(question, columns))
            .subquery("clusters")
        )
    by = [found.c[f"by_{dimension.name}"] for dimension in question.by]
    x, n = capped(found.c.x), capped(found.c.n)
    over_n = case((n > 0, x * x * E6 // n), else_=literal(0))
    sums = (total(found.c.x), total(found.c.n), total(case((n > 0, 1), else_=0)), total(n * n), total(over_n))
    width = len(by)
    return {
        tuple(row[:width]): dict(zip(PARTS_SUMS, (int(each) for each in row[width:]), strict=True))
        for row in reader.connection.execute(select(*by, *sums).group_by(*by))
    }


def told_up_to(reader: Reader) -> date | None:
    """The newest production day of the site on which something was cut or reworked; None before the first."""
    days = [
        reader.connection.execute(select(func.max(table.c.day)).where(table.c.site == reader.site)).scalar()
        for table in (reader.tables.attempts, reader.tables.rework)
    ]
    return max((date.fromisoformat(day) for day in days if day is not None), default=None)


def at_equal_age(reader: Reader, question: Question, *, days: int) -> dict[Group, int]:
    """Rework minutes, in thousandths, by group, of each week as it stood at the end of its day `days` from Monday on.

    The question is divided by week among others.
    """
    r, a = reader.tables.rework.c, reader.tables.attempts.c
    by, joined, where = _of_reworked(reader, question)
    joined = joined.join(reader.tables.rework, and_(r.site == a.site, r.attempt == a.attempt))
    query = select(*by, r.day, total(r.minutes_e3)).select_from(joined).where(*where, r.planned == 0)
    place, width = question.by.index(DIMENSIONS["week"]), len(question.by)
    sums: dict[Group, int] = defaultdict(int)
    for row in reader.connection.execute(query.group_by(*by, r.day)):
        if date.fromisoformat(row[width]) < monday_of(row[place]) + timedelta(days=days):
            sums[tuple(row[:width])] += int(row[width + 1])
    return sums


# --- columns ----------------------------------------------------------------------------------------------------


def minutes_values(
    columns: Sequence[Column], minutes: Minutes, *, confidence: float, alike: float | None
) -> dict[str, Any]:
    """Values of the columns that `_minutes_columns` made. alike: correlation within clusters; None: not known."""
    values = minutes.values
    effect = effect_of_clusters([len(cluster) for cluster in minutes.by_cluster.values()], alike=alike)
    mean = positive_mean(values, confidence=confidence, design_effect=effect)
    limits = (mean.mean, mean.low, mean.high, quantile_of(values, 0.5), quantile_of(values, 0.9))
    found = (*limits, effect if values else None, mean.reason if values else None)
    return dict(zip((column.name for column in columns), found, strict=True))


def attempts_values(
    minutes: Minutes, parts: Clustered, *, confidence: float, alike: float | None, parts_alike: float | None
) -> dict[str, Any]:
    """Values of OF_ATTEMPTS. alike, parts_alike: correlations of minutes and of parts; the latter None: their own."""
    share = clustered_wilson(parts, confidence=confidence, pooled=parts_alike, own=parts_alike is None)
    values = (share.low, share.high, share.design_effect, parts.clusters, len(minutes.values), minutes.without)
    shown = dict(zip((column.name for column in OF_ATTEMPTS), values, strict=False))
    return shown | minutes_values(OF_ATTEMPTS[len(values) :], minutes, confidence=confidence, alike=alike)


def correlation_of(groups: Iterable[Minutes]) -> float | None:
    """Correlation of the minutes of one cluster, over groups together."""
    return log_correlation(group.logs for group in groups)
