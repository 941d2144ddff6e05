"""Many values in few statements."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import TypeVar

T = TypeVar("T")

#: Values a statement: well below what each database takes as parameters, few enough to reuse the compiled statement.
STATEMENT_VALUES = 1_000


def in_batches(values: Iterable[T], size: int = STATEMENT_VALUES) -> Iterator[list[T]]:
    """The values in lists of at most `size`."""
    iterator = iter(values)
    while some := list(islice(iterator, size)):
        yield some
