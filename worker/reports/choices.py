"""What there is to choose from when a question is asked: the materials, machines, thicknesses that a site has cut."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select

from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.reading import Reader, spellings


def choices(reader: Reader, names: Sequence[str]) -> dict[str, list[Any]]:
    """By dimension what was cut, as it is shown, in order; what is not known is left out."""
    columns = reader.tables.combinations.c
    by = [stored_expression(DIMENSIONS[name], columns).label(name) for name in names]
    rows = reader.connection.execute(select(*by).where(columns.site == reader.site).distinct()).all()
    found: dict[str, list[Any]] = {}
    for name, stored in zip(names, zip(*rows, strict=True) if rows else ((),) * len(names), strict=True):
        dimension = DIMENSIONS[name]
        spelled = spellings(reader, name) if dimension.named else {}
        shown = {spelled.get(value, dimension.show(value)) for value in set(stored)} - {None}
        found[name] = sorted(shown, key=lambda value: (str(value).casefold(), value) if dimension.is_text else value)
    return found
