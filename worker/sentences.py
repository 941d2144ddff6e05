"""Sentences that know what they are made of: English text, the form it came from, and the values within it.

Whoever shows a sentence in another language looks its form up in the catalogue of that language and fills in the values
anew, each said in that language too; JSON, CSV, logs and the other systems read the English text, which is the sentence
itself: a `Sentence` is a `str`. Forms are those of gettext's catalogues: `%(name)s` stands for a value.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Self

import orjson


class Sentence(str):
    """English text with its form, the other form where a number decides between two, and what fills them."""

    __slots__ = ("form", "how_many", "many", "values")
    form: str
    many: str | None
    how_many: int
    values: Mapping[str, str]

    @classmethod
    def made(cls, form: str, values: Mapping[str, str], *, many: str | None = None, how_many: int = 1) -> Self:
        """The sentence of a form, or of `many` where how many there are is not one."""
        chosen = form if many is None or how_many == 1 else many
        text = cls(chosen % values if values else chosen)
        text.form, text.many, text.how_many, text.values = form, many, how_many, values
        return text


class Figure(str):
    """A number as English writes it; a page writes it with the separators of its language."""

    __slots__ = ()


def sentence(form: str, **values: Any) -> Sentence:
    """The sentence of a form: each `%(name)s` is the value of that name.

    A value that is a sentence is said in the reader's language too, a number (`figure`, or an int) is written as there,
    any other is shown as it is. Without values a `%` stands for itself; beside values it is written `%%`.
    """
    return Sentence.made(form, {name: _shown(value) for name, value in values.items()})


def counted(count: int, one: str, many: str, **values: Any) -> Sentence:
    """The sentence of a form for one and another for more or none; `%(count)s` is the count in both."""
    shown = {"count": _shown(count)} | {name: _shown(value) for name, value in values.items()}
    return Sentence.made(one, shown, many=many, how_many=count)


def figure(value: float | None, pattern: str) -> Figure:
    """A number as a format specification of Python writes it, such as .1f, .3g, g or .0%."""
    return Figure(format(value, pattern))


def joined(between: str, parts: Iterable[Any]) -> Sentence:
    """Sentences one after another, with the same between any two."""
    values = {f"part{index}": _shown(part) for index, part in enumerate(parts)}
    escaped = between.replace("%", "%%")
    return Sentence.made(escaped.join(f"%({name})s" for name in values), values)


def _shown(value: Any) -> str:
    if isinstance(value, str):
        return value
    return Figure(value) if isinstance(value, int) and not isinstance(value, bool) else str(value)


# --- kept and read again ----------------------------------------------------------------------------------------


def form_of(text: str) -> str | None:
    """What has to be kept beside a text so that `with_form` gives the sentence again; None for what has no form."""
    return orjson.dumps(_plain(text)).decode() if isinstance(text, Sentence) else None


def with_form(text: str, kept: str | None) -> str:
    """The sentence that a text was, of what `form_of` gave for it; the text alone where nothing was kept."""
    return text if kept is None else _read(orjson.loads(kept))


def forms_within(value: Any) -> dict[str, str]:
    """English text -> `form_of` of every sentence in plain values, however deep."""
    return {str(found): orjson.dumps(_plain(found)).decode() for found in _sentences(value)}


def forms_text(value: Any) -> str | None:
    """`forms_within` plain values as the text that is kept beside them; None where no sentence is among them."""
    found = forms_within(value)
    return orjson.dumps(found).decode() if found else None


def with_forms_text(value: Any, kept: str | None) -> Any:
    """Plain values with the sentences again that were in them when `forms_text` gave what was kept."""
    return value if kept is None else with_forms(value, orjson.loads(kept))


def with_forms(value: Any, kept: Mapping[str, str]) -> Any:
    """Plain values in which each text that `kept` knows is its sentence again."""
    if isinstance(value, str):
        return with_form(value, kept.get(value))
    if isinstance(value, Mapping):
        return {name: with_forms(each, kept) for name, each in value.items()}
    if isinstance(value, Sequence):
        return [with_forms(each, kept) for each in value]
    return value


def _sentences(value: Any) -> Iterator[Sentence]:
    if isinstance(value, Sentence):
        yield value
    elif isinstance(value, Mapping):
        for each in value.values():
            yield from _sentences(each)
    elif isinstance(value, Sequence) and not isinstance(value, str | bytes):
        for each in value:
            yield from _sentences(each)


def _plain(text: str) -> Any:
    """A sentence as an object, a number as a list of one, any other text as it is."""
    if isinstance(text, Sentence):
        told: dict[str, Any] = {"form": text.form, "values": {name: _plain(each) for name, each in text.values.items()}}
        return told if text.many is None else told | {"many": text.many, "how_many": text.how_many}
    return [str(text)] if isinstance(text, Figure) else str(text)


def _read(told: Any) -> str:
    if isinstance(told, dict):
        values = {name: _read(each) for name, each in told["values"].items()}
        return Sentence.made(told["form"], values, many=told.get("many"), how_many=told.get("how_many", 1))
    return Figure(told[0]) if isinstance(told, list) else str(told)
