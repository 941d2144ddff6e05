"""Every measure: its name, unit and definition, and how it is made from sums. Written once; pages, headers and the
API document read it from here. Pure.
"""  # noqa: D205

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from worker.stats.clustering import Clustered, Estimate, clustered_wilson
from worker.stats.yields import rolled_throughput_yield as product_of_yields
from worker.stats.yields import yields_of_stages

Sums = Mapping[str, int]
Value = int | float | Decimal | None

PARTS: Final = "parts"
SHARE: Final = "share (0-1)"
COUNT: Final = "count"
MINUTES: Final = "person-minutes"
SECONDS: Final = "seconds"
KILOGRAMS: Final = "kg"
MONEY: Final = "site's currency"
ISO_22400: Final = "ISO 22400-2:2014"
E3: Final = 1_000
E6: Final = 1_000_000


@dataclass(frozen=True)
class ShareOf:
    """Names of the sums of a share that carries an interval: x of n, and what their clusters add up to.

    `prefix` tells its columns of clusters and design effect from those of another share.
    """

    x: str
    n: str
    clusters: str
    n2: str
    x2_over_n_e6: str
    prefix: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        """All of them."""
        return (self.x, self.n, self.clusters, self.n2, self.x2_over_n_e6)

    def counts(self, sums: Sums) -> Clustered:
        """The counts within sums."""
        return Clustered(
            x=sums[self.x],
            n=sums[self.n],
            clusters=sums[self.clusters],
            n2=sums[self.n2],
            x2_over_n=sums[self.x2_over_n_e6] / E6,
        )

    def estimate(self, sums: Sums, *, confidence: float, pooled: float | None = None) -> Estimate:
        """The share with its interval. pooled: the correlation of all groups; None: that of these sums, where defined.

        The pooled one is preferred: few clusters tell a poor correlation, and an interval made with it is too narrow.
        """
        return clustered_wilson(self.counts(sums), confidence=confidence, pooled=pooled, own=pooled is None)


@dataclass(frozen=True)
class Measure:
    """A measure of a report. `share_of`: of a share that carries an interval, what it is made of."""

    name: str
    unit: str
    definition: str
    make: Callable[[Sums], Value]
    standard: str | None = None
    share_of: ShareOf | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """Its columns in a report: itself and, where it has an interval, the limits and what these rest on."""
        if self.share_of is None:
            return (self.name,)
        rest = (f"{self.share_of.prefix}{name}" for name in ("design_effect", "clusters"))
        return (self.name, f"{self.name}_low", f"{self.name}_high", *rest)

    def values(self, sums: Sums, *, confidence: float, pooled: float | None = None) -> dict[str, Value]:
        """Its columns' values. A ratio with nothing under it is None. pooled: see `ShareOf.estimate`."""
        if self.share_of is None:
            return {self.name: self.make(sums)}
        found = self.share_of.estimate(sums, confidence=confidence, pooled=pooled)
        values = (self.make(sums), found.low, found.high, found.design_effect, sums[self.share_of.clusters])
        return dict(zip(self.columns, values, strict=True))


def ratio(over: int | Fraction, under: int | Fraction) -> float | None:
    """Quotient, rounded once; None when there is nothing under the bar."""
    if not under:
        return None
    # Whole numbers are divided as exactly, ten times as fast.
    return over / under if isinstance(over, int) and isinstance(under, int) else float(Fraction(over) / under)


def scaled(amount: int, scale: int) -> Decimal:
    """The exact decimal of a whole number of scaled units."""
    return Decimal(amount) / scale


def judged(sums: Sums) -> int:
    """Parts with a first verdict, over all attempts."""
    return sums["good"] + sums["rework"] + sums["scrap"] + sums["not_made"]


def made_good(sums: Sums) -> int:
    """Parts good at once or recovered by rework."""
    return sums["good"] + sums["recovered"]


def _cost(sums: Sums) -> Decimal | None:
    return None if sums["attempts_without_cost"] else scaled(sums["cost_e6"], E6)


def _booked_cost(sums: Sums) -> Decimal | None:
    return None if sums["entries_without_cost"] else scaled(sums["booked_rework_cost_e6"], E6)


def _if_pending(sums: Sums, *, good: bool) -> float | None:
    started = sums["parts_judged_first"] + sums["pending_first"]
    return ratio(sums["first_pass_good"] + (sums["pending_first"] if good else 0), started)


def _plain(name: str, unit: str, definition: str, *, of: str | None = None, standard: str | None = None) -> Measure:
    summed = of or name
    return Measure(name, unit, definition, lambda sums: sums[summed], standard)


def _share(name: str, of: ShareOf, definition: str, *, standard: str | None = None) -> Measure:
    return Measure(name, SHARE, definition, lambda sums: ratio(sums[of.x], sums[of.n]), standard, of)


#: Good parts of first attempts; those of one plate stand or fall together.
FIRST_PASS: Final = ShareOf("first_pass_good", "parts_judged_first", "clusters", "cluster_n2", "cluster_x2_over_n_e6")
#: Failed pierces; those of one attempt stand or fall together.
FAILED_PIERCES: Final = ShareOf(
    "failed_pierces", "pierces", "pierce_clusters", "pierce_n2", "pierce_x2_over_n_e6", prefix="pierce_"
)


_MEASURES: Final = (
    _plain("attempts", COUNT, "finished attempts"),
    _plain("first_attempts", COUNT, "finished attempts with attempt number 1"),
    _plain("open_attempts", COUNT, "attempts that have started and not finished; counted here alone"),
    _plain("parts_tried", PARTS, "parts that the attempts reached"),
    _plain("parts_started", PARTS, "parts that first attempts reached"),
    _plain(
        "parts_judged_first", PARTS, "parts of first attempts with a first verdict, those never severed included",
        standard=f"inspected parts, {ISO_22400}",
    ),
    _plain("pending_first", PARTS, "severed parts of first attempts without a verdict"),
    Measure(
        "judged_share", SHARE, "judged parts of first attempts over the parts that they reached",
        lambda sums: ratio(sums["parts_judged_first"], sums["parts_started"]),
    ),
    _plain("first_pass_good", PARTS, "good parts of first attempts", standard=f"good in the first run, {ISO_22400}"),
    _share(
        "first_pass_yield", FIRST_PASS,
        "share of judged parts that were good on the first attempt, without rework; provisional while parts are "
        "pending, since failures are known at once and good parts only when inspected",
        standard=f"first pass yield, {ISO_22400}",
    ),
    Measure(
        "first_pass_yield_if_pending_bad", SHARE, "first-pass yield if no pending part turns out good",
        lambda sums: _if_pending(sums, good=False),
    ),
    Measure(
        "first_pass_yield_if_pending_good", SHARE, "first-pass yield if every pending part turns out good",
        lambda sums: _if_pending(sums, good=True),
    ),
    _plain("good", PARTS, "parts good at the first verdict, all attempts"),
    _plain("rework", PARTS, "parts that needed rework at the first verdict, undeclared rework included"),
    _plain("scrap", PARTS, "parts scrapped at the first verdict"),
    _plain("not_made", PARTS, "parts that the run reached and did not sever"),
    _plain("pending", PARTS, "severed parts without a verdict"),
    _plain("recovered", PARTS, "rework parts that became good"),
    _plain("scrapped", PARTS, "rework parts that ended as scrap"),
    _plain("in_rework", PARTS, "rework parts without an end"),
    _plain("released_by_sample", PARTS, "good parts that no one judged one by one", of="released"),
    _plain(
        "hidden_rework", PARTS,
        "parts called good that were reworked all the same: a lower bound, taken out of good and into rework",
        of="hidden",
    ),
    Measure(
        "yield_after_rework", SHARE, "good and recovered parts over judged parts, all attempts: by part tried",
        lambda sums: ratio(made_good(sums), judged(sums)),
    ),
    Measure(
        "rework_ratio", SHARE, "rework parts over judged parts, all attempts",
        lambda sums: ratio(sums["rework"], judged(sums)), f"rework ratio, {ISO_22400}",
    ),
    Measure(
        "scrap_ratio", SHARE, "scrap, not made and scrapped rework parts over judged parts, all attempts",
        lambda sums: ratio(sums["scrap"] + sums["not_made"] + sums["scrapped"], judged(sums)),
        f"scrap ratio, {ISO_22400}",
    ),
    Measure(
        "attempts_per_good_part", "parts tried per good part", "parts tried over good and recovered parts",
        lambda sums: ratio(sums["parts_tried"], made_good(sums)),
    ),
    _plain("pierces", COUNT, "starting points, over attempts that tell their pierces and their failed ones"),
    _plain(
        "failed_pierces", COUNT, "pierces that did not go through at the first try or blew out into the contour"
    ),
    _share("failed_pierce_rate", FAILED_PIERCES, "failed pierces over pierces"),
    Measure(
        "failed_pierces_per_1000", "per 1,000 pierces", "failed pierces in 1,000 pierces",
        lambda sums: ratio(1000 * sums["failed_pierces"], sums["pierces"]),
    ),
    _plain("attempts_without_pierces", COUNT, "attempts that do not tell enough to count their pierces"),
    Measure(
        "rework_minutes", MINUTES, "unplanned rework on the group's attempts, whenever it was done, so far",
        lambda sums: scaled(sums["rework_minutes_e3"], E3),
    ),
    Measure(
        "rework_minutes_per_good_part", MINUTES, "rework minutes over good and recovered parts",
        lambda sums: ratio(Fraction(sums["rework_minutes_e3"], E3), made_good(sums)),
    ),
    Measure(
        "cutting_seconds", SECONDS, "time of the attempts that tell it", lambda sums: scaled(sums["cutting_ms"], E3)
    ),
    Measure(
        "lost_seconds", SECONDS, "of each attempt's time the share of its scrap and not made parts",
        lambda sums: scaled(sums["lost_us"], E6),
    ),
    _plain("attempts_without_seconds", COUNT, "attempts whose time is not known"),
    _plain("interruptions", COUNT, "interruptions of the cut"),
    Measure(
        "scrap_mass_kg", KILOGRAMS,
        "mass of the scrap, scrapped and not made parts whose blank was lost, where the part's mass is known",
        lambda sums: scaled(sums["scrap_mass_mg"], E6),
    ),
    Measure(
        "cost_of_poor_quality", MONEY,
        "rework minutes x labour rate + lost seconds x machine rate + scrap mass x material price; null where a rate "
        "is not set",
        _cost,
    ),
    Measure(
        "booked_rework_minutes", MINUTES, "unplanned rework whose own production day lies in the window",
        lambda sums: scaled(sums["booked_rework_minutes_e3"], E3),
    ),
    Measure(
        "finishing_minutes", MINUTES, "planned finishing, which is no rework, by its own production day",
        lambda sums: scaled(sums["finishing_minutes_e3"], E3),
    ),
    _plain("rework_entries", COUNT, "entries of unplanned rework by their own production day"),
    _plain("parts_reworked", PARTS, "parts worked on by these entries; a part worked twice counts twice"),
    Measure(
        "booked_rework_cost", MONEY, "booked rework minutes x labour rate; null where the rate is not set", _booked_cost
    ),
)  # fmt: skip

_STAGE_WORDS: Final = {
    "pierce": "failed at the pierce",
    "sever": "were not severed, or were burnt into",
    "surface": "failed by their surface",
    "size": "failed by their size",
    "unstated": "were not good for a reason that no one stated",
}


def _stage_yields(sums: Sums) -> dict[str, Fraction | None]:
    lost = [sums[f"first_lost_{stage}"] for stage in _STAGE_WORDS]
    return dict(zip(_STAGE_WORDS, yields_of_stages(sums["parts_judged_first"], lost), strict=True))


def rolled_throughput_yield(sums: Sums) -> float | None:
    """Product of the stage yields of first attempts, exactly."""
    share = product_of_yields(_stage_yields(sums).values())
    return None if share is None else float(share)


def _stage_measures() -> Iterable[Measure]:
    for stage, words in _STAGE_WORDS.items():
        yield _plain(f"lost_{stage}", PARTS, f"parts of all attempts that {words}")
    for stage, words in _STAGE_WORDS.items():
        yield _plain(f"first_lost_{stage}", PARTS, f"parts of first attempts that {words}")
    for stage in _STAGE_WORDS:

        def make(sums: Sums, stage: str = stage) -> float | None:
            share = _stage_yields(sums)[stage]
            return None if share is None else float(share)

        yield Measure(
            f"{stage}_yield", SHARE, f"parts of first attempts that leave stage {stage} over those that enter it", make
        )
    yield Measure(
        "rolled_throughput_yield", SHARE, "product of the stage yields; equals the first-pass yield",
        rolled_throughput_yield, "rolled throughput yield, ISO 13053-1",
    )  # fmt: skip


#: All measures by name.
MEASURES: Final[dict[str, Measure]] = {measure.name: measure for measure in (*_MEASURES, *_stage_measures())}
