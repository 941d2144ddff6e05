"""Statements that are built and compiled once, then run as they are.

To build a statement, to find the compiled one and to ready its values costs SQLAlchemy many times what most statements
cost the database; and a list of another length is another statement. So what a count runs again and again is text for
the driver, and a list is one value of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
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
    Dialect,
    Integer,
    Table,
    Text,
    any_,
    bindparam,
    func,
    select,
)
from sqlalchemy.exc import DBAPIError
from sqlalchemy.sql.elements import BindParameter
from sqlalchemy.sql.selectable import FromClause
from sqlalchemy.sql.visitors import iterate

POSTGRESQL: Final = "postgresql"


@dataclass(frozen=True)
class Lists:
    """Conditions on lists of values of any length, in the words of one database."""

    dialect: str

    def has(self, column: ColumnElement[Any], name: str) -> ColumnElement[bool]:
        """Condition that a column is one of the values that are given as `name`."""
        if self.dialect == POSTGRESQL:
            of = BigInteger if isinstance(column.type, Integer) else Text
            return column == any_(bindparam(name, type_=ARRAY(of)))
        return column.in_(select(func.json_each(bindparam(name, type_=Text)).table_valued("value").c.value))

    def table(self, name: str) -> FromClause:
        """A table of the texts that are given as `name`, in its column `value`."""
        if self.dialect == POSTGRESQL:
            texts = func.unnest(bindparam(name, type_=ARRAY(Text)))
            return texts.table_valued("value", name="given").render_derived()
        return func.json_each(bindparam(name, type_=Text)).table_valued("value", name="given")


@dataclass(frozen=True)
class _Text:
    """A statement in the words of a driver: its text, and its values in their order, with those that always hold."""

    text: str
    names: tuple[str, ...]
    constants: Mapping[str, Any]
    by_name: bool

    @classmethod
    def of(cls, statement: Any, dialect: Dialect) -> _Text:
        # To write lists of constants out, SQLAlchemy asks for the values that are only known in each run.
        for part in iterate(statement):
            if isinstance(part, BindParameter):
                part.required = False
        compiled = statement.compile(dialect=dialect, compile_kwargs={"render_postcompile": True})
        constants = {name: value for name, value in compiled.params.items() if value is not None}
        by_name = compiled.positiontup is None
        return cls(str(compiled), tuple(compiled.params if by_name else compiled.positiontup), constants, by_name)

    def values(self, given: Mapping[str, Any]) -> Any:
        """The values of a run."""
        known = {**self.constants, **given}
        if self.by_name:
            return {name: known[name] for name in self.names}
        values = [known[name] for name in self.names]
        return tuple([orjson.dumps(value).decode() if type(value) is list else value for value in values])


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
        text = _insertion(table, names, connection.dialect.name, connection.dialect.paramstyle)
        pick = itemgetter(*names)
        run(connection, text, [pick(row) for row in rows], many=True)


def run(connection: Connection, text: str, values: Any, *, many: bool = False) -> Sequence[Any]:
    """Rows of a statement that the driver runs, in its words, within the transaction at hand; raises DBAPIError."""
    if not connection.in_transaction():
        connection.begin()
    if connection.dispatch.before_cursor_execute:
        # Somebody watches what the database is asked, and is told of this too.
        result = connection.exec_driver_sql(text, values)
        return result.all() if result.returns_rows else ()
    driver = connection.connection
    cursor = driver.cursor()
    try:
        if many:
            cursor.executemany(text, values)
            return ()
        cursor.execute(text, values)
        return cursor.fetchall() if cursor.description else ()
    except Exception as error:
        dialect = connection.dialect
        if dialect.dbapi is None or not isinstance(error, dialect.dbapi.Error):
            raise
        is_gone = dialect.is_disconnect(error, driver.dbapi_connection, cursor)
        if is_gone:
            connection.invalidate(error)
        raise DBAPIError.instance(
            text, None, error, dialect.dbapi.Error, connection_invalidated=is_gone, dialect=dialect
        ) from error
    finally:
        cursor.close()


@lru_cache(maxsize=512)
def _insertion(table: Table, names: tuple[str, ...], dialect: str, paramstyle: str) -> str:
    """An insertion by position, which every driver takes."""
    if left_out := [column.name for column in table.c if column.default is not None and column.name not in names]:
        raise ValueError(f"{table.name} has defaults that only an insert by SQLAlchemy fills: {left_out}")
    quoted = ", ".join(f'"{table.c[name].name}"' for name in names)
    values = ", ".join(["?" if paramstyle == "qmark" else "%s"] * len(names))
    return f'INSERT INTO "{table.name}" ({quoted}) VALUES ({values})'  # noqa: S608
