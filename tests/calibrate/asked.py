"""The reports, asked about simulated sums: their own code, or the same calls in the same order, without a database."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final, cast

from sqlalchemy import Connection

from tests.calibrate.plates import Sums, added
from worker.measures import FIRST_PASS, ShareOf
from worker.reports import bad_lots, change, plate_conditions
from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, assemble, named_measures
from worker.reports.recipe_cells import SUMMED, Read, cell_of
from worker.reports.recipe_pairs import Alike, Compared, compared_yields, pairings_of, q_values
from worker.reports.report import AsOf, Report
from worker.sites import DEFAULTS, Settings, SiteCalendar
from worker.stats.clustering import correlation
from worker.stats.ewma import chart_ewma
from worker.stats.lots import FALSE_SHARE, Funnel, funnel
from worker.stats.runs import confirmed
from worker.stats.strata import Comparison

CONFIDENCE: Final = 0.95
_YIELD: Final = named_measures("first_pass_yield")
#: Nothing is read: the sums are given, and a division by thickness looks up no names.
_READER: Final = Reader(
    connection=cast(Connection, None),
    site="main",
    calendar=SiteCalendar([Settings(date.min, dict(DEFAULTS))]),
    revision=1,
    as_of=AsOf(position=1, at=None, waiting=0, set_aside=0),
)


def _question(by: tuple[str, ...] = (), **options: str) -> Question:
    dimensions = tuple(DIMENSIONS[name] for name in by)
    return Question(date(2026, 1, 1), date(2026, 12, 31), dimensions, {}, {}, CONFIDENCE, options)


_BY_THICKNESS: Final = _question(("thickness",))
_CONDITIONS: Final = _question(condition="surface")


def thickness(place: int) -> int:
    """A thickness for each place, as it is stored."""
    return (place + 1) * 10_000_000


def yields(by_thickness: list[Sums]) -> Report:
    """Report `yield` by thickness: a row each, and the totals."""
    groups = {(thickness(place),): sums for place, sums in enumerate(by_thickness)}
    return assemble(
        "yield", _READER, _BY_THICKNESS, groups=groups, totals=added(by_thickness), measures=_YIELD, notes=[]
    )


def conditions(pairs: list[tuple[Sums, Sums]]) -> Report:
    """Report `conditions` of clean and disturbed plate at each thickness."""
    groups: dict[Group, Sums] = {}
    for place, (clean, disturbed) in enumerate(pairs):
        groups["clean", thickness(place), None, None] = clean
        groups["disturbed", thickness(place), None, None] = disturbed
    return plate_conditions._answer(_READER, _CONDITIONS, groups, [], {"material": {}, "machine": {}})


def recipes(pairs: list[tuple[Sums, Sums]]) -> Comparison:
    """Report `recipes` of two recipes on the same thicknesses."""
    counts = [(FIRST_PASS.counts(one), FIRST_PASS.counts(other)) for one, other in pairs]
    pooled = correlation([one for pair in counts for one in pair])
    return compared_yields(counts, pooled=pooled, confidence=CONFIDENCE)


def best_so_far(by_recipe: list[tuple[Sums, Sums]]) -> tuple[list[float | None], list[float | None]]:
    """(q values, p values) of the best recipe so far against the others: each cut on clean and on disturbed plate."""
    clean, disturbed = ((thickness(0), None, None, None, surface, "as_supplied") for surface in ("clean", "disturbed"))
    sums = dict.fromkeys(SUMMED, 0)
    cells = {
        f"recipe {place}": {clean: cell_of(one, sums), disturbed: cell_of(other, sums)}
        for place, (one, other) in enumerate(by_recipe)
    }
    read = Read(cells, {}, frozenset(cells), 0, 0, [])
    alike, settings = Alike.of(read), _READER.calendar.latest
    pairings, looked_at = pairings_of(read, None, None, alike, confidence=CONFIDENCE)
    pairs = [Compared.of(read, pairing, settings, alike, confidence=CONFIDENCE) for pairing in pairings]
    return q_values(pairs, looked_at), [pair.comparison.p for pair in pairs]


def lots(by_lot: Iterable[Mapping[int, Sums]]) -> dict[int, Funnel]:
    """The funnels of report `lots`, by the lot's place: each given by thickness."""
    return funnel(
        {
            place: {nm: FIRST_PASS.counts(sums).failures for nm, sums in strata.items()}
            for place, strata in enumerate(by_lot)
        }
    )


def called(found: Funnel) -> bool:
    """Does report `lots` call it worse or better? Its plates were cut on several days, with no service in between."""
    is_out = found.outside == "alarm" and found.q is not None and found.q < FALSE_SHARE
    return is_out and found.clusters >= bad_lots.LEAST_PLATES


@dataclass(frozen=True)
class Trend:
    """What report `trend` says of each period: does it signal; and how many changes are confirmed."""

    signals: list[bool]
    confirmed: int


def trend(by_period: list[Sums], *, chart: str, of: ShareOf = FIRST_PASS) -> Trend:
    """The chart of report `trend` over periods in time order, all of one thickness."""
    drawn, _ = change.drawn([{(thickness(0),): of.counts(sums)} for sums in by_period], kind=chart, adjusted=False)
    if chart == "ewma":
        signals = [point.signals for point in chart_ewma(drawn).points]
    else:
        signals = [point.beyond for point in drawn.points]
    return Trend(signals, len(confirmed(drawn)))
