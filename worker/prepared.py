"""Statements that are built and compiled once, then run as they are.

To build a statement, to find the compiled one and to ready its values costs SQLAlchemy many times what most statements
cost the database; and a list of another length is another statement. So what a count runs again and again is text for
the driver, and a list is one value of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter
from typing import Any, Final

import orjson
from sqlalchemy import (
    ARRAY,
    BigInteger,
    ColumnElement,
    Connection,
    Integer,
    LargeBinary,
    SmallInteger,
    String,
    Table,
    Text,
    bindparam,
    cast,
    func,
    select,
    tuple_,
)
from sqlalchemy.exc import DBAPIError
from sqlalchemy.sql.elements import BindParameter
from sqlalchemy.sql.selectable import FromClause
from sqlalchemy.sql.visitors import iterate

from worker.binary_copy import Kind, rows_in_binary

POSTGRESQL: Final = "postgresql"
#: So many rows go to PostgreSQL one by one: a COPY costs more for them.
FEW: Final = 8


@dataclass(frozen=True)
class Lists:
    """Conditions on lists of values of any length, in the words of one database."""

    dialect: str

    def has(self, column: ColumnElement[Any], name: str) -> ColumnElement[bool]:
        """Condition that a column is one of the values that are given as `name`."""
        if self.dialect == POSTGRESQL:
            # Not `= ANY`: PostgreSQL, which plans before it knows the list, may hold each row against all of it.
            of = BigInteger if isinstance(column.type, Integer) else Text
            return column.in_(select(func.unnest(bindparam(name, type_=ARRAY(of))).column_valued("value")))
        return column.in_(select(func.json_each(bindparam(name, type_=Text)).table_valued("value").c.value))

    def has_pair(self, text: ColumnElement[Any], number: ColumnElement[Any], name: str) -> ColumnElement[bool]:
        """Condition that two columns are one of the pairs that are given as `name` (see `given`)."""
        pairs = self.rows(name, Text, BigInteger)
        return tuple_(text, number).in_(select(pairs.c.v0, pairs.c.v1))

    def rows(self, name: str, *types: type[Text | BigInteger]) -> FromClause:
        """A table of the rows of these types that are given as `name` (see `given`), in its columns `v0`, `v1`..."""
        if self.dialect == POSTGRESQL:
            columns = (bindparam(f"{name}_{place}", type_=ARRAY(of)) for place, of in enumerate(types))
            values = (f"v{place}" for place, _ in enumerate(types))
            return func.unnest(*columns).table_valued(*values, name="given").render_derived()
        row = func.json_each(bindparam(name, type_=Text)).table_valued("value").c.value
        # Of a type: without one SQLite looks up a text in an index, but not a number beside it.
        parts = (cast(func.json_extract(row, f"$[{place}]"), of) for place, of in enumerate(types))
        return select(*(part.label(f"v{place}") for place, part in enumerate(parts))).subquery("given")

    def given(self, name: str, rows: Sequence[Sequence[Any]], width: int) -> dict[str, list[Any]]:
        """The values by which rows of so many values are given."""
        if self.dialect == POSTGRESQL:
            return {f"{name}_{place}": [row[place] for row in rows] for place in range(width)}
        return {name: list(rows)}

    def table(self, name: str) -> FromClause:
        """A table of the texts that are given as `name`, in its column `value`."""
        if self.dialect == POSTGRESQL:
            texts = func.unnest(bindparam(name, type_=ARRAY(Text)))
            return texts.table_valued("value", name="given").render_derived()
        return func.json_each(bindparam(name, type_=Text)).table_valued("value", name="given")


@dataclass(frozen=True)
class _Text:
    """A statement in the words of a driver: its text, and the names of its values in their order.

    constants: values that always hold; packs_lists: lists go as JSON.
    """

    text: str
    names: tuple[str, ...]
    constants: Mapping[str, Any]
    packs_lists: bool

    @classmethod
    def of(cls, statement: Any, dialect: Any) -> _Text:
        # To write lists of constants out, SQLAlchemy asks for the values that are only known in each run.
        for part in iterate(statement):
            if isinstance(part, BindParameter):
                part.required = False
        is_postgresql = dialect.name == POSTGRESQL
        if is_postgresql:
            # Its driver looks for the names in a long text each time; numbers stand as they are.
            dialect = type(dialect)(paramstyle="numeric_dollar")
        compiled = statement.compile(dialect=dialect, compile_kwargs={"render_postcompile": True})
        constants = {name: value for name, value in compiled.params.items() if value is not None}
        return cls(str(compiled), tuple(compiled.positiontup or ()), constants, not is_postgresql)

    def values(self, given: Mapping[str, Any]) -> tuple[Any, ...]:
        """The values of a run."""
        known = {**self.constants, **given}
        if self.packs_lists:
            for name, value in given.items():
                if type(value) is list:
                    known[name] = orjson.dumps(value).decode()
        return tuple(map(known.__getitem__, self.names))


class Prepared:
    """A statement with named values. `build` makes it of conditions on lists and of what else it is built for."""

    def __init__(self, build: Callable[..., Any]) -> None:
        self._build = build
        self._texts: dict[tuple[Any, ...], _Text] = {}
        self.__doc__ = build.__doc__

    def __call__(self, connection: Connection, given: Mapping[str, Any], *of: Any) -> Sequence[Any]:
        """Run it with these values; returns its rows, or none."""
        text = self._text(connection, of)
        return run(connection, text.text, text.values(given))

    def each(self, connection: Connection, given: Sequence[Mapping[str, Any]], *of: Any) -> None:
        """Run it with each of these values, if there are any."""
        if given:
            text = self._text(connection, of)
            run(connection, text.text, [text.values(one) for one in given], many=True)

    def _text(self, connection: Connection, of: tuple[Any, ...]) -> _Text:
        key = (connection.dialect.name, *of)
        text = self._texts.get(key)
        if text is None:
            statement = self._build(Lists(connection.dialect.name), *of)
            text = self._texts[key] = _Text.of(statement, connection.dialect)
        return text


def insert_rows(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows, all of the same columns."""
    if rows:
        names = tuple(rows[0])
        insert_values(connection, table, names, list(map(itemgetter(*names), rows)))


def insert_values(connection: Connection, table: Table, names: tuple[str, ...], rows: Sequence[Sequence[Any]]) -> None:
    """Insert rows of the values of these columns; there are some."""
    if connection.dialect.name == POSTGRESQL and len(rows) > FEW:
        text, kinds = _copying(table, names)
        with _cursor(connection, text, rows, many=True) as cursor, cursor.copy(text) as copy:
            copy.write(rows_in_binary(kinds, list(zip(*rows, strict=True))))
    else:
        run(connection, _insertion(table, names, connection.dialect.name), rows, many=True)


def run(connection: Connection, text: str, values: Any, *, many: bool = False) -> Sequence[Any]:
    """Rows of a statement that the driver runs, in its words, within the transaction at hand; raises DBAPIError.

    Values of a statement of PostgreSQL are numbered: $1, $2.
    """
    # By itself, without what `_cursor` costs: a count of a few events runs dozens.
    cursor = _opened(connection, text, values, many)
    try:
        if many:
            cursor.executemany(text, values)
            return ()
        cursor.execute(text, values)
        return cursor.fetchall() if cursor.description else ()
    except Exception as error:
        if (raised := _of_sqlalchemy(error, connection, cursor, text)) is None:
            raise
        raise raised from error
    finally:
        cursor.close()


def run_each(connection: Connection, text: str, rows: Sequence[Sequence[Any]]) -> list[Sequence[Any]]:
    """Rows of a statement run with each of these values, in their order; PostgreSQL is asked for all of them at once.

    As `run` otherwise.
    """
    if connection.dialect.name != POSTGRESQL or len(rows) < 2:
        return [run(connection, text, values) for values in rows]
    with _cursor(connection, text, rows, many=True) as cursor:
        cursor.executemany(text, rows, returning=True)
        found = [cursor.fetchall()]
        while cursor.nextset():
            found.append(cursor.fetchall())
        return found


@contextmanager
def _cursor(connection: Connection, text: str, values: Any, *, many: bool) -> Iterator[Any]:
    """A cursor of the driver within the connection's transaction, whose errors leave as SQLAlchemy's."""
    cursor = _opened(connection, text, values, many)
    try:
        yield cursor
    except Exception as error:
        if (raised := _of_sqlalchemy(error, connection, cursor, text)) is None:
            raise
        raise raised from error
    finally:
        cursor.close()


def _opened(connection: Connection, text: str, values: Any, many: bool) -> Any:
    """A cursor; who watches what the database is asked is told of the statement and its values."""
    if not connection.in_transaction():
        connection.begin()
    dialect: Any = connection.dialect
    driver = connection.connection
    cursor = dialect.dbapi.RawCursor(driver.driver_connection) if dialect.name == POSTGRESQL else driver.cursor()
    for watch in connection.dispatch.before_cursor_execute:
        watch(connection, cursor, text, values, None, many)
    return cursor


def _of_sqlalchemy(error: Exception, connection: Connection, cursor: Any, text: str) -> Exception | None:
    """What SQLAlchemy would raise of an error of the driver; a connection that is gone is given up."""
    dialect: Any = connection.dialect
    if not isinstance(error, dialect.dbapi.Error):
        return None
    is_gone = dialect.is_disconnect(error, connection.connection.dbapi_connection, cursor)
    if is_gone:
        connection.invalidate(error)
    raised: Exception = DBAPIError.instance(
        text, None, error, dialect.dbapi.Error, connection_invalidated=is_gone, dialect=dialect
    )
    return raised


def _quoted(table: Table, names: tuple[str, ...]) -> str:
    if left_out := [column.name for column in table.c if column.default is not None and column.name not in names]:
        raise ValueError(f"{table.name} has defaults that only an insert by SQLAlchemy fills: {left_out}")
    return ", ".join(f'"{table.c[name].name}"' for name in names)


@lru_cache(maxsize=512)
def _copying(table: Table, names: tuple[str, ...]) -> tuple[str, tuple[Kind, ...]]:
    """(PostgreSQL's statement to which rows are copied, kinds of their columns)."""
    kinds = tuple(_kind(table.c[name].type) for name in names)
    return f'COPY "{table.name}" ({_quoted(table, names)}) FROM STDIN (FORMAT BINARY)', kinds


def _kind(type_: Any) -> Kind:
    if isinstance(type_, LargeBinary):
        return "bytea"
    if isinstance(type_, String):
        return "text"
    if isinstance(type_, BigInteger):
        return "bigint"
    if isinstance(type_, SmallInteger):
        return "smallint"
    if isinstance(type_, Integer):
        return "integer"
    raise TypeError(f"rows with a {type_!r} are not copied")


@lru_cache(maxsize=512)
def _insertion(table: Table, names: tuple[str, ...], dialect: str) -> str:
    """An insertion by position."""
    quoted = _quoted(table, names)
    values = ", ".join(f"${number}" if dialect == POSTGRESQL else "?" for number, _ in enumerate(names, 1))
    return f'INSERT INTO "{table.name}" ({quoted}) VALUES ({values})'  # noqa: S608
