from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError

from service.strict_fields import Choice, Flag, Identifier, Number, Text, ThicknessInch, ThicknessMm, Whole, about
from service.strict_times import ClockTime, Day, Instant, Zone
from worker.events import OUTCOMES

ABOUT = about("a field", 1)
WHOLE_FIELD = Whole(1, 100_000, metadata=ABOUT)
TEXT = Text(20, metadata=ABOUT)
IDENTIFIER = Identifier(metadata=ABOUT)
INSTANT = Instant(metadata=ABOUT)
INCH = ThicknessInch(metadata=ABOUT)
MM = ThicknessMm(metadata=ABOUT)
MINUTES = Number(0.001, 100_000, decimals=3, metadata=ABOUT)


def what_is_wrong(field: Any, value: object) -> str:
    with pytest.raises(ValidationError) as caught:
        field.read(value)
    (message,) = caught.value.messages
    return str(message)


# source: units.inch_to_mm.* of the trade checks: 1 in = 25.4 mm exactly (from memory)
@pytest.mark.parametrize(
    ("inch", "mm"),
    [
        ("3/16", "4.7625"), ("1/4", "6.35"), ("5/16", "7.9375"), ("1/2", "12.7"), ("5/8", "15.875"), ("1", "25.4"),
        ("1 1/4", "31.75"), ("2 1/2", "63.5"),
    ],
)  # fmt: skip
def test_inch_sizes_are_exact(inch: str, mm: str) -> None:
    assert INCH.read(inch) == MM.read(Decimal(mm)) == Decimal(mm) * 1_000_000


def test_an_inch_size_may_be_a_number() -> None:
    assert INCH.read(Decimal("0.75")) == INCH.read("3/4") == 19_050_000
    assert INCH.read(1) == INCH.read("1") == 25_400_000


@pytest.mark.parametrize(
    ("value", "mend"),
    [
        ("1/0", 'zero under the bar; write a fraction such as "1/2"; found "1/0"'),
        ("0.75", "write a number or a fraction"),
        ("", "write a number or a fraction"),
        ("3 / 4", "write a number or a fraction"),
        ("1/3", "finer than a nanometre"),
        (Decimal("0.33"), None),
        (Decimal("0.123456789"), "finer than a nanometre"),
        ("0", "must be a thickness of 0.004 to 19.685 inches"),
        ("20", "0.004 to 19.685 inches"),
        (10**15, "must be a number of inches or a fraction"),
        (True, "must be a number of inches"),
        ("3/4" * 100, "must be a number of inches"),
        (["3/4"], "found a list of 1"),
    ],
)
def test_other_inch_sizes_are_refused(value: object, mend: str | None) -> None:
    if mend is None:
        assert INCH.read(value) == 8_382_000
    else:
        assert mend in what_is_wrong(INCH, value)


@pytest.mark.parametrize(
    ("value", "mend"),
    [
        (Decimal("0.0999"), "from 0.1 to 500"),
        (Decimal("500.001"), "from 0.1 to 500"),
        (Decimal("20.0000001"), "finer than a nanometre (6 decimals of a millimetre)"),
        # 28 digits: the finest that is read, and still not rounded
        (Decimal("20.00000000000000000000000001"), "finer than a nanometre"),
        ("20 mm", "its unit is in the name of the field"),
    ],
)
def test_thickness_in_mm_is_kept_to_the_nanometre_and_bounded(value: object, mend: str) -> None:
    assert mend in what_is_wrong(MM, value)
    assert [MM.read(each) for each in (20, Decimal("0.1"), 500)] == [20_000_000, 100_000, 500_000_000]


@pytest.mark.parametrize(
    ("value", "found"),
    [
        (0, "0"), (100_001, "100001"), (Decimal("1.5"), "1.5"), (Decimal("1E+40"), "1E+40"), (10**60, "very large"),
        ("5", '"5"; write it without quotes'), ("5,5", "with a decimal point"), (True, "true and false are no numbers"),
        (None, "null"), ([], "a list of 0"), ({}, "an object"), (Decimal("NaN"), "NaN"), (float("inf"), "inf"),
    ],
)  # fmt: skip
def test_whole_takes_whole_numbers_alone(value: object, found: str) -> None:
    message = what_is_wrong(WHOLE_FIELD, value)
    assert message.startswith("must be a whole number from 1 to 100000; found ")
    assert found in message


def test_numbers_count_by_value() -> None:
    for twenty in (20, Decimal("20.0"), Decimal("2e1"), 20.0):
        read = WHOLE_FIELD.read(twenty)
        assert (read, type(read)) == (20, int)
        assert MINUTES.read(twenty) == 20
    assert MINUTES.read(Decimal("1.5000")) == Decimal("1.5")


@pytest.mark.parametrize(
    ("value", "mend"),
    [
        (0, "must be a number from 0.001 to 100000; found 0"),
        (Decimal("-1.5"), "found -1.5"),
        (Decimal("1.2345"), "at most 3 decimals; found 1.2345; round it"),
        ("12 min", "write the bare number"),
        (False, "no numbers"),
        (float("nan"), "found nan"),
        (Decimal("-Infinity"), "found -Infinity"),
    ],
)
def test_number_refuses_what_is_out_of_bounds_or_too_fine(value: object, mend: str) -> None:
    assert mend in what_is_wrong(MINUTES, value)


@pytest.mark.parametrize(
    ("value", "mend"),
    [
        ("", "is blank; found"),
        ("  \u00a0", "is blank"),
        ("x" * 21, "has 21 characters"),
        ("tab\there", 'not printable (U+0009); found "tab\\u0009here"; remove it'),
        ("new\nline", "U+000A"),
        ("\u202egnp.exe", "U+202E"),
        ("half \ud83d", "U+D83D"),
        (5, "must be text of 1 to 20 characters; found 5; write it in quotes"),
    ],
)
def test_text_refuses_what_cannot_be_printed(value: object, mend: str) -> None:
    assert mend in what_is_wrong(TEXT, value)


def test_text_takes_the_words_of_all_languages_as_sent() -> None:
    for value in (" 12\u00a0mm ", "S355J2+N", "שלום", "鋼板", "می‌خواهم", "x" * 20, "\U0001f600"):
        assert TEXT.read(value) == value


@pytest.mark.parametrize("value", ["x" * 129, "", " ", "a\u200bb", "a\u00a0b", "a\x00", 7, None])
def test_identifier_is_printable_and_of_at_most_128_characters(value: object) -> None:
    assert what_is_wrong(IDENTIFIER, value)
    assert IDENTIFIER.read("x" * 128) == "x" * 128
    assert IDENTIFIER.read("A 1/ä") == "A 1/ä"


def test_choice_lists_its_words_and_the_nearest() -> None:
    outcome = Choice(OUTCOMES, metadata=ABOUT)
    expected = (
        'must be one of severed, not_severed, pierce_failed, aborted; found "Pierce failed"; nearest: pierce_failed'
    )
    assert what_is_wrong(outcome, "Pierce failed") == expected
    assert "found a list of 1" in what_is_wrong(outcome, ["severed"])
    assert "nearest: B" in what_is_wrong(Choice(("A", "B"), metadata=ABOUT), "b")


@pytest.mark.parametrize("value", [1, 0, "true", "yes", None, Decimal(1), [True]])
def test_flag_takes_true_and_false_alone(value: object) -> None:
    assert "must be true or false" in what_is_wrong(Flag(metadata=ABOUT), value)


@settings(max_examples=200, deadline=None)
@given(
    st.datetimes(datetime(2000, 1, 2), datetime(2099, 1, 1)),  # noqa: DTZ001
    st.integers(-1439, 1439),
)
def test_instant_reads_what_datetime_writes(local: datetime, offset: int) -> None:
    instant = local.replace(tzinfo=timezone(timedelta(minutes=offset)))
    expected = (instant - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    for text in (
        instant.isoformat(),
        instant.isoformat().replace("T", "t"),
        instant.isoformat(timespec="microseconds"),
    ):
        assert INSTANT.read(text) == expected


def test_instant_cuts_to_the_microsecond_and_takes_z_in_either_case() -> None:
    second = 1_772_431_200_000_000  # 2026-03-02T06:00:00Z
    assert INSTANT.read("2026-03-02T06:00:00Z") == INSTANT.read("2026-03-02t06:00:00z") == second
    assert INSTANT.read("2026-03-02T06:00:00-00:00") == second
    assert INSTANT.read("2026-03-02T06:00:00.5Z") == second + 500_000
    assert INSTANT.read("2026-03-02T06:00:00.123456999Z") == second + 123_456


@pytest.mark.parametrize(
    ("value", "mend"),
    [
        ("2026-03-02T06:15:00", "add the offset, +01:00 or Z"),
        ("2026-03-02 06:15", "add the offset"),
        ("2026-03-02 06:15:00Z", "such as 2026-03-02T06:15:00+01:00"),
        ("2026-03-02T06:15Z", "RFC 3339"),
        ("2026-03-02", "RFC 3339"),
        ("20260302T061500Z", "RFC 3339"),
        ("2026-03-02T06:15:00+0100", "RFC 3339"),
        ("2026-02-29T06:15:00Z", "RFC 3339"),
        ("2026-03-02T24:00:00Z", "RFC 3339"),
        ("2026-03-02T06:15:00+24:00", "RFC 3339"),
        ("2026-03-02T06:15:00.1234567890Z", "RFC 3339"),
        ("2026-03-02T06:15:00Z\n", "RFC 3339"),
        ("２026-03-02T06:15:00Z", "RFC 3339"),
        ("2016-12-31T23:59:60Z", "write second 59 for a leap second"),
        ("1999-12-31T23:59:59Z", "before the year 2000"),
        ("2000-01-01T00:00:00+01:00", "before the year 2000"),
        ("0000-01-01T00:00:00Z", "RFC 3339"),
        (1_772_431_200, "found 1772431200"),
    ],
)
def test_instant_refuses_what_is_no_instant(value: object, mend: str) -> None:
    assert mend in what_is_wrong(INSTANT, value)


@pytest.mark.parametrize("value", ["2026-02-29", "20260302", "2026-W10-1", "1999-12-31", "2100-01-01", "", 20260302])
def test_day_refuses_what_is_no_day(value: object) -> None:
    assert "such as 2026-03-02" in what_is_wrong(Day(metadata=ABOUT), value)


@pytest.mark.parametrize("value", ["6:00", "24:00", "06:60", "06:00:00", "0600", 6])
def test_clock_time_refuses_other_forms(value: object) -> None:
    assert what_is_wrong(ClockTime(metadata=ABOUT), value)
    assert ClockTime(metadata=ABOUT).read("23:59") == "23:59"


@pytest.mark.parametrize(
    "value", ["Europe/Berln", "../UTC", "/etc/localtime", "Europe", "localtime", "+01:00", "", "Europe/Berlin\0", 1]
)
def test_zone_takes_iana_names_alone(value: object) -> None:
    zone = Zone(metadata=ABOUT)
    assert "must be an IANA time zone" in what_is_wrong(zone, value)
    assert [zone.read(name) for name in ("UTC", "Asia/Kathmandu")] == ["UTC", "Asia/Kathmandu"]
    assert "nearest: Europe/Berlin" in what_is_wrong(zone, "Europe/Berln")


def test_what_was_found_is_shown_short_and_printable() -> None:
    message = what_is_wrong(WHOLE_FIELD, "\x1b[31m" + "x" * 1_000_000)
    found = message.partition("found ")[2].partition(";")[0]
    assert found.startswith('"\\u001b[31mxxx')
    assert len(found) <= 60
    assert message.isprintable()
