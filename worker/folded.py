"""Attempts folded together: the rows of each, in every table that tells of attempts. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from worker.folding import Contradiction, Cut
from worker.jobs import Job
from worker.lineage import stand
from worker.lost_parts import lost_parts_of
from worker.placing import Row, Surroundings, contradictions_of, place_attempt, place_rework
from worker.plausibility import warnings_of
from worker.readings import readings_of
from worker.sentences import forms_text


class Folded(NamedTuple):
    """Rows of attempts by table, those of the attempts themselves by attempt; and what each contradicts."""

    attempts: dict[str, Row]
    rework: list[Row]
    lost_parts: list[Row]
    warnings: list[Row]
    readings: list[Row]
    contradictions: list[tuple[str, Contradiction]]


def folded(site: str, cuts: Mapping[str, Cut], around: Surroundings) -> Folded:
    """The rows of a site's attempts, among which are all that share a piece or a retry chain with any of them."""
    standings = stand(cuts.values(), job_is_recut=lambda job: _is_recut(around.jobs.get(job or "")))
    found = Folded({}, [], [], [], [], [])
    for attempt, cut in cuts.items():
        standing = standings.get(attempt)
        row = found.attempts[attempt] = place_attempt(cut, standing, around)
        found.rework.extend([place_rework(event, row, around.calendar) for event in cut.reworked])
        if cut.state == "finished":
            found.lost_parts.extend(lost_parts_of(cut, row))
            found.warnings.extend(warnings_of(cut, row, around))
            found.readings.extend(readings_of(cut, row))
        found.contradictions.extend([(attempt, said) for said in contradictions_of(cut, standing, around)])
    for warning in found.warnings:
        warning["forms"] = forms_text(warning["detail"])
    _name_site(site, found.attempts.values(), found.rework, found.lost_parts, found.warnings, found.readings)
    return found


def _name_site(site: str, *tables: Iterable[Row]) -> None:
    for rows in tables:
        for row in rows:
            row["site"] = site


def _is_recut(job: Job | None) -> bool:
    return job is not None and job.stated.get("recut_of") is not None
