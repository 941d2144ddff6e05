"""What the service answers of a plate that is about to be cut."""

from __future__ import annotations

from typing import Final

from service.schemas.answers import Answer, flag, number, record, rows, text, whole, word
from service.schemas.holds import HoldShown
from service.schemas.plan import PlanAsOf, PlanWindow
from service.schemas.releases import ReleaseShown
from service.schemas.state_answers import SURFACE_GROUPS, Job, Plate
from worker.events import GASES
from worker.noticing.finding import KINDS
from worker.prechecks.evidence import GAS_FROM
from worker.prechecks.intended import MACHINE_FROM
from worker.prechecks.raising import WAYS
from worker.reports.dimensions import HISTORIES
from worker.reports.holding import STANDINGS

SOURCES: Final = ("cell", "curve", "thicker")
VERDICTS: Final = ("worse", "better", "watch")
FEATURES: Final = ("hole", "web", "corner")
_SENTENCE: Final = (
    "Of 100 parts of 20 mm S355J2+N on plate with a clean surface and edges as supplied about 88 (81 to 93) came right "
    "the first time on laser-2 with oxygen, by 211 of 240 parts on 22 plates like these; this is evidence from past "
    "cuts, not a permission."
)


class ExpectedShown(Answer):
    """A first-pass yield to expect, with its interval of 90 % confidence."""

    machine = text("machine, as the site's settings name it", "laser-2", null=True)
    gas = word(GASES, "the cutting gas; null: not noted", null=True)
    share = number("yield expected, 0-1; null: see reason", 0.88, null=True)
    low = number("lower limit", 0.81, null=True)
    high = number("upper limit", 0.93, null=True)
    source = word(SOURCES, "parts at this thickness and condition, a curve over thickness, or thicker plate", null=True)
    parts = whole("judged parts of first attempts at this thickness and condition", 240)
    good = whole("those among them that were good at once", 211)
    plates = whole("plates (else runs, else attempts) among them", 22)
    reason = text("why it is null, or what it rests on", None, null=True)


class StandingShown(Answer):
    """What is proven of the yield at this thickness and condition, with one recipe."""

    standing = word(STANDINGS, "what the parts of the window prove of the target")
    recipe = text("recipe, as name / revision", "S355 oxygen 20 / B", null=True)
    gas = word(GASES, "cutting gas", null=True)
    surface_group = word(SURFACE_GROUPS, "clean or disturbed surface; null: not noted", null=True)
    thermal_history = word(HISTORIES, "what the edges went through; null: not noted", null=True)
    target = number("first-pass yield to be proven: the site's target", 0.9)
    confidence = number("one-sided confidence of the bounds: the site's target", 0.95)
    parts = whole("judged parts of first attempts", 60)
    good = whole("those among them that were good at once", 60)
    plates = whole("plates (else runs, else attempts) among them", 12)
    lower = number("lower bound of the yield", 0.94, null=True)
    upper = number("upper bound of the yield", 1.0, null=True)
    more_good_parts = whole("so many more parts, all good, would prove it", 0, null=True)
    on_plates = whole("least plates that these are to be spread over", 0, null=True)


class LotShown(Answer):
    """What was cut of the plate's heat so far, beside the other heats."""

    heat_number = text("heat number", "H48213")
    mill = text("steel mill", "Nordhelm", null=True)
    judged_parts = whole("judged parts of first attempts of it in the window", 36)
    judged_not_good = whole("those among them that were not good at once", 23)
    judged_plates = whole("plates among them", 7)
    parts = whole("those of its judged parts that can be compared: other heats were cut alike", 30)
    not_good = whole("those compared that were not good at once", 21)
    plates = whole("plates among those compared", 6)
    failure_share = number("not good over parts", 0.7, null=True)
    expected_share = number("what the other heats give: same thicknesses, materials, machines", 0.033, null=True)
    verdict = word(VERDICTS, "as report lots has it; null: chance explains it, or nothing to compare", null=True)
    suspect = text("what to look at first", None, null=True)
    reason = text("why there is no verdict, or what it rests on", None, null=True)
    other_mills = rows(text("mill", "Nordhelm"), "where none was cut of the plate's mill: mills of that heat number")


class FindingShown(Answer):
    """An open finding about the plate, its heat, the job or the machine."""

    id = text("id of the finding", "F-7c1d3f0a92be4455")
    kind = word(KINDS, "kind of finding")
    code = text("what exactly", "lot_worse")
    subject_kind = text("kind of what it is about", "heat")
    subject = text("id or name of what it is about", "H48213")
    detail = text("what is the matter, in a sentence", "heat H48213 of Nordhelm is worse than chance explains")


class GeometryShown(Answer):
    """A feature of the job's part beside the thickness."""

    feature = word(FEATURES, "smallest hole, thinnest web, smallest corner radius")
    size_mm = number("its size, mm", 16)
    ratio = number("size over thickness", 0.8)
    limit_ratio = number("below this it is doubted: the site's setting plausibility; null for corners", 1.0, null=True)
    doubt = text("what is doubted of it, in a sentence; null: nothing", None, null=True)


class RaiseShown(Answer):
    """What would raise the expected yield."""

    way = word(WAYS, "clean its surface, trim heated edges away, take another plate, gas or machine")
    plates_in_stock = rows(text("id of a plate", "P-78"), "of another plate: those of this condition, at most three")
    machine = text("of another machine: its name", None, null=True)
    gas = word(GASES, "of another gas or machine: the gas", null=True)
    surface_group = word(SURFACE_GROUPS, "of a plate: its surface then", null=True)
    thermal_history = word(HISTORIES, "of a plate: what its edges went through then", None, null=True)
    share = number("yield expected then, 0-1", 0.94)
    low = number("lower limit of it, 90 % confidence", 0.9, null=True)
    high = number("upper limit of it, 90 % confidence", 0.97, null=True)
    gain = number("yield then less yield now; null: none is known of now", 0.06, null=True)
    clear = flag("nothing in doubt says otherwise; null: none is known of now", False, null=True)
    doubt = text(
        "what else may explain the gain: intervals that overlap, or no heat that was cut both ways",
        "the intervals overlap, so chance may explain it",
        null=True,
    )
    source = word(SOURCES, "where it comes from")
    parts = whole("judged parts of first attempts at this thickness and condition", 260)
    good = whole("those among them that were good at once", 244)
    plates = whole("plates (else runs, else attempts) among them", 24)
    rests_on_parts = whole("parts that it was read off: more than these for a curve or thicker plate", 260)
    rests_on_plates = whole("plates (else runs, else attempts) among those", 24)
    without_heat = text("heat number whose parts are left out, being worse than chance explains", None, null=True)


class Precheck(Answer):
    """What the record says of a plate that is about to be cut: evidence, never a permission."""

    site = text("id of the site", "main")
    plate = record(Plate, "the plate as it stands, with its condition and since when it holds")
    job = record(Job, "the job as it stands; null: none was asked for", null=True)
    machine = text("the machine that is looked at", "laser-2", null=True)
    machine_from = word(MACHINE_FROM, "asked for, the job's work centre, or what cut the job last", null=True)
    gas = word(GASES, "the cutting gas that is looked at", null=True)
    gas_from = word(GAS_FROM, "asked for, or that of the last cuts like this, of the job or the machine", null=True)
    sentence = text("the answer in a sentence", _SENTENCE)
    disagreements = rows(text("a sentence", "the job asks for 25 mm, its plate is 20 mm thick"), "job against plate")
    window = record(PlanWindow, "the production days whose cuts count")
    confidence = number("confidence of the intervals of expected yields", 0.9)
    expected_yield = record(ExpectedShown, "the yield to expect on the machine with the gas")
    gases = rows(ExpectedShown, "the same for each gas that the machine cut this material with")
    standing = rows(StandingShown, "standings at its thickness and condition with these, the best first")
    holds = rows(HoldShown, "open holds on the plate, its heat, the machine and the job")
    released = record(ReleaseShown, "settings released for it; null: none, or gas or machine are not known", null=True)
    lot = record(LotShown, "its heat so far; null: its heat number is not known", null=True)
    findings = rows(FindingShown, "open findings about it, its heat, the job and the machine, as last looked for")
    geometry = rows(GeometryShown, "smallest hole, web and corner radius of the job beside the thickness")
    raises = rows(RaiseShown, "what would raise the expected yield, the most promising first")
    notes = rows(
        text(
            "a sentence",
            "cut it with nitrogen: 94 of 100 (90 to 97) came right the first time so, 244 of 260 parts on 24 plates",
        ),
        "what to heed, in sentences; what disagrees comes first",
    )
    cautions = rows(text("caution", "Figures are evidence from past cuts, not permission."), "what goes with it")
    as_of = record(PlanAsOf, "up to where the ledger is counted")
