"""Sentences: English text that knows its form and its values, and is the same again after it was kept."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from worker.reports.plain import json_bytes, read_plain
from worker.sentences import (
    Figure,
    Sentence,
    counted,
    figure,
    form_of,
    forms_text,
    forms_within,
    joined,
    sentence,
    with_form,
    with_forms,
    with_forms_text,
)

#: The NUL is taken by no door, half surrogates by no encoder.
_TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)


def _same(one: Any, other: Any) -> bool:
    """Are two texts alike in all that they are made of?"""
    if type(one) is not type(other) or one != other:
        return False
    if not isinstance(one, Sentence):
        return True
    made = [(each.form, each.many, each.how_many, each.values.keys()) for each in (one, other)]
    return made[0] == made[1] and all(_same(one.values[name], other.values[name]) for name in one.values)


@st.composite
def _sentences(draw: st.DrawFn, depth: int = 2) -> Sentence:
    values = st.one_of(_TEXT, st.integers(), st.floats(allow_nan=False).map(lambda value: figure(value, ".3g")))
    if depth:
        values = st.one_of(values, _sentences(depth - 1))
    names = draw(st.lists(st.sampled_from(("first", "second", "third")), unique=True, max_size=3))
    filling = {name: draw(values) for name in names}
    words = draw(_TEXT).replace("%", "%%" if filling else "%")
    form = " ".join((words, *(f"%({name})s" for name in names)))
    return draw(
        st.sampled_from(
            (
                lambda: sentence(form, **filling),
                lambda: joined("; ", filling.values()),
                lambda: counted(draw(st.integers(0, 3)), f"%(count)s {words.replace('%', '')}", "%(count)s", **filling),
            )
        )
    )()


# --- made -------------------------------------------------------------------------------------------------------


def test_a_sentence_is_its_english_text() -> None:
    told = sentence("%(name)s: %(size)s mm, %(share)s %%", name="Laser 1", size=figure(1.25, ".1f"), share=12)
    assert told == "Laser 1: 1.2 mm, 12 %"
    assert (told.form, told.many) == ("%(name)s: %(size)s mm, %(share)s %%", None)
    assert {name: type(value) for name, value in told.values.items()} == {"name": str, "size": Figure, "share": Figure}


def test_without_values_a_per_cent_sign_stands_for_itself() -> None:
    assert sentence("air holds 21 % of it") == "air holds 21 % of it"


@pytest.mark.parametrize(
    ("count", "said"), [(0, "0 parts of J1"), (1, "1 part of J1"), (2, "2 parts of J1"), (1200, "1200 parts of J1")]
)
def test_a_count_chooses_between_two_forms(count: int, said: str) -> None:
    told = counted(count, "%(count)s part of %(job)s", "%(count)s parts of %(job)s", job="J1")
    assert told == said
    assert (told.many, told.how_many) == ("%(count)s parts of %(job)s", count)


def test_what_is_joined_keeps_its_parts() -> None:
    parts = [sentence("one"), "two", sentence("%(count)s %%", count=3)]
    told = joined(" % ", parts)
    assert told == "one % two % 3 %"
    assert list(told.values.values()) == parts
    assert isinstance(told.values["part2"], Sentence)
    assert joined(", ", []) == ""


@pytest.mark.parametrize(
    ("value", "pattern", "said"), [(1.25, ".2f", "1.25"), (0.5, ".0%", "50%"), (1e-7, "g", "1e-07"), (20, "d", "20")]
)
def test_a_figure_is_written_as_python_writes_it(value: float, pattern: str, said: str) -> None:
    assert figure(value, pattern) == said


def test_json_of_a_sentence_is_that_of_its_text() -> None:
    told = {"note": sentence("%(count)s of %(of)s", count=1, of="all"), "figure": figure(1.5, "g")}
    assert json_bytes(told) == b'{"note":"1 of all","figure":"1.5"}'
    assert json.dumps(told) == '{"note": "1 of all", "figure": "1.5"}'


# --- kept and read again ----------------------------------------------------------------------------------------


@given(_sentences())
def test_a_sentence_that_was_kept_is_the_same_again(told: Sentence) -> None:
    assert _same(with_form(str(told), form_of(told)), told)


@given(_sentences())
def test_a_copy_of_a_sentence_is_the_same(told: Sentence) -> None:
    assert _same(copy.deepcopy(told), told)


def test_a_text_without_a_form_is_kept_without_one() -> None:
    assert form_of("a text") is None
    assert forms_text(["a text", 1]) is None
    assert with_forms_text(["a text", 1], None) == ["a text", 1]
    assert type(with_form("a text", None)) is str


@example([], "", 1e-05)
@given(st.lists(_sentences(), max_size=4), _TEXT, st.floats(allow_nan=False, allow_infinity=False))
def test_sentences_of_an_answer_are_the_same_when_it_is_read_from_its_json(
    told: list[Sentence], plain: str, number: float
) -> None:
    # Two of one text are told by one form: the text alone says which it is.
    notes = list({str(each): each for each in told}.values())
    notes = [each for each in notes if each != plain]
    answer = {"rows": [{"reason": each, "plain": plain} for each in notes], "notes": notes, "number": number}
    read = read_plain(json_bytes(answer))
    again = with_forms(read, forms_within(answer))
    assert with_forms_text(read, forms_text(answer)) == again
    assert again == answer
    assert all(map(_same, again["notes"], notes))
    assert all(_same(row["reason"], note) for row, note in zip(again["rows"], notes, strict=True))
    assert {type(row["plain"]) for row in again["rows"]} <= {str}
