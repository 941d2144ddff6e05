"""Fields that take one JSON value strictly and say what would do: the words that every schema of the door is made of.

`read` is all that a field does. marshmallow calls it through `_deserialize`, and the quick path of a strict schema
calls it directly, so that both judge alike.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

from marshmallow import ValidationError, fields

from service.faults import nearest, shown
from worker.events import (
    NM_PER_MM,
    THICKNESS_MAX_NM,
    THICKNESS_MIN_NM,
    ThicknessUnreadable,
    inch_to_nm,
    mm_to_nm,
)
from worker.sentences import Figure, Sentence, joined, sentence

About = Mapping[str, Any]

#: Control characters, line and paragraph separators, marks that turn the direction of writing, half surrogates.
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
_NUMERIC = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?", re.ASCII)
_URI_REFERENCE = re.compile(r"(?:[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=]|%[0-9A-Fa-f]{2}){1,128}")


def about(description: str, example: object = None) -> About:
    """What the OpenAPI document says of a field: what it is with its unit, and an example."""
    return {"description": description} if example is None else {"description": description, "examples": [example]}


class Strict(fields.Field[Any]):
    """A field whose `read` turns a JSON value into what is kept, or raises ValidationError; null is never read."""

    def __init__(self, *, metadata: About, required: bool = False, limits: About | None = None, **kwargs: Any) -> None:
        super().__init__(
            required=required,
            allow_none=not required,
            metadata={**metadata, **(limits or {})},
            error_messages={"required": sentence("is missing; give %(what)s", what=metadata["description"])},
            **kwargs,
        )

    def read(self, value: Any) -> Any:
        """Value as kept."""
        raise NotImplementedError

    def make_error(self, key: str, **kwargs: Any) -> ValidationError:
        """As marshmallow has it, save that a sentence stays one: to fill it in makes it plain text."""
        message = self.error_messages[key]
        return ValidationError(message) if isinstance(message, Sentence) else super().make_error(key, **kwargs)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> Any:
        return self.read(value)


class Text(Strict, fields.String):
    """Words of people: 1 to `most` characters without control characters, not blank. Kept as sent."""

    def __init__(self, most: int = 200, *, metadata: About, required: bool = False) -> None:
        self.most = most
        super().__init__(metadata=metadata, required=required, limits={"minLength": 1, "maxLength": most})

    def read(self, value: Any) -> str:  # noqa: D102
        if isinstance(value, str) and 0 < len(value) <= self.most and self._is_fit(value) and not value.isspace():
            return value
        raise ValidationError(self._what_is_wrong(value))

    def _is_fit(self, value: str) -> bool:
        return value.isprintable() or not _UNPRINTABLE.search(value)

    def _what_is_wrong(self, value: Any) -> str:
        if not isinstance(value, str):
            return sentence(
                "must be text of 1 to %(most)s characters; found %(found)s; write it in quotes",
                most=self.most,
                found=shown(value),
            )
        if not value or value.isspace():
            return sentence(
                "is blank; found %(found)s; leave the field out when there is nothing to say", found=shown(value)
            )
        if len(value) > self.most:
            return sentence(
                "has %(count)s characters; found %(found)s; write at most %(most)s",
                count=len(value),
                found=shown(value),
                most=self.most,
            )
        odd = next(f"U+{ord(each):04X}" for each in value if not self._is_fit(each))
        return sentence(
            "holds a character that is not printable (%(character)s); found %(found)s; remove it",
            character=odd,
            found=shown(value),
        )


class Lines(Text):
    """Words of people on one line or several."""

    def _is_fit(self, value: str) -> bool:
        return super()._is_fit(value.replace("\n", ""))


class Identifier(Text):
    """An id: 1 to 128 printable characters, neither invisible nor blank. Kept and compared as sent."""

    def __init__(self, *, metadata: About, required: bool = False) -> None:
        super().__init__(128, metadata=metadata, required=required)

    def _is_fit(self, value: str) -> bool:
        return value.isprintable()


class Matching(Text):
    """Text of one form, which `form` describes in words."""

    def __init__(self, pattern: str, form: str, *, metadata: About, required: bool = False, most: int = 128) -> None:
        super().__init__(most, metadata={**metadata, "pattern": f"^(?:{pattern})$"}, required=required)
        self.pattern = re.compile(pattern)
        self.form = form

    def read(self, value: Any) -> str:  # noqa: D102
        text = super().read(value)
        if self.pattern.fullmatch(text):
            return text
        raise ValidationError(must_be(self.form, value))


class UriReference(Strict, fields.String):
    """A URI reference of 1 to 128 of the characters that RFC 3986 allows."""

    def __init__(self, *, metadata: About, required: bool = False) -> None:
        limits = {"minLength": 1, "maxLength": 128}
        super().__init__(metadata=metadata, required=required, limits=limits)

    def read(self, value: Any) -> str:  # noqa: D102
        if isinstance(value, str) and len(value) <= 128 and _URI_REFERENCE.fullmatch(value):
            return value
        must = sentence(
            "must be a URI reference of 1 to 128 characters; found %(found)s; write one such as "
            '"/terminals/bay-2", spaces and other characters as %%20',
            found=shown(value),
        )
        raise ValidationError(must)


class Whole(Strict, fields.Integer):
    """A whole number within bounds, both inside; 20.0 and 2e1 are 20."""

    def __init__(self, low: int, high: int, *, metadata: About, required: bool = False) -> None:
        self.low, self.high = low, high
        super().__init__(metadata=metadata, required=required, limits={"minimum": low, "maximum": high})

    def read(self, value: Any) -> int:  # noqa: D102
        if type(value) is not int:
            value = self._by_value(value)
        if self.low <= value <= self.high:
            return int(value)
        raise ValidationError(self._what_would_do(value))

    def _by_value(self, value: Any) -> Decimal:
        number = _number(value)
        # Bounds first: the whole part of 1E+999999 would fill the memory.
        if number is not None and self.low <= number <= self.high and number == number.to_integral_value():
            return number
        raise ValidationError(self._what_would_do(value))

    def _what_would_do(self, value: Any) -> str:
        must = sentence(
            "must be a whole number from %(low)s to %(high)s; found %(found)s",
            low=self.low,
            high=self.high,
            found=shown(value),
        )
        return _with_hint(must, _number_hint(value))


class Number(Strict, fields.Decimal):
    """A number within bounds, both inside, with at most `decimals` decimals when that is given; read as Decimal."""

    def __init__(
        self, low: float, high: float, *, metadata: About, decimals: int | None = None, required: bool = False
    ) -> None:
        self.low, self.high = Decimal(str(low)), Decimal(str(high))
        self.decimals = decimals
        self._scale = None if decimals is None else 10**decimals
        super().__init__(metadata=metadata, required=required, limits={"minimum": low, "maximum": high})

    def read(self, value: Any) -> Decimal:  # noqa: D102
        number = _number(value)
        if number is None or not self.low <= number <= self.high:
            must = sentence(
                "must be a number from %(low)s to %(high)s; found %(found)s",
                low=Figure(f"{self.low:f}"),
                high=Figure(f"{self.high:f}"),
                found=shown(value),
            )
            raise ValidationError(_with_hint(must, _number_hint(value)))
        if self._scale is not None and number * self._scale % 1:
            must = sentence(
                "must have at most %(decimals)s decimals; found %(found)s; round it",
                decimals=self.decimals,
                found=shown(value),
            )
            raise ValidationError(must)
        return number


class ThicknessMm(Number):
    """Plate thickness in millimetres, read as whole nanometres."""

    def __init__(self, *, metadata: About) -> None:
        super().__init__(THICKNESS_MIN_NM / NM_PER_MM, THICKNESS_MAX_NM // NM_PER_MM, metadata=metadata)

    def read(self, value: Any) -> int:  # type: ignore[override]  # noqa: D102
        try:
            return mm_to_nm(super().read(value))
        except ThicknessUnreadable as error:
            raise ValidationError(f"{error}; found {shown(value)}; round it") from None


class ThicknessInch(Strict):
    """Plate thickness in inches, a number or a fraction such as "1 1/4", read as whole nanometres."""

    def __init__(self, *, metadata: About) -> None:
        number = {"type": "number", "exclusiveMinimum": 0, "maximum": 20}
        fraction = {"type": "string", "maxLength": 16}
        super().__init__(metadata=metadata, limits={"anyOf": [number, fraction, {"type": "null"}]})

    def read(self, value: Any) -> int:  # noqa: D102
        try:
            nm = inch_to_nm(self._size(value))
        except ThicknessUnreadable as error:
            raise ValidationError(f"{error}; found {shown(value)}") from None
        if THICKNESS_MIN_NM <= nm <= THICKNESS_MAX_NM:
            return nm
        raise ValidationError(f"must be a thickness of 0.004 to 19.685 inches; found {shown(value)}")

    def _size(self, value: Any) -> Decimal | str:
        number = _number(value)
        if number is not None and 0 <= number <= 1000:
            return number
        if isinstance(value, str) and len(value) <= 16:
            return value
        raise ThicknessUnreadable('must be a number of inches or a fraction such as "3/4" or "1 1/4"')


class Flag(Strict, fields.Boolean):
    """True or false, and nothing that only looks like it."""

    def read(self, value: Any) -> bool:  # noqa: D102
        if value is True or value is False:
            return value
        must = sentence("must be true or false; found %(found)s; write it without quotes", found=shown(value))
        raise ValidationError(must)


#: A list of words that is longer, in characters, is not told whole in a refusal; so many of its words are.
_LONGEST_LIST: Final = 400
_MOST_TOLD: Final = 6


class Choice(Strict, fields.String):
    """One word out of a tuple."""

    def __init__(self, words: tuple[str, ...], *, metadata: About, required: bool = False) -> None:
        self.words = words
        self._known = frozenset(words)
        # null in the list where the field may be null, else the document would refuse what the door takes
        enum = list(words) if required else [*words, None]
        super().__init__(metadata=metadata, required=required, limits={"enum": enum})

    def read(self, value: Any) -> str:  # noqa: D102
        if isinstance(value, str) and value in self._known:
            return value
        must = self._one_of_them(shown(value)) if len(self.words) > 1 else must_be(f'"{self.words[0]}"', value)
        raise ValidationError(with_nearest(must, value, self.words))

    def _one_of_them(self, found: str) -> Sentence:
        words = ", ".join(self.words)
        if len(words) <= _LONGEST_LIST:
            return sentence("must be one of %(words)s; found %(found)s", words=words, found=found)
        # So many are looked up, not read in passing.
        told = ", ".join(self.words[:_MOST_TOLD])
        return sentence(
            "must be one of %(count)s words, such as %(words)s: the API document lists all; found %(found)s",
            count=len(self.words), words=told, found=found,
        )  # fmt: skip


def must_be(form: str, value: object) -> Sentence:
    """What is wrong with a value that is not of a form."""
    return sentence("must be %(what)s; found %(found)s", what=form, found=shown(value))


def with_nearest(message: Sentence, value: object, words: tuple[str, ...]) -> Sentence:
    """A message that ends with the word that was probably meant, when there is one."""
    word = nearest(value, words) if isinstance(value, str) else None
    return _with_hint(message, sentence("nearest: %(word)s", word=word) if word else None)


def nearest_hint(value: object, words: tuple[str, ...]) -> str:
    """The end of a message: the word that was probably meant, when there is one."""
    word = nearest(value, words) if isinstance(value, str) else None
    return f"; nearest: {word}" if word else ""


def _with_hint(message: Sentence, hint: Sentence | None) -> Sentence:
    return message if hint is None else joined("; ", (message, hint))


def _number(value: Any) -> Decimal | None:
    if isinstance(value, Decimal):
        return value if value.is_finite() else None
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return Decimal(value)
    if isinstance(value, float):
        # The event door reads Decimal; a caller within the service may hold floats.
        return _number(Decimal(repr(value)))
    return None


def _number_hint(value: object) -> Sentence | None:
    if isinstance(value, bool):
        return sentence("true and false are no numbers")
    if not isinstance(value, str):
        return None
    if not _NUMERIC.fullmatch(value):
        return sentence("write the bare number: its unit is in the name of the field")
    if "," in value:
        return sentence("write it without quotes and with a decimal point")
    return sentence("write it without quotes")
