"""The words of the trade: each word of the ledger has one for people, and no page shows one that it has not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pytest

from service.pages import terms
from worker import events
from worker.dossier.cuts import AGAINST
from worker.dossier.validity import ENDS, STATES
from worker.keys import ROLES
from worker.noticing.finding import KINDS
from worker.plates import SURFACES
from worker.reports.dimensions import HISTORIES

#: What pages call a list of words -> the words that the ledger has.
LISTS: tuple[tuple[str, Iterable[str]], ...] = (
    ("OUTCOMES", events.OUTCOMES),
    ("STOP_REASONS", events.STOP_REASONS),
    ("REWORK_OPERATIONS", events.REWORK_OPERATIONS),
    ("SERVICES", events.SERVICES),
    ("STAGES", (*events.STAGES, "unstated")),
    ("DEFECTS", events.DEFECT_TERMS),
    ("LOCATIONS", events.DEFECT_LOCATIONS),
    ("CAUSES", events.CAUSE_TERMS),
    ("GASES", events.GASES),
    ("PURPOSES", events.PURPOSES),
    ("MODES", events.MODES),
    ("SURFACES", SURFACES),
    ("THERMAL_HISTORIES", HISTORIES),
    ("FINDINGS", KINDS),
    ("JOB_CLOSE_REASONS", events.JOB_CLOSE_REASONS),
    ("PLATE_CLOSE_REASONS", events.PLATE_CLOSE_REASONS),
    ("INSPECTION_STAGES", events.INSPECTION_STAGES),
    ("CERTAINTIES", events.CERTAINTIES),
    ("COATINGS", events.COATINGS),
    ("EDGES", events.EDGES),
    ("COOLINGS", events.COOLINGS),
    ("SIZE_FEATURES", events.SIZE_FEATURES),
    ("PEOPLE", events.PEOPLE_SETTINGS),
    ("ROLES", ROLES),
    ("DOSSIER_STATES", STATES),
    ("DOSSIER_ENDS", ENDS),
    ("DOSSIER_SETTINGS", AGAINST),
    ("SUBJECTS", set(events.EVENT_TYPES.values())),
)


@pytest.mark.parametrize(("name", "words"), LISTS, ids=[name for name, _ in LISTS])
def test_each_word_of_the_ledger_has_one_for_people(name: str, words: Iterable[str]) -> None:
    assert set(words) - set(getattr(terms, name)) == set()


def told_words() -> dict[str, Mapping[str, str]]:
    """All lists of words that pages have."""
    return {name: told for name, told in vars(terms).items() if name.isupper() and isinstance(told, dict)}


def test_no_two_words_of_a_list_read_the_same() -> None:
    assert told_words().keys() >= {name for name, _ in LISTS}
    for name, told in told_words().items():
        assert len(set(told.values())) == len(told), name


def test_no_word_is_shown_as_the_ledger_writes_it() -> None:
    for name, told in told_words().items():
        assert not [text for text in told.values() if "_" in text], name
