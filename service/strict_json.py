"""JSON read strictly: what other readers let pass is kept as a placeholder, so that each is told with its place.

A syntax error ends the reading. What is JSON but cannot be kept (duplicate names, NaN, numbers beyond every
use, NUL characters, halves of surrogate pairs, deep nesting) is a fault of the one event that holds it.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any, Final

from service.faults import MOST_FAULTS, Fault, below, first_faults, shown

LARGEST_WHOLE: Final = 2**53
#: At most 28 digits: the working precision of decimal, so that arithmetic on what was read is exact.
LONGEST_NUMBER: Final = 28
WIDEST_EXPONENT: Final = 40
DEEPEST: Final = 32

_UNTERMINATED: Final = "Unterminated string"
_BLANK = re.compile(r"[ \t\n\r]*")
_NOT_KEPT = re.compile(r"[\x00\ud800-\udfff]")
_CONTAINERS = (dict, list)


class NotJson(ValueError):
    """A text that is no JSON: where (an offset into it), and what the reader says."""

    def __init__(self, at: int, reason: str) -> None:
        super().__init__(reason)
        self.at = at
        self.reason = reason

    @property
    def is_end(self) -> bool:
        """True when a string does not end: more text might have ended it."""
        return self.reason.startswith(_UNTERMINATED)


class Written(Decimal):
    """A number whose sender wrote it otherwise than str() would: 2e1, 0.00000001."""

    __slots__ = ("text",)
    text: str


class Unfit:
    """Stands for a value that cannot be kept; says why."""

    __slots__ = ("detail",)

    def __init__(self, detail: str) -> None:
        self.detail = detail


class NumberUnfit(ValueError):
    """A number with a point or an exponent that cannot be kept; says why."""


def decimal_of(text: str) -> Decimal:
    """A JSON number with a point or an exponent, exactly; a `Written` where str() would write it otherwise.

    Raises NumberUnfit.
    """
    if len(text) > LONGEST_NUMBER:
        raise NumberUnfit(f"is a number of {len(text)} characters; write it with at most {LONGEST_NUMBER}")
    exponent = text.lower().partition("e")[2]
    # decimal itself raises for exponents of 19 digits.
    if len(exponent) > 4 or abs((number := Decimal(text)).adjusted()) > WIDEST_EXPONENT:
        raise NumberUnfit(f"has an exponent beyond every use; found {shown(text)}")
    if str(number) == text:
        return number
    written = Written(number)
    written.text = text
    return written


_SUSPECTS = (*_CONTAINERS, Unfit)
#: Stands for all after the first ones: millions of messages that nobody is sent would fill the memory.
_ONE_MORE: Final = Unfit("cannot be kept")


class Doubled(dict[str, Any]):
    """An object that gave some of its names more than once: which, or none where others have been told enough."""

    __slots__ = ("names",)
    names: Sequence[str]


class Reader:
    """Reads values out of texts; one for each body, since it remembers whether the last value held anything unfit."""

    def __init__(self) -> None:
        self._unfit = 0
        self._decoder = json.JSONDecoder(
            object_pairs_hook=self._object,
            parse_int=self._whole,
            parse_float=self._decimal,
            parse_constant=self._constant,
        )

    def read(self, text: str, start: int, pointer: str) -> tuple[Any, int, list[Fault]]:
        """Value at `start`, the offset after it, and the faults in it with pointers below `pointer`.

        Numbers are int or Decimal. Raises NotJson for anything else than a JSON value.
        """
        self._unfit = 0
        try:
            value, end = self._decoder.raw_decode(text, start)
        except json.JSONDecodeError as error:
            raise NotJson(error.pos, error.msg) from None
        except RecursionError:
            raise NotJson(start, f"it is nested too deeply; at most {DEEPEST} levels") from None
        if self._unfit or _may_hide_faults(text, start, end):
            return value, end, first_faults(_faults(value, pointer, 1))
        return value, end, []

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        members = dict(pairs)
        if len(members) == len(pairs):
            return members
        self._unfit += 1
        doubled = Doubled(members)
        # A body could hold a million of these, and nobody is sent more than the first few.
        is_told = self._unfit <= MOST_FAULTS
        doubled.names = _given_again(pairs) if is_told else ()
        return doubled

    def _whole(self, text: str) -> int | Unfit:
        if len(text) < 16:
            return int(text)
        if len(text) > LONGEST_NUMBER:
            return self._refused(f"is a number of {len(text)} characters; write it with at most {LONGEST_NUMBER}")
        if abs(number := int(text)) > LARGEST_WHOLE:
            return self._refused(f"is larger than 2^53; found {text}; send an id of this kind as text in quotes")
        return number

    def _decimal(self, text: str) -> Decimal | Unfit:
        try:
            return decimal_of(text)
        except NumberUnfit as error:
            return self._refused(str(error))

    def _constant(self, name: str) -> Unfit:
        return self._refused(f"is {name}, which is no JSON number; leave the field out when it is not known")

    def _refused(self, detail: str) -> Unfit:
        self._unfit += 1
        return Unfit(detail) if self._unfit <= MOST_FAULTS else _ONE_MORE


def _given_again(pairs: list[tuple[str, Any]]) -> Sequence[str]:
    times = Counter(name for name, _ in pairs)
    return [name for name in times if times[name] > 1]


def after_blanks(text: str, at: int) -> int:
    """Offset of the first character from `at` on that is no JSON white space."""
    found = _BLANK.match(text, at)
    return found.end() if found else at


def _may_hide_faults(text: str, start: int, end: int) -> bool:
    # NUL and halves of surrogate pairs come by escapes alone: read raw, the first is no JSON, the second no UTF-8.
    if text.find("\\u", start, end) >= 0:
        return True
    return text.count("{", start, end) + text.count("[", start, end) > DEEPEST


def _faults(value: Any, pointer: str, depth: int) -> Iterator[Fault]:
    if isinstance(value, _CONTAINERS):
        if depth > DEEPEST:
            yield Fault(pointer, f"is nested deeper than {DEEPEST} levels; an event needs no more than 5")
        elif isinstance(value, dict):
            yield from _faults_of_object(value, pointer, depth)
        else:
            for index, each in enumerate(value):
                if _is_suspect(each):
                    yield from _faults(each, below(pointer, index), depth + 1)
    elif isinstance(value, Unfit):
        yield Fault(pointer, value.detail)
    elif isinstance(value, str) and (reason := _why_not_kept(value)):
        yield Fault(pointer, reason)


def _faults_of_object(members: dict[str, Any], pointer: str, depth: int) -> Iterator[Fault]:
    if isinstance(members, Doubled):
        if not members.names:
            yield Fault(pointer, "gives a name more than once; keep one of each")
        for name in members.names:
            yield Fault(below(pointer, name), f"{shown(name)} is given more than once; keep one of them")
    for name, each in members.items():
        if reason := _why_not_kept(name):
            yield Fault(pointer, f"a field name, {shown(name)}, {reason}")
        if _is_suspect(each):
            yield from _faults(each, below(pointer, name), depth + 1)


def _is_suspect(value: Any) -> bool:
    if isinstance(value, str):
        return _NOT_KEPT.search(value) is not None
    return isinstance(value, _SUSPECTS)


def _why_not_kept(text: str) -> str | None:
    found = _NOT_KEPT.search(text)
    if found is None:
        return None
    if found[0] == "\0":
        return "holds a NUL character (\\u0000), which cannot be kept; remove it"
    return f"holds half of a surrogate pair (\\u{ord(found[0]):04x}); send the whole character"
