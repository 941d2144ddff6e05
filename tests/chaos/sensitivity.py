"""Faults are put in on purpose, one at a time: the harness must see each, and nothing in the same run without it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import click

from tests.chaos import embedded, grown
from tests.chaos.faults import FAULTS
from tests.chaos.figures import Figures

#: Of wrong counting any of these is the sign.
COUNTED_WRONG: Final = ("wrong_tallies", "recount_differs", "audit_differs", "set_aside")


@dataclass(frozen=True)
class Trial:
    """A run that should bring a fault to light, by one of these signs."""

    plan: grown.Plan | embedded.Plan
    signs: Sequence[str]

    def run(self, fault: str) -> Figures:
        """Run it with a fault, or without one."""
        if isinstance(self.plan, embedded.Plan):
            return embedded.run(replace(self.plan, fault=fault))
        return grown.run(replace(self.plan, fault=fault))


def trials(seed: int) -> dict[str, Trial]:
    """The run for each fault."""
    calm = grown.Plan(seconds=12, seed=seed, weights={}, events_a_second=500, batch=30, counting_seconds=15)
    workers_die = {"worker killed": 1, "worker's child killed": 2}
    services_die = {"service killed": 2, "postgres stopped": 1}
    often = (0.4, 1.0)
    return {
        "no-site-lock": Trial(calm, COUNTED_WRONG),
        "counted-before-fold": Trial(
            replace(calm, seconds=18, weights=workers_die, pause_seconds=often, last_kills=1), COUNTED_WRONG
        ),
        # Nothing sweeps here: what no wake-up reports stays owed.
        "wake-up-before-commit": Trial(replace(calm, seconds=8, schedule=False, counting_seconds=8), ("owed",)),
        "answer-before-commit": Trial(
            replace(calm, seconds=18, weights=services_die, pause_seconds=(0.8, 1.6), last_kills=0), ("lost",)
        ),
        "feed-on-sequence": Trial(calm, ("feed_missed",)),
        "deferred-begin": Trial(embedded.Plan(seed=seed, kills=0, seconds=10, batch=30), ("needless_503",)),
    }


def run(
    seed: int, *, only: Sequence[str] = (), controls: bool = True, say: Callable[[str], None] = click.echo
) -> list[Figures]:
    """Try each fault, print the table, and return the runs; a fault that is not seen is missed."""
    runs: list[Figures] = []
    rows: list[tuple[str, str, str, str]] = []
    for name, trial in trials(seed).items():
        if only and name not in only:
            continue
        figures = trial.run(name)
        found = {kind: len(these) for kind, these in figures.judgement.found().items()}
        seen = [f"{found[kind]:,} {kind.replace('_', ' ')}" for kind in trial.signs if kind in found]
        control = trial.run("") if controls else None
        clean = "not run" if control is None else "clean" if control.is_good else f"NOT clean: {_kinds(control)}"
        rows.append(
            (name, FAULTS[name].says, "seen: " + ", ".join(seen) if seen else f"NOT SEEN ({found or 'clean'})", clean)
        )
        runs.append(_told(figures, seen=bool(seen)))
        if control is not None:
            runs.append(control)
    say(f"\n{'fault':<24}{'what it is':<50}{'with it':<66}without it")
    for row in rows:
        say(f"{row[0]:<24}{row[1]:<50}{row[2]:<66}{row[3]}")
    return runs


def _kinds(figures: Figures) -> str:
    return ", ".join([*figures.judgement.found(), *figures.missed])


def _told(figures: Figures, *, seen: bool) -> Figures:
    """The run as its outcome is judged: what is wrong in it is what was wanted."""
    found = {kind: len(these) for kind, these in figures.judgement.found().items()}
    missed = [] if seen else [f"{figures.run}: the fault was not seen"]
    return Figures(figures.run, figures.seed, figures.values | {"seen": seen, "found": found}, missed=missed)
