"""What is wrong with a form that was sent, at the field where it is, in the language of whoever reads."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from service.pages.languages import gettext, lang_of, spoken
from service.problems import Problem
from worker.sentences import Sentence, sentence

Faults = dict[str, list["Said"]]


class Said(str):
    """What is wrong, in words; lang: their language where it is not the page's."""

    __slots__ = ("lang",)
    lang: str | None

    @classmethod
    def in_language(cls, text: str, lang: str | None) -> Said:
        """A text in a language, None being that of the page."""
        said = cls(text)
        said.lang = lang
        return said

    @classmethod
    def of(cls, text: str, *, where: str = "") -> Said:
        """What a schema says, in the language of the running request; where: said before it."""
        known = marshmallows(text)
        return cls.in_language(f"{where}{spoken(known)}", lang_of(known))


#: What marshmallow itself says, and pages can meet.
_MARSHMALLOWS: Final = {
    str(said): said
    for said in (
        sentence("Missing data for required field."),
        sentence("Field may not be null."),
        sentence("Not a valid string."),
        sentence("Invalid input type."),
        sentence("Unknown field."),
    )
}


def marshmallows(text: str) -> str:
    """A text with its form, where it is one of the few that marshmallow itself says."""
    return _MARSHMALLOWS.get(text, text)


def by_field(problem: Problem | None, fields: Iterable[str]) -> tuple[Said | None, Faults]:
    """(what is wrong with the form as a whole, what is wrong with each of its fields) of a problem of a body."""
    return by_pointer(problem, {name: name for name in fields})


def by_pointer(problem: Problem | None, fields: Mapping[str, str]) -> tuple[Said | None, Faults]:
    """The same where the fields stand elsewhere in the body. fields: pointer, without its first slash -> field.

    A fault deeper within a field says where: the third entry of a list is line 3.
    """
    if problem is None:
        return None, {}
    faults: Faults = {}
    whole: list[Said] = []
    for error in problem.errors:
        pointer = str(error.get("pointer", "")).removeprefix("/")
        field, deeper = _field_of(pointer, fields)
        if field is None:
            whole.append(Said.of(error["detail"], where=f"{pointer} " if pointer else ""))
        else:
            faults.setdefault(field, []).append(Said.of(error["detail"], where=_where(deeper)))
    if not problem.errors:
        # One that has no form was said by a page, in its language.
        detail = problem.detail
        whole.append(Said.of(detail) if isinstance(detail, Sentence) else Said.in_language(detail, None))
    return together(whole), faults


def together(said: Sequence[Said]) -> Said | None:
    """Several in one text; None of none."""
    lang = next((each.lang for each in said if each.lang is not None), None)
    return Said.in_language("; ".join(said), lang) if said else None


def _field_of(pointer: str, fields: Mapping[str, str]) -> tuple[str | None, str]:
    for known, field in fields.items():
        if pointer == known or pointer.startswith(f"{known}/"):
            return field, pointer[len(known) + 1 :]
    return None, ""


def _where(deeper: str) -> str:
    if not deeper:
        return ""
    first, _, rest = deeper.partition("/")
    place = gettext("line %(number)s", number=int(first) + 1) if first.isdecimal() else first
    return f"{place}{', ' + rest.replace('/', ' ') if rest else ''}: "
