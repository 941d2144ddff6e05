"""What a trace does not reach, and what a bound does not clear, in sentences. Pure."""

from __future__ import annotations

from worker.events import ATTEMPT, JOB, PLATE
from worker.reports.reading import instant
from worker.sentences import counted, sentence
from worker.tracing.asked import HEAT_NUMBER, MOST_ON_MACHINE, Asked, Found, SinceAsked
from worker.tracing.checks import IN_ORDER, Known
from worker.tracing.walk import BACK, FORWARD, HEAT, START, Trace


def said_of_bounds(asked: SinceAsked, found: Known) -> list[str]:
    """Until when the machine was in order, and what that does not clear."""
    said: list[str] = []
    if found.bound_us(asked.by) is None:
        said.append(sentence("nothing shows that the machine was in order before: all that was cut on it is told"))
    if not found.looked_at_all:
        said.append(
            sentence("none of its last attempts that were good throughout was inspected; those before were not read")
        )
    if found.check is not None and any(one["found"] != IN_ORDER for one in found.check.act.event.data["checks"]):
        said.append(
            sentence(
                "at the last check something was set right or replaced, so what was cut before it is in doubt, too: "
                "ask with until=%(until)s",
                until=instant(found.check.at_us).isoformat(),
            )
        )
    return said


def notes_of(walked: Trace, direction: str, asked: Asked | None = None, found: Found | None = None) -> list[str]:
    """What the trace does not reach, and why."""
    said: list[str] = []
    if walked.cut_off:
        said.append(
            sentence(
                "it is cut off: more is linked than %(most)s things, or more was cut on a machine than %(attempts)s "
                "attempts; ask one way only (direction), or from less: one plate, job or run, a heat with its mill, "
                "fewer days of a machine, an earlier until",
                most=walked.most,
                attempts=MOST_ON_MACHINE,
            )
        )
    if asked is not None and asked.kind == HEAT_NUMBER:
        said += _notes_of_heat(walked, asked, found.other_mills if found is not None else 0)
    attempts = [node for node in walked.of(ATTEMPT) if node.row is not None]
    if direction != FORWARD:
        back = [node for node in attempts if node.side in (START, BACK)]
        if nowhere := sum(node.row[PLATE] is None for node in back if node.row is not None):
            said.append(
                counted(
                    nowhere,
                    "%(count)s attempt names no plate: its steel is not known",
                    "%(count)s attempts name no plate: their steel is not known",
                )
            )
        plates = [node for node in walked.of(PLATE) if node.side in (START, BACK)]
        if unknown := sum(node.row is None or node.row["heat_number"] is None for node in plates):
            said.append(
                counted(
                    unknown,
                    "of %(count)s plate no heat is known",
                    "of %(count)s plates no heat is known",
                )
            )
    if direction != BACK:
        forward = [node for node in attempts if node.side in (START, FORWARD)]
        if nowhere := sum(node.row[JOB] is None for node in forward if node.row is not None):
            said.append(
                counted(
                    nowhere,
                    "%(count)s attempt names no job: where its parts went is not known",
                    "%(count)s attempts name no job: where their parts went is not known",
                )
            )
    return said


def _notes_of_heat(walked: Trace, asked: Asked, other_mills: int) -> list[str]:
    said: list[str] = []
    heats = [node for node in walked.of(HEAT) if node.side == START]
    if asked.mill is None and len(heats) > 1:
        said.append(
            sentence("%(count)s mills gave heats this number: name the mill to trace one of them", count=len(heats))
        )
    if other_mills:
        said.append(
            counted(
                other_mills,
                "%(count)s plate with this heat number is of another mill or of none, and is left out",
                "%(count)s plates with this heat number are of another mill or of none, and are left out",
            )
        )
    return said
