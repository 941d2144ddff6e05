"""Pieces and the attempts on them, summed up in one statement.

A piece is an attempt with number 1 and all attempts that follow it: an attempt follows the one that its `retry_of`
names; where that names none that is known, it follows the number 1 of its piece, as attempts are numbered. So a piece
is its name within its job (without a job within its plate), else its chain of retries, else one attempt alone. It
stands where its first attempt stands: that one lies in the window, meets the filters, is in the group, and lends its
plate as cluster. Later attempts count so far as they are known, wherever and whenever they were cut.

The curve: the attempts of a piece count in their order (number, start, id) as long as each is judged and failed. Judged
is a finished attempt that reached a part and left none pending; it is right when all its parts were good without
rework. The first right one is the event. A piece is censored where nobody went on, and before an attempt that is open,
pending or reached nothing: so the share after attempt 1 is, for pieces of one part, what the first-pass yield leaves.

In the end: a piece came when on one of its attempts all parts were good, at once or after rework. Else it waits while
any of its attempts is open, has parts pending or in rework. Else it is given up when the job of its newest attempt is
closed; or, no such job being known, its plate is; or nothing was tried on it for more than GIVEN_UP_DAYS up to the
newest production day of the site. Else it waits too. Decided are those that came or were given up. What is cut again in
a job with `recut_of` belongs to the piece when `retry_of` says so; else it has no first attempt and counts for none.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any, Final

from sqlalchemy import (
    CTE,
    BigInteger,
    ColumnElement,
    Integer,
    Select,
    Subquery,
    and_,
    case,
    cast,
    exists,
    func,
    literal,
    or_,
    select,
    union_all,
)
from sqlalchemy.sql.selectable import FromClause

from worker.measures import E6
from worker.reports.by_combination import CLUSTER, by_cluster, divided_by
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, conditions_of
from worker.stats.clustering import Clustered
from worker.stats.survival import Crossed
from worker.sums import MOST_IN_CLUSTER, total

#: After so many days without another attempt a piece that nobody closed counts as given up.
GIVEN_UP_DAYS: Final = 28
#: The steps of the curve are numbered from 1; what is summed beside them:
_FIRST_STEP, _DECIDED, _PIECES, _UNNAMED = 1, 0, -1, -2
#: What decides a piece, of each attempt.
_BECAME: Final = ("came", "waits", "job", "plate", "day")
#: What is carried along from the first attempt of a piece.
_OF_PIECE: Final = ("site", "root", "root_stops", "root_came", "root_waits")

Expressions = Sequence[ColumnElement[Any]]


@dataclass
class Tried:
    """Pieces of a group. `risks`: by the number of the attempt the pieces right (x) of those at risk (n).

    `crossed`: by two numbers, the earlier first, the products of these counts over the clusters.
    """

    pieces: int = 0
    unnamed: int = 0
    decided: Clustered = field(default_factory=lambda: Clustered.of([]))
    risks: dict[int, Clustered] = field(default_factory=dict)
    crossed: dict[tuple[int, int], Crossed] = field(default_factory=dict)

    @classmethod
    def together(cls, groups: Sequence[Tried]) -> Tried:
        """Several groups as one."""
        numbers = {number for group in groups for number in group.risks}
        pairs = {pair for group in groups for pair in group.crossed}
        return cls(
            pieces=sum(group.pieces for group in groups),
            unnamed=sum(group.unnamed for group in groups),
            decided=Clustered.total(group.decided for group in groups),
            risks={
                number: Clustered.total(group.risks[number] for group in groups if number in group.risks)
                for number in numbers
            },
            crossed={
                pair: Crossed.total(group.crossed[pair] for group in groups if pair in group.crossed) for pair in pairs
            },
        )

    @property
    def steps(self) -> list[Clustered]:
        """The risks in their order."""
        return [self.risks[number] for number in sorted(self.risks)]

    @property
    def not_begun(self) -> int:
        """Pieces whose first attempt is not judged."""
        return self.pieces - (round(self.risks[1].n) if self.risks else 0)


def tried_pieces(reader: Reader, question: Question) -> tuple[Tried, dict[Group, Tried]]:
    """All pieces of a question together, and each group of it."""
    groups = _groups(reader, question)
    if any(dimension.of_attempts for dimension in question.by):
        # Divided by what tallies do not carry, a cluster may be split among groups.
        whole = _groups(reader, replace(question, by=())).get((), Tried())
    else:
        whole = Tried.together(list(groups.values()))
    return whole, groups


def _groups(reader: Reader, question: Question) -> dict[Group, Tried]:
    width = len(question.by)
    groups: dict[Group, Tried] = defaultdict(Tried)
    for row in reader.connection.execute(_sums_of_pieces(reader, question)):
        into, (earlier, series, n, x, clusters, n2, x2) = groups[tuple(row[:width])], row[width:]
        counts = Clustered(x=x, n=n, clusters=clusters, n2=n2, x2_over_n=x2 / E6)
        if earlier:
            into.crossed[earlier, series] = Crossed(n_n=n, x_x=x, n_x=clusters, x_n=n2)
        elif series == _PIECES:
            into.pieces = n
        elif series == _UNNAMED:
            into.unnamed = n
        elif series == _DECIDED:
            into.decided = counts
        elif n:
            into.risks[series] = counts
    return groups


def _sums_of_pieces(reader: Reader, question: Question) -> Select[Any]:
    """(values of the group, 0, series, n, x, clusters, n2, x2_over_n_e6) of each group: one statement in all.

    And (values of the group, earlier, later, n_n, x_x, n_x, x_n, 0) of two attempts' numbers. Clusters are formed
    within one production day and combination, as those of the tallies are. Pieces that were right at once, by far the
    most, are only counted; the others are followed attempt by attempt.
    """
    a = reader.tables.attempts.c
    by = divided_by(question, a)
    within = (*by, *(a[name].label(f"in_{name}") for name in CLUSTER))
    names = [column.name for column in within]
    where = (*conditions_of(reader, question, a), a.attempt_no == 1)
    firsts, decided_at_once = _of_firsts(reader, question, names, where)
    steps, decided = _of_followed(reader, within, names, where)
    all_decided = _per_cluster(union_all(decided_at_once, decided).subquery("all_decided"), names)
    further = _per_cluster(steps.subquery("steps"), names).cte("further")
    clusters = union_all(*firsts, all_decided, select(*further.c)).subquery("clusters")
    by_names = [column.name for column in by]
    # All earlier steps at once: PostgreSQL takes those from the second on for few, and would pair all with all.
    earlier = union_all(firsts[-1], select(*further.c)).cte("earlier")
    found = union_all(_over_clusters(clusters.c, by_names), _products(earlier, further, by_names)).subquery("found")
    return select(*found.c)


def _over_clusters(c: Any, by_names: Sequence[str]) -> Select[Any]:
    """Sums over clusters, from which intervals are made."""
    n, x = (case((column > MOST_IN_CLUSTER, MOST_IN_CLUSTER), else_=column) for column in (c.n, c.x))
    group = [c[name] for name in by_names]
    return select(
        *group,
        literal(0, Integer).label("earlier"),
        c.series,
        total(c.n).label("n"),
        total(c.x).label("x"),
        total(case((n > 0, 1), else_=0)).label("clusters"),
        total(n * n).label("n2"),
        total(case((n > 0, x * x * E6 // n), else_=0)).label("x2_over_n_e6"),
    ).group_by(*group, c.series)


def _products(earlier: FromClause, later: FromClause, by_names: Sequence[str]) -> Select[Any]:
    """Products of the counts of each cluster at two steps, summed over clusters."""
    e, l = earlier.c, later.c  # noqa: E741
    # Values of a group may be null; the names of a cluster never are.
    same = [e[name].is_not_distinct_from(l[name]) for name in by_names]
    same += [e[f"in_{name}"] == l[f"in_{name}"] for name in CLUSTER]
    group = [*(l[name] for name in by_names), e.series.label("earlier"), l.series]
    products = (e.n * l.n, e.x * l.x, e.n * l.x, e.x * l.n)
    sums = [total(product).label(name) for product, name in zip(products, ("n", "x", "clusters", "n2"), strict=True)]
    return (
        select(*group, *sums, literal(0, BigInteger).label("x2_over_n_e6"))
        .select_from(later.join(earlier, and_(e.series < l.series, *same)))
        .group_by(*group[:-2], e.series, l.series)
    )


def _per_cluster(parts: Subquery, names: Sequence[str]) -> Select[Any]:
    """(names, series, n, x) summed over each cluster."""
    within = [parts.c[name] for name in (*names, "series")]
    return select(*within, total(parts.c.n).label("n"), total(parts.c.x).label("x")).group_by(*within)


def _is_right(a: Any) -> ColumnElement[bool]:
    return and_(a.state == "finished", a.good == a.quantity)


def _is_judged(a: Any) -> ColumnElement[bool]:
    return and_(a.state == "finished", a.tried > 0, a.pending == 0)


def _if(condition: ColumnElement[bool]) -> ColumnElement[int]:
    return case((condition, 1), else_=0)


def _of_firsts(
    reader: Reader, question: Question, names: Sequence[str], where: Expressions
) -> tuple[list[Select[Any]], Select[Any]]:
    """(names, series, n, x) of each cluster, as far as first attempts tell: pieces and the first step; the decided."""
    a = reader.tables.attempts.c
    sums = {
        "pieces": total(literal(1)),
        "judged": total(_if(_is_judged(a))),
        "right": total(_if(_is_right(a))),
    }
    c = by_cluster(reader, question, where, sums).cte("firsts").c
    # Looked for only where any is: no index tells which of a window these are.
    nameless = reader.tables.attempts.alias("nameless").c
    is_any = exists().where(nameless.site == reader.site, nameless.piece_key.is_(None), nameless.attempt_no == 1)
    not_named = (*where, is_any, a.piece_key.is_(None))
    unnamed = by_cluster(reader, question, not_named, {"n": sums["pieces"]}).cte("unnamed").c
    of_series = ((_PIECES, c.pieces), (_FIRST_STEP, c.judged), (_DECIDED, c.right))
    *plain, decided = [_series([c[name] for name in names], number, n, c.right) for number, n in of_series]
    return [_series([unnamed[name] for name in names], _UNNAMED, unnamed.n, unnamed.n), *plain], decided


def _series(within: Expressions, number: Any, n: Any, x: Any) -> Select[Any]:
    return select(*within, cast(number, Integer).label("series"), n.label("n"), x.label("x"))


def _of_followed(
    reader: Reader, within: Expressions, names: Sequence[str], where: Expressions
) -> tuple[Select[Any], Select[Any]]:
    """(names, series, n, x) of each piece that was not right at once: further steps; whether it was decided."""
    a = reader.tables.attempts.c
    failed = (
        select(
            *within,
            a.site,
            a.attempt.label("root"),
            a.piece_key,
            _if(~_is_judged(a)).label("root_stops"),
            *(column.label(f"root_{column.name}") for column in _became(a)),
        )
        .where(*where, ~_is_right(a))
        .cte("failed")
    )
    later = _numbered(reader, failed, names)
    at, one = later.c, literal(1, Integer)
    steps = _series([at[name] for name in names], at.number, one, at.right)
    ended = _ended(reader, failed, later, names).c
    decided = _series([ended[name] for name in names], literal(_DECIDED), one, ended.came)
    return (
        steps.where(at.judged == 1, at.stops_before == 0),
        decided.where(or_(ended.came == 1, ended.given_up == 1)),
    )


def _became(a: Any) -> Expressions:
    """What decides a piece: did all parts come, does one wait, and of what the attempt was."""
    return (
        _if(and_(a.state == "finished", a.good + a.recovered == a.quantity)).label("came"),
        _if(or_(a.state == "open", a.pending > 0, a.in_rework > 0)).label("waits"),
        a.job,
        a.plate,
        a.day,
    )


def _following(reader: Reader, failed: CTE, names: Sequence[str]) -> CTE:
    """Later attempts on the pieces that begin so: what becomes of each, and of its piece `_OF_PIECE` and the names."""
    named, retry, follower = (reader.tables.attempts.alias(name) for name in ("named", "retry", "follower"))
    of_piece = [failed.c[name] for name in (*_OF_PIECE, *names)]
    # The site from the other side: SQLite would else begin with all attempts of the site.
    of_site = failed.c.site
    by_name = failed.join(named, and_(named.c.site == of_site, named.c.piece_key == failed.c.piece_key))
    by_retry = failed.join(retry, and_(retry.c.site == of_site, retry.c.retry_of == failed.c.root))
    starts = union_all(
        select(*of_piece, *_each(named.c))
        .select_from(by_name)
        .where(named.c.attempt_no > 1, ~_follows_another(reader, named.c)),
        select(*of_piece, *_each(retry.c)).select_from(by_retry).where(retry.c.attempt_no > 1),
    ).cte("starts")
    walk = select(*starts.c).cte("walk", recursive=True)
    # An attempt names one other: so it is reached once, and only a circle through the root could lead back to it.
    return walk.union_all(
        select(*(walk.c[name] for name in (*_OF_PIECE, *names)), *_each(follower.c))
        .select_from(walk.join(follower, and_(follower.c.site == walk.c.site, follower.c.retry_of == walk.c.attempt)))
        .where(follower.c.attempt_no > 1)
    )


def _each(a: Any) -> Expressions:
    """An attempt in its order, and what became of it."""
    return (
        a.attempt,
        a.attempt_no,
        a.started_us,
        _if(_is_judged(a)).label("judged"),
        _if(_is_right(a)).label("right"),
        *_became(a),
    )


def _follows_another(reader: Reader, columns: Any) -> ColumnElement[bool]:
    """True where an attempt's `retry_of` names one that is known."""
    target = reader.tables.attempts.alias("target").c
    known = exists().where(
        target.site == reader.site, target.attempt == columns.retry_of, target.attempt_no.is_not(None)
    )
    return and_(columns.retry_of.is_not(None), known)


def _numbered(reader: Reader, failed: CTE, names: Sequence[str]) -> CTE:
    """Later attempts of each piece in order: number from 2 on, those before it that were no judged failures."""
    c = _following(reader, failed, names).c
    order = (c.attempt_no, c.started_us, c.attempt)
    stops = func.sum(case((and_(c.judged == 1, c.right == 0), 0), else_=1)).over(
        partition_by=c.root, order_by=order, rows=(None, -1)
    )
    return select(
        *c,
        (func.row_number().over(partition_by=c.root, order_by=order) + 1).label("number"),
        (c.root_stops + func.coalesce(stops, 0)).label("stops_before"),
        func.lead(c.attempt).over(partition_by=c.root, order_by=order).is_(None).label("is_newest"),
    ).cte("later")


def _ended(reader: Reader, failed: CTE, later: CTE, names: Sequence[str]) -> CTE:
    """(names, came, given_up) of each piece that was not right at once."""
    f, n = failed.c, later.c
    jobs, plates = reader.tables.jobs, reader.tables.plates
    j, p = jobs.c, plates.c
    of_piece = [n[name] for name in ("root", *names)]
    newest = [func.max(case((n.is_newest, n[name]))).label(name) for name in ("job", "plate", "day")]
    came, waits = (func.max(case((n[name] == 1, 1), else_=n[f"root_{name}"])).label(name) for name in ("came", "waits"))
    alone = [*(f[name] for name in ("root", *names)), *(f[f"root_{name}"].label(name) for name in _BECAME)]
    # Two kinds apart, not one outer join: SQLite would look through all that were retried for each piece.
    became = union_all(
        select(*alone).where(f.root.not_in(select(n.root))),
        select(*of_piece, came, waits, *newest).group_by(*of_piece),
    ).cte("became")
    b = became.c
    abandoned = [j.state == "closed", and_(j.job.is_(None), p.state == "closed")]
    if (newest_day := _newest_day(reader)) is not None:
        abandoned.append(b.day < (newest_day - timedelta(days=GIVEN_UP_DAYS)).isoformat())
    return (
        select(
            *(b[name] for name in names),
            b.came,
            _if(and_(b.came == 0, b.waits == 0, or_(*abandoned))).label("given_up"),
        )
        .select_from(
            became.outerjoin(jobs, and_(j.site == reader.site, j.job == b.job)).outerjoin(
                plates, and_(p.site == reader.site, p.plate == b.plate)
            )
        )
        .cte("ended")
    )


def _newest_day(reader: Reader) -> date | None:
    """Newest production day of the site: by the ledger, not by a clock, so that equal events give equal figures."""
    a = reader.tables.attempts.c
    newest = reader.connection.execute(select(func.max(a.day)).where(a.site == reader.site)).scalar_one()
    return None if newest is None else date.fromisoformat(newest)


def pieces_without_first(reader: Reader, question: Question) -> int:
    """Pieces in the window of which no attempt is known to be the first."""
    a, first = reader.tables.attempts.c, reader.tables.attempts.alias("first").c
    has_first = exists().where(first.site == reader.site, first.piece_key == a.piece_key, first.attempt_no == 1)
    piece = func.coalesce(a.piece_key, a.attempt)
    query = select(func.count(piece.distinct())).where(
        *conditions_of(reader, question, a), a.attempt_no > 1, ~_follows_another(reader, a), ~has_first
    )
    return int(reader.connection.execute(query).scalar_one())
