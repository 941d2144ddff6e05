"""Statements compiled once: lists of any length, texts as they are, faults as SQLAlchemy's."""

from __future__ import annotations

from contextlib import closing
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import bindparam, select
from sqlalchemy.exc import IntegrityError

from tests.builders import SITE, embedded
from worker.database import Database, DatabaseUnavailable
from worker.placing import rounded
from worker.prepared import Lists, Prepared, insert_rows
from worker.tables import LIVE

NAMES = ("", "a'b", 'a"b', "a\\b", "%s", "a:b", "ü\x1f\u2028", "[1]", "😀")


@Prepared
def _spelt(lists: Lists) -> Any:
    n = LIVE.names.c
    return select(n.name_key).where(n.site == bindparam("of_site"), lists.has(n.name_key, "keys"))


@Prepared
def _given(lists: Lists) -> Any:
    return select(lists.table("keys").c.value)


@Prepared
def _numbered(lists: Lists) -> Any:
    c = LIVE.combinations.c
    return select(c.combination).where(c.site == bindparam("of_site"), lists.has(c.combination, "numbers"))


def _rows(*names: str) -> list[dict[str, Any]]:
    return [{"site": SITE, "kind": "machine", "name_key": name, "spelling": name} for name in names]


@pytest.mark.parametrize("asked", [(), NAMES[:1], NAMES[2:5], NAMES], ids=len)
def test_lists_of_texts_find_exactly_those(database: Database, asked: tuple[str, ...]) -> None:
    with database.write() as connection:
        insert_rows(connection, LIVE.names, _rows(*NAMES))
        found = _spelt(connection, {"of_site": SITE, "keys": list(asked)})
        assert sorted(name for (name,) in found) == sorted(asked)
        assert sorted(name for (name,) in _given(connection, {"keys": list(asked)})) == sorted(asked)


def test_lists_of_numbers_take_all_of_64_bits(database: Database) -> None:
    numbers = [-(2**63), -1, 0, 2**31, 2**63 - 1]
    with database.write() as connection:
        insert_rows(connection, LIVE.combinations, [{"site": SITE, "combination": number} for number in numbers])
        found = _numbered(connection, {"of_site": SITE, "numbers": numbers[1:]})
        assert sorted(number for (number,) in found) == numbers[1:]


def test_a_fault_of_a_statement_is_sqlalchemys_and_undoes_its_transaction(database: Database) -> None:
    with pytest.raises(IntegrityError), database.write() as connection:
        insert_rows(connection, LIVE.names, _rows("a", "b", "a"))
    with database.read() as connection:
        assert not _spelt(connection, {"of_site": SITE, "keys": ["b"]})


def test_a_database_that_takes_nothing_is_said_to_be_unavailable(tmp_path: Path) -> None:
    with (
        closing(embedded(tmp_path)) as database,
        pytest.raises(DatabaseUnavailable),
        database.read() as connection,
    ):
        insert_rows(connection, LIVE.names, _rows("a"))


@given(st.integers(-(10**18), 10**18), st.integers(1, 10**6))
def test_a_quotient_is_rounded_as_a_fraction_is(numerator: int, denominator: int) -> None:
    assert rounded(numerator, denominator) == round(Fraction(numerator, denominator))
    assert rounded(numerator * denominator + denominator // 2, denominator) == round(
        Fraction(numerator * denominator + denominator // 2, denominator)
    )
