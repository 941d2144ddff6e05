"""The additive sums from which every measure is made: once in SQL, over attempts, grouped by anything."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, Select, and_, case, cast, func, literal, select
from sqlalchemy.sql.selectable import FromClause

from worker.tables import REWORK_SUMS, TALLY_SUMS

E6 = 1_000_000
#: Sums of squares take no more of a cluster than this, so that they fit in 64 bits whatever was entered.
MOST_IN_CLUSTER = 1_000_000
#: Sums over clusters, and what makes them: parts of a cluster, and good ones.
_OVER_CLUSTERS = ("clusters", "cluster_n2", "cluster_x2_over_n_e6")
_OF_CLUSTERS = ("parts_judged_first", "first_pass_good")
Expression = ColumnElement[Any]


def total(expression: Expression) -> Expression:
    """Sum as a whole number, 0 over nothing."""
    return cast(func.coalesce(func.sum(expression), 0), BigInteger)


def _count_if(*conditions: Expression) -> Expression:
    return case((and_(*conditions), 1), else_=0)


def capped(expression: Expression) -> Expression:
    """At most MOST_IN_CLUSTER."""
    return case((expression > MOST_IN_CLUSTER, MOST_IN_CLUSTER), else_=expression)


def _terms(a: Any) -> dict[str, Expression]:
    """What each attempt adds to each sum, the sums over clusters aside."""
    finished = a.state == "finished"
    first = a.is_first
    judged = a.good + a.rework + a.scrap + a.not_made
    with_pierces = and_(finished, a.pierces > 0)
    pierces, failed = capped(a.pierces), capped(a.failed_pierces)
    stages = ("pierce", "sever", "surface", "size", "unstated")
    plain = (
        "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework", "released", "hidden",
        "rework_minutes_e3", "interruptions", "scrap_mass_mg",
    )  # fmt: skip
    return {
        "attempts": _count_if(finished),
        "first_attempts": first,
        "open_attempts": _count_if(a.state == "open"),
        "parts_tried": a.tried,
        "parts_started": first * a.tried,
        "parts_judged_first": first * judged,
        "pending_first": first * a.pending,
        "first_pass_good": first * a.good,
        "pierces": func.coalesce(a.pierces, 0),
        "failed_pierces": func.coalesce(a.failed_pierces, 0),
        "attempts_without_pierces": _count_if(finished, a.pierces.is_(None)),
        "cutting_ms": func.coalesce(a.seconds_ms, 0),
        "lost_us": func.coalesce(a.lost_us, 0),
        "attempts_without_seconds": _count_if(finished, a.seconds_ms.is_(None)),
        "cost_e6": func.coalesce(a.cost_e6, 0),
        "attempts_without_cost": _count_if(finished, a.cost_e6.is_(None)),
        "bevelled_attempts": _count_if(finished, a.bevel_mdeg != 0),
        "pierce_clusters": _count_if(with_pierces),
        "pierce_n2": case((with_pierces, pierces * pierces), else_=0),
        "pierce_x2_over_n_e6": case((with_pierces, failed * failed * E6 // pierces), else_=literal(0)),
        **{name: a[name] for name in plain},
        **{f"lost_{stage}": a[f"lost_{stage}"] for stage in stages},
        **{f"first_lost_{stage}": first * a[f"lost_{stage}"] for stage in stages},
    }


def attempt_sums(
    attempts: FromClause,
    *,
    by: Sequence[Expression],
    where: Sequence[Expression],
    names: Sequence[str] = TALLY_SUMS,
) -> Select[Any]:
    """Query of the labelled columns `by` and these of TALLY_SUMS, in this order, over the attempts that meet `where`.

    Clusters (the first attempts of one plate, else one run, else one attempt) are formed within one production day and
    combination, as the tallies form them: so sums over attempts equal sums over tallies. The fewer sums, the quicker:
    attempts may be sorted with all that is summed.
    """
    a = attempts.c
    terms = _terms(a)
    met = (a.state.in_(("finished", "open")), *where)
    if not any(name in _OVER_CLUSTERS for name in names):
        return select(*by, *(total(terms[name]).label(name) for name in names)).where(*met).group_by(*by)
    summed = dict.fromkeys((*_OF_CLUSTERS, *(name for name in names if name in terms)))
    inner = (
        select(*by, *(total(terms[name]).label(name) for name in summed))
        .where(*met)
        # The week first, which follows from the day and is in no index: so the order of an index of all days leads no
        # database away from that of a filter. Then the cluster, which tells attempts apart at once.
        .group_by(a.week, a.cluster, a.day, a.combination, *by)
        .subquery("clusters")
    )
    over_clusters = _over_clusters(inner)
    columns = [inner.c[column.name] for column in by]
    sums = [total(over_clusters[name] if name in over_clusters else inner.c[name]).label(name) for name in names]
    return select(*columns, *sums).group_by(*columns)


def tally_sums(
    attempts: FromClause, *, by: Sequence[Expression], key: Sequence[Expression], where: Sequence[Expression]
) -> Select[Any]:
    """The same query as `attempt_sums`, where production day and combination are among the columns `by`.

    key: those of them from which the others follow. Then the clusters of a group are of no other group, and only the
    few columns that tell of them are grouped twice: all else is summed at once, which takes a half of the time.
    """
    a = attempts.c
    terms = _terms(a)
    met = (a.state.in_(("finished", "open")), *where)
    plain = (
        select(*by, *(total(term).label(name) for name, term in terms.items()))
        .where(*met)
        # The week first, as above.
        .group_by(a.week, *by)
        .subquery("plain")
    )
    inner = (
        select(*key, *(total(terms[name]).label(name) for name in _OF_CLUSTERS))
        .where(*met)
        .group_by(a.week, *key, a.cluster)
        .subquery("inner")
    )
    keys = [inner.c[column.name] for column in key]
    over_clusters = _over_clusters(inner)
    clusters = (
        select(*keys, *(total(over_clusters[name]).label(name) for name in _OVER_CLUSTERS))
        .group_by(*keys)
        .subquery("clusters")
    )
    sums = [(clusters if name in _OVER_CLUSTERS else plain).c[name] for name in TALLY_SUMS]
    same = [plain.c[column.name] == clusters.c[column.name] for column in key]
    return select(*(plain.c[column.name] for column in by), *sums).select_from(plain.join(clusters, and_(*same)))


def _over_clusters(inner: FromClause) -> dict[str, Expression]:
    """What each cluster adds to the sums over clusters."""
    n, x = (capped(inner.c[name]) for name in _OF_CLUSTERS)
    return {
        "clusters": _count_if(n > 0),
        "cluster_n2": n * n,
        "cluster_x2_over_n_e6": case((n > 0, x * x * E6 // n), else_=literal(0)),
    }


def rework_sums(rework: FromClause, *, by: Sequence[Expression], where: Sequence[Expression]) -> Select[Any]:
    """Query of the labelled columns `by` and all REWORK_SUMS over rework entries that meet `where`."""
    r = rework.c
    unplanned = r.planned == 0
    terms: dict[str, Expression] = {
        "rework_entries": _count_if(unplanned),
        "booked_rework_minutes_e3": case((unplanned, r.minutes_e3), else_=0),
        "finishing_minutes_e3": case((unplanned, 0), else_=r.minutes_e3),
        "parts_reworked": case((unplanned, r.parts), else_=0),
        "booked_rework_cost_e6": case((unplanned, func.coalesce(r.cost_e6, 0)), else_=0),
        "entries_without_cost": _count_if(unplanned, r.cost_e6.is_(None)),
    }
    return select(*by, *(total(terms[name]).label(name) for name in REWORK_SUMS)).where(*where).group_by(*by)
