"""Which derived facts failures are said to go with: nothing where nothing does, and what was planted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from worker.reports.fact_bands import (
    FACTS,
    HOLE,
    HOURS,
    MINUTES,
    NOT_KNOWN,
    ORDER,
    PIERCES,
    Explained,
    Judged,
    explained,
)

CONFIDENCE = 0.95
TRIALS = 300
#: A shop: plates of so many attempts of so many parts, in four thicknesses whose failures differ.
PLATES, ATTEMPTS, PARTS = 120, 10, 4
RATES = np.array([0.04, 0.08, 0.12, 0.2])
Planted = Callable[[dict[str, Any]], Any]


def shop(rng: Any, planted: Planted | None = None, *, plates: int = PLATES, luck: float = 0.5) -> Judged:
    """Plates of part numbers, each with its luck; a thicker one is cut by fewer, larger parts, later in the day."""
    plate = np.repeat(np.arange(plates), ATTEMPTS)
    part = rng.integers(0, 30, plates)[plate]
    thickness = part % 4
    order = np.tile(np.arange(1, ATTEMPTS + 1), plates)
    # Ten minutes an attempt, four plates a day; a nozzle holds for some 25 plates
    within_day = (plate % 4) * ATTEMPTS + order - 1
    ratio = rng.integers(300, 3_000, 30)
    values = {
        ORDER: order, MINUTES: 10 * (order - 1), HOURS: within_day // 6 + thickness,
        PIERCES: ((plate % 25) * ATTEMPTS + order - 1) * 12, HOLE: ratio[part],
        "web_ratio": np.roll(ratio, 1)[part], "corner_ratio": np.where(part % 3 == 0, NOT_KNOWN, ratio[part] // 4),
    }  # fmt: skip
    lucky = np.exp(rng.normal(0, luck, plates))[plate] * np.exp(rng.normal(0, luck, 30))[part]
    chance = RATES[thickness] * lucky * (1.0 if planted is None else planted(values))
    failures = rng.binomial(PARTS, np.minimum(0.9, chance))
    whole = {name: np.asarray(value, dtype=np.int64) for name, value in values.items()}
    return Judged(np.full(len(plate), PARTS), failures, plate, part, thickness, whole)


def found(judged: Judged) -> Explained:
    return explained(judged, confidence=CONFIDENCE)


def names(told: Explained) -> set[str]:
    return {one.fact.name for one in told.by}


@pytest.mark.parametrize("plates", [20, PLATES])
def test_where_nothing_goes_with_failures_nothing_is_claimed(plates: int) -> None:
    rng = np.random.default_rng(9)
    claimed = [bool(found(shop(rng, plates=plates)).by) for _ in range(TRIALS)]
    # Of 2,000 such shops 3.8 and 4.9 %; two standard errors of these fewer ones more
    assert np.mean(claimed) <= 0.05 + 2 * (0.05 * 0.95 / TRIALS) ** 0.5


@pytest.mark.parametrize(
    ("fact", "planted"),
    [
        (ORDER, lambda values: 1 + 0.15 * values[ORDER]),
        (HOURS, lambda values: 3 / (1 + values[HOURS])),
        (PIERCES, lambda values: 1 + values[PIERCES] / 1_000),
        (HOLE, lambda values: np.where(values[HOLE] < 1_000, 4.0, 1.0)),
    ],
)
def test_what_was_planted_is_found(fact: str, planted: Planted) -> None:
    rng = np.random.default_rng(5)
    told = [names(found(shop(rng, planted))) for _ in range(40)]
    assert np.mean([fact in each for each in told]) >= 0.7


def test_bands_are_joined_until_each_has_five_plates_and_stand_beside_the_first() -> None:
    # Ten plates of four attempts; on the first three of them a fifth. Failures: one plate in two at the third, all at
    # the fourth, one plate at the first.
    plate = np.array([each for each in range(10) for _ in range(4)] + [0, 1, 2])
    order = np.array([1, 2, 3, 4] * 10 + [16] * 3)
    fails = np.where(order >= 4, 2, np.where(order == 3, plate % 2, (plate == 9) & (order == 1)))
    nought = np.zeros(len(plate), dtype=np.int64)
    values = {fact.name: np.full(len(plate), NOT_KNOWN) for fact in FACTS} | {ORDER: order}
    told = found(Judged(nought + 2, fails.astype(np.int64), plate, nought, nought, values))
    assert (names(told), told.tested) == ({ORDER}, 1)
    rows = told.details["explained_by"]
    assert [(row["band_from"], row["band_to"], row["plates"], row["parts"], row["failures"]) for row in rows] == [
        (1, 2, 10, 20, 1), (2, 4, 10, 40, 5), (4, None, 10, 26, 26),
    ]  # fmt: skip
    assert [row["share"] for row in rows] == [1 / 20, 5 / 40, 1]
    assert [row["expected"] for row in rows] == [None, 1 / 20, 1 / 20]
    assert [row["more"] for row in rows[1:]] == pytest.approx([0.075, 0.95])
    assert {row["trend"] for row in rows} == {"rises"}


def test_thick_plate_late_on_its_plate_explains_nothing() -> None:
    rng = np.random.default_rng(3)
    plate, order = np.repeat(np.arange(200), 8), np.tile(np.arange(1, 9), 200)
    thick = (order > 4).astype(np.int64)
    fails = rng.binomial(2, np.where(thick, 0.4, 0.05))
    nought = np.zeros(len(plate), dtype=np.int64)
    values = {fact.name: np.full(len(plate), NOT_KNOWN) for fact in FACTS} | {ORDER: order}
    assert not found(Judged(nought + 2, fails, plate, nought, thick, values)).by
    assert names(found(Judged(nought + 2, fails, plate, nought, nought, values))) == {ORDER}


def test_parts_of_one_number_stand_together_so_few_numbers_explain_nothing() -> None:
    # Four part numbers on fifty plates each, those with the small holes worse: four are too few to tell.
    plate = np.repeat(np.arange(200), 4)
    part = plate % 4
    nought = np.zeros(len(plate), dtype=np.int64)
    fails = (np.arange(len(plate)) % 10 < np.where(part < 2, 5, 1)).astype(np.int64)
    values = {fact.name: np.full(len(plate), NOT_KNOWN) for fact in FACTS}
    hole = values | {HOLE: np.where(part < 2, 500, 1_500)}
    told = found(Judged(nought + 1, fails, plate, part, nought, hole))
    assert (told.by, told.tested) == ((), 0)


def test_nothing_known_tests_nothing() -> None:
    nothing = np.zeros(0, dtype=np.int64)
    values = {fact.name: nothing for fact in FACTS}
    assert found(Judged(nothing, nothing, nothing, nothing, nothing, values)) == Explained()
