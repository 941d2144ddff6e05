"""A dossier as plain values: what is proven, by which plan and cuts, and whether it holds today."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any, Final

from sqlalchemy import select

from worker import proofs
from worker.cautions import CAUTIONS
from worker.dossier.cuts import PARTS, Against, Cut, against, certificates, cuts_of, releases_here, settings_of
from worker.dossier.edges import edges_of, notes_on
from worker.dossier.validity import Validity, validity
from worker.holds import shown as hold_shown
from worker.placing import mm
from worker.proof_standing import PASSED, Trial
from worker.reports.proof_trials import Proof, ProofReader, plans
from worker.reports.proof_words import RULES, cut_of, notes_of, risks_of, state_of
from worker.reports.reading import Reader, instant
from worker.reports.released import shown as release_shown
from worker.sentences import Sentence, counted, joined, sentence

Value = dict[str, Any]
#: Trials that are told one by one; all figures are over all of them.
MOST_TRIALS: Final = 1_000
FIGURES_ONLY: Final = sentence("figures are evidence of past cuts, not permission")


class NotProven(Exception):
    """The series of a proof has not passed. `detail`: how it stands, in a sentence."""

    def __init__(self, detail: Sentence) -> None:
        super().__init__(detail)
        self.detail = detail


def dossier(reader: Reader, name: str, *, today: date) -> Value | None:
    """The dossier of a proof as it stands on a production day, or None where there is no such proof.

    Raises NotProven where its series has not passed, or is open again.
    """
    planned = next(iter(plans(reader, proof=name, with_owed=True)), None)
    if planned is None:
        return None
    told = ProofReader(reader).proof(planned)
    decided = told.standing.decided
    if told.standing.state != PASSED or decided is None:
        raise NotProven(
            sentence(
                "proof %(proof)s has not passed, and a dossier is of what is proven; it stands so: %(state)s",
                proof=repr(name),
                state=state_of(told),
            )
        )
    trials = [step.trial for step in told.standing.steps]
    by_attempt = cuts_of(reader, [trial.attempt for trial in trials])
    cuts = [by_attempt[trial.attempt] for trial in trials]
    releases = releases_here(reader, cuts)
    beside = [against(reader, cut, releases) for cut in cuts]
    thickness_mm = mm(planned.plan.thickness_nm) or 0.0
    edges = edges_of(reader, [cut.attempt for cut in cuts], thickness_mm=thickness_mm)
    found = validity(reader, decided, cuts, machine=planned.plan.machine, today=today)
    return {
        "site": reader.site,
        "as_of_day": today.isoformat(),
        **_validity(found),
        "proof": proofs.shown(told),
        "proven": joined(": ", (cut_of(planned.plan), state_of(told))),
        "recipes": sorted({cut.recipe_name for cut in cuts if cut.recipe_name is not None}),
        "trials": _trials(reader, told, cuts, beside),
        "parts": {name: sum(cut.parts[name] for cut in cuts) for name in PARTS},
        "settings": settings_of(cuts, beside),
        "releases": [release_shown(each) for each in releases if any(one.release is each for one in beside)],
        "edges": edges,
        "left_out": {
            "for_trial": told.left_out.for_trial,
            "bevelled": told.left_out.bevelled,
            "otherwise": told.left_out.otherwise,
            "no_trials": told.standing.void + told.standing.untried,
            "early": told.early,
            "left_over": told.standing.left_over,
        },
        "services": _services(reader, cuts, decided),
        "notes": list(_notes(told, cuts, beside, edges, thickness_mm)),
        "cautions": CAUTIONS,
    }


def _validity(found: Validity) -> Value:
    return {
        "state": found.state,
        "detail": found.detail,
        "until": found.until.isoformat(),
        "ended_by": found.end and found.end.what,
        "ended_day": found.end and found.end.day and found.end.day.isoformat(),
        "ends": [
            {
                "what": each.what,
                "rule": each.rule,
                "day": each.day and each.day.isoformat(),
                "detail": each.detail,
            }
            for each in found.ends
        ],
        "holds": [hold_shown(hold) for hold in found.holds],
    }


def _trials(reader: Reader, told: Proof, cuts: Sequence[Cut], beside: Sequence[Against]) -> list[Value]:
    steps = told.standing.steps[:MOST_TRIALS]
    papers = certificates(reader, {cut.plate for cut in cuts[:MOST_TRIALS] if cut.plate is not None})
    return [
        proofs.trial_shown(number, step)
        | {
            "mill": step.trial.mill,
            "certificate": None if cut.plate is None else papers.get(cut.plate),
            "recipe": cut.recipe_name,
            "settings": each.word,
        }
        for number, (step, cut, each) in enumerate(zip(steps, cuts, beside, strict=False), start=1)
    ]


def _services(reader: Reader, cuts: Sequence[Cut], decided: Trial) -> list[Value]:
    """What was done on its machine since the trial that decided it: each kind, how often, when last."""
    s = reader.tables.services.c
    machines = sorted({cut.cell[2] for cut in cuts})
    query = (
        select(s.what, s.time_us)
        .where(s.site == reader.site, s.machine.in_(machines), s.day >= decided.day, s.time_us > decided.started_us)
        .order_by(s.what, s.time_us)
    )
    times: Mapping[str, list[int]] = defaultdict(list)
    for what, time_us in reader.connection.execute(query):
        times[what].append(time_us)
    return [{"what": what, "times": len(each), "last_at": instant(each[-1])} for what, each in times.items()]


def _notes(
    told: Proof, cuts: Sequence[Cut], beside: Sequence[Against], edges: Sequence[Value], thickness_mm: float
) -> Iterator[str]:
    yield FIGURES_ONLY
    yield from RULES
    if risks := risks_of(told.planned.plan):
        yield risks
    yield from notes_of(told)
    yield from notes_on(edges, trials=len(cuts), thickness_mm=thickness_mm)
    if untold := sum(not cut.settings for cut in cuts):
        yield counted(
            untold, "%(count)s trial tells none of its settings", "%(count)s trials tell none of their settings"
        )
    if all(each.release is None for each in beside):
        yield sentence("nothing is released of the recipes that its trials were cut with")
    if len(cuts) > MOST_TRIALS:
        yield sentence(
            "of %(count)s trials the first %(most)s are told one by one; all figures are over all of them",
            count=len(cuts),
            most=MOST_TRIALS,
        )
