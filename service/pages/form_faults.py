"""What is wrong with a form that was sent, at the field where it is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from service.problems import Problem

Faults = dict[str, list[str]]


def by_field(problem: Problem | None, fields: Iterable[str]) -> tuple[str | None, Faults]:
    """(what is wrong with the form as a whole, what is wrong with each of its fields) of a problem of a body."""
    return by_pointer(problem, {name: name for name in fields})


def by_pointer(problem: Problem | None, fields: Mapping[str, str]) -> tuple[str | None, Faults]:
    """The same where the fields stand elsewhere in the body. fields: pointer, without its first slash -> field.

    A fault deeper within a field says where: the third entry of a list is line 3.
    """
    if problem is None:
        return None, {}
    faults: Faults = {}
    whole: list[str] = []
    for error in problem.errors:
        pointer = str(error.get("pointer", "")).removeprefix("/")
        field, deeper = _field_of(pointer, fields)
        if field is None:
            whole.append(f"{pointer} {error['detail']}".strip())
        else:
            faults.setdefault(field, []).append(f"{_where(deeper)}{error['detail']}")
    if not problem.errors:
        whole.append(problem.detail)
    return "; ".join(whole) or None, faults


def _field_of(pointer: str, fields: Mapping[str, str]) -> tuple[str | None, str]:
    for known, field in fields.items():
        if pointer == known or pointer.startswith(f"{known}/"):
            return field, pointer[len(known) + 1 :]
    return None, ""


def _where(deeper: str) -> str:
    if not deeper:
        return ""
    first, _, rest = deeper.partition("/")
    place = f"line {int(first) + 1}" if first.isdecimal() else first
    return f"{place}{', ' + rest.replace('/', ' ') if rest else ''}: "
