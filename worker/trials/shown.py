"""Trials as the doors show them: the plan, its run sheet as it stands, effects, combinations, what looks best."""

from __future__ import annotations

from typing import Any, Final

from worker.cautions import CAUTIONS
from worker.placing import mm
from worker.reports.reading import Reader, instant
from worker.state import Page, page_of
from worker.stats.factorial import Effect
from worker.trials.analysis import Combination, Told, told_by
from worker.trials.judging import TrialRun
from worker.trials.reading import Trial, trials
from worker.trials.words import notes_of, said_best, said_effect, state_of

Value = dict[str, Any]
#: How cursors of pages of trials begin.
_TRIALS: Final = "t1:"


def page(reader: Reader, *, state: str | None = None, after: str | None = None, limit: int = 100) -> Page:
    """A page of trials by id, those in a state when one is given; without their sheets and effects.

    Raises PageCursorUnreadable.
    """
    wanted = (each for each in trials(reader) if state in (None, each.state))
    return page_of(wanted, lambda each: each.name, summary, form=_TRIALS, after=after, limit=limit)


def trial(reader: Reader, name: str) -> Value | None:
    """One trial with its sheet, effects and what to know of them; None: there is none."""
    found = next(iter(trials(reader, name=name)), None)
    if found is None:
        return None
    told = told_by(found)
    return summary(found) | {
        "sheet": [_run(run) for run in found.runs],
        "effects": [_effect(found, effect) for effect in told.analysis.effects],
        "analysis": _analysis(told),
        "combinations": [_combination(each) for each in told.combinations],
        "best": told.best and {
            "levels": list(told.best.levels), "detail": said_best(found, told.best),
        },
        "notes": list(notes_of(found, told)),
        "cautions": CAUTIONS,
    }  # fmt: skip


def summary(trial: Trial) -> Value:
    """A trial without its sheet and effects."""
    following, ended = trial.next_run, trial.conclusion
    return {
        "id": trial.name,
        "state": trial.state,
        "detail": state_of(trial),
        "planned_at": instant(trial.planned_us),
        "received_at": instant(trial.received_us),
        "source": trial.source,
        "position": trial.position,
        "plan": _plan(trial),
        "runs": len(trial.runs),
        "runs_cut": len(trial.cut),
        "runs_counted": len(trial.counted),
        "runs_failed": trial.failed,
        "next_run": following and {
            "run": following.number, "block": following.block, "levels": list(following.levels),
        },
        "concluded": ended and {
            "reason": ended.reason, "conclusion": ended.conclusion, "at": instant(ended.at_us), "source": ended.source,
        },
    }  # fmt: skip


def _plan(trial: Trial) -> Value:
    plan = trial.plan
    plain = ("question", "machine", "material", "gas", "response", "parts_a_run", "stop_failed_runs", "seed", "note")
    return {name: getattr(plan, name) for name in plain} | {
        "thickness_mm": mm(plan.thickness_nm),
        "factors": [{"name": factor.name, "levels": list(factor.levels)} for factor in plan.factors],
    }


def _run(run: TrialRun) -> Value:
    return {
        "run": run.number,
        "block": run.block,
        "levels": list(run.levels),
        "state": run.state,
        "attempt": run.attempt,
        "plate": run.plate,
        "good": run.x if run.n else None,
        "of": run.n or None,
        "failed": run.failed,
        "reason": run.reason,
    }


def _effect(trial: Trial, effect: Effect) -> Value:
    gap, shares = effect.difference or (None, None, None), effect.shares or (None, None)
    factors = [trial.plan.factors[place] for place in effect.factors]
    ends = {"first": effect.against, "second": effect.levels}
    parts = {name: _parts(trial, effect.factors, places) for name, places in ends.items()}
    return {
        "factors": [factor.name for factor in factors],
        "against": [factor.levels[place] for factor, place in zip(factors, effect.against, strict=True)],
        "levels": [factor.levels[place] for factor, place in zip(factors, effect.levels, strict=True)],
        "told": effect.told,
        "detail": said_effect(trial, effect),
        "difference": gap[0],
        "difference_low": gap[1],
        "difference_high": gap[2],
        "share_against": shares[0],
        "share": shares[1],
        "parts_against": parts["first"],
        "parts": parts["second"],
        "odds_ratio": effect.odds_ratio,
        "odds_ratio_low": effect.low,
        "odds_ratio_high": effect.high,
        "p": effect.p,
        "q": effect.q,
    }


def _parts(trial: Trial, factors: tuple[int, ...], places: tuple[int, ...]) -> int:
    """Parts, or pierces, of the runs that were cut at these levels."""
    wanted = [(factor, trial.plan.factors[factor].levels[place]) for factor, place in zip(factors, places, strict=True)]
    return sum(run.n for run in trial.counted if all(run.levels[factor] == level for factor, level in wanted))


def _analysis(told: Told) -> Value:
    found = told.analysis
    return {
        "method": found.method,
        "overdispersion": found.overdispersion,
        "degrees": found.degrees,
        "within_plates": found.blocks,
        "interactions": found.pairs,
        "reason": found.reason,
    }


def _combination(each: Combination) -> Value:
    found = each.estimate
    return {
        "levels": list(each.levels),
        "runs": each.runs,
        "plates": each.plates,
        "good": each.x,
        "of": each.n,
        "share": found.share,
        "low": found.low,
        "high": found.high,
    }
