"""A trial of the shop's engineer: does a new steel want a slower feed, or more pressure? Planned, cut, concluded."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import product
from typing import Any, Final

from demo import hours
from demo.cuts import Cut
from demo.floor import TERMINALS
from demo.recipes import recipe
from demo.sayings import ENGINEERING, ERP, STORE, Saying, say
from demo.truth import LASER_8

#: A steel that nothing else is cut from, so that the trial says nothing of the others.
NEW_STEEL: Final = "S690QL"
TRIAL: Final = "TR-feed"
JOB: Final = "J-trial"
MM: Final = 20
PLATES: Final = 4
PARTS: Final = 6
#: The faster feed, and how many parts come out good at it and at the usual one.
FASTER: Final = 1.08
GOOD_AT: Final = {"usual": 0.94, "faster": 0.55}
CUT: Final = timedelta(minutes=4)
#: From one run to the next, and how long a plate takes.
STEP: Final = timedelta(minutes=6)
ON_A_PLATE: Final = 4 * STEP + timedelta(minutes=12)


def trial(seed: int, *, last_day: date, cuts: Sequence[Cut]) -> list[Saying]:
    """Word the whole of it: one plate a day, between the other cuts of its machine."""
    rng = random.Random(f"shop {seed} trial")
    days = [last_day - timedelta(days=ahead) for ahead in range(12, 12 - PLATES, -1)]
    planned_at = hours.moment(days[0] - timedelta(days=1), minutes=300)
    usual = recipe(LASER_8, thickness_mm=MM)
    feeds = (usual["feed_mm_min"], round(usual["feed_mm_min"] * FASTER))
    pressures = (usual["gas_pressure_bar"], round(usual["gas_pressure_bar"] + 0.15, 2))
    sheet = [(levels, block) for block in range(1, PLATES + 1) for levels in _shuffled(rng, product(feeds, pressures))]
    said = [_ordered(rng, planned_at - timedelta(hours=1), due=days[-1])]
    said += [_planned(rng, planned_at, feeds=feeds, pressures=pressures, sheet=sheet)]
    for block, day in enumerate(days, start=1):
        begins, plate = _idle(cuts, day), f"P-{NEW_STEEL}-{block}"
        said.append(_received(rng, planned_at + timedelta(minutes=block), plate))
        runs = [(number, levels) for number, (levels, on) in enumerate(sheet, start=1) if on == block]
        for place, (number, levels) in enumerate(runs):
            said += _cut(rng, begins + place * STEP, number, levels, plate, is_usual=levels[0] == feeds[0])
        ended = begins + ON_A_PLATE
        said.append(say(rng, ended, source=STORE, kind="plate.closed", subject=plate, data={"reason": "used"}))
    done = {"reason": "complete"}
    said.append(say(rng, ended + timedelta(hours=1), source=ERP, kind="job.closed", subject=JOB, data=done))
    learned = {"reason": "complete", "conclusion": "this steel wants the usual feed; pressure made no difference"}
    said.append(say(rng, ended + timedelta(hours=2), source=ENGINEERING, kind="trial.concluded", subject=TRIAL,
                    data=learned))  # fmt: skip
    return said


def _ordered(rng: random.Random, at: datetime, *, due: date) -> Saying:
    data = {
        "part_number": "LUG-trial", "quantity": 4 * PLATES * PARTS, "material": NEW_STEEL, "thickness_mm": MM,
        "purpose": "trial", "order": "in-house", "operation": "0020", "work_centre": LASER_8, "due": due.isoformat(),
        "cut_length_mm": 360, "pierces_per_part": 1, "part_mass_kg": 1.2,
    }  # fmt: skip
    return say(rng, at, source=ERP, kind="job.opened", subject=JOB, data=data)


def _shuffled(rng: random.Random, levels: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    some = list(levels)
    rng.shuffle(some)
    return some


def _planned(
    rng: random.Random, at: datetime, *, feeds: Sequence[float], pressures: Sequence[float], sheet: Sequence[Any]
) -> Saying:
    data = {
        "question": f"does {NEW_STEEL} stand the faster feed, or more pressure?",
        "machine": LASER_8,
        "material": NEW_STEEL,
        "thickness_mm": MM,
        "gas": "oxygen",
        "response": "first_pass",
        "factors": [
            {"name": "feed_mm_min", "levels": list(feeds)},
            {"name": "gas_pressure_bar", "levels": list(pressures)},
        ],
        "runs": [{"levels": list(levels), "block": block} for levels, block in sheet],
        "parts_a_run": PARTS,
        "stop_failed_runs": 5,
    }
    return say(rng, at, source=ENGINEERING, kind="trial.planned", subject=TRIAL, data=data)


def _received(rng: random.Random, at: datetime, plate: str) -> Saying:
    data = {"material": NEW_STEEL, "thickness_mm": MM, "length_mm": 1000, "width_mm": 500, "mill": "Mill N",
            "heat_number": "N69020", "rust_grade": "A"}  # fmt: skip
    return say(rng, at, source=STORE, kind="plate.received", subject=plate, data=data)


def _cut(
    rng: random.Random, at: datetime, number: int, levels: tuple[float, float], plate: str, *, is_usual: bool
) -> Iterator[Saying]:
    chance = GOOD_AT["usual" if is_usual else "faster"]
    good, name = sum(rng.random() < chance for _ in range(PARTS)), f"A-{TRIAL}-{number:02}"
    settings = recipe(LASER_8, thickness_mm=MM) | {"feed_mm_min": levels[0], "gas_pressure_bar": levels[1]}
    begun = {
        "job": JOB, "plate": plate, "machine": LASER_8, "run": f"R-{TRIAL}-{number:02}", "piece": str(number),
        "purpose": "trial", "recipe": settings, "gas": "oxygen", "quantity": PARTS,
    }  # fmt: skip
    ended: dict[str, Any] = {
        "outcome": "severed", "seconds": CUT.total_seconds(), "pierces": PARTS, "failed_pierces": 0, "good": good,
        "scrap": PARTS - good,
    }  # fmt: skip
    if good < PARTS:
        ended["defects"] = [{"term": "gouging", "parts": PARTS - good}]
    source = TERMINALS[LASER_8]
    yield say(rng, at, source=source, kind="attempt.started", subject=name, data=begun)
    yield say(rng, at + CUT, source=source, kind="attempt.finished", subject=name, data=ended)
    told = {"run": number, "attempt": name}
    yield say(rng, at + CUT + timedelta(seconds=40), source=source, kind="trial.cut", subject=TRIAL, data=told)


def _idle(cuts: Sequence[Cut], day: date) -> datetime:
    """When the machine stands idle for long enough on a production day; the middle of it where it never does."""
    busy = sorted((cut.started_at, cut.finished_at) for cut in cuts if cut.machine == LASER_8)
    begins, ends = hours.moment(day, minutes=30), hours.moment(day, minutes=1380)
    for started_at, finished_at in busy:
        if started_at - begins >= ON_A_PLATE or begins >= ends:
            break
        begins = max(begins, finished_at + timedelta(minutes=1))
    return begins
