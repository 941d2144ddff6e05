"""What a report can be divided and filtered by."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from sqlalchemy import ColumnElement, case, func

from worker.events import GASES, PURPOSES, ThicknessUnreadable, inch_to_nm, mm_to_nm
from worker.naming import name_key
from worker.placing import mm
from worker.plates import SURFACES, UNKNOWN, surface_group
from worker.sentences import Sentence, sentence

#: How a value that is not known is asked for.
ASKED_UNKNOWN: Final = "unknown"
HISTORIES: Final = ("hardened", "thermal_edge", "as_supplied", UNKNOWN)


class ValueUnreadable(ValueError):
    """A filter's value that names nothing; `what` says what would do."""

    def __init__(self, what: Sentence) -> None:
        super().__init__(what)
        self.what = what


@dataclass(frozen=True)
class Dimension:
    """A way to divide attempts.

    `of_attempts`: only the attempts carry it, not the tallies. `read` turns what a filter says into what is stored,
    `show` what is stored into what a report shows. `is_window`: asked for as a window, not as a filter.
    """

    name: str
    definition: str
    stored: str
    unit: str = ""
    column: str = ""
    of_attempts: bool = False
    is_window: bool = False
    is_text: bool = True
    named: bool = False
    read: Callable[[str], Any] = str
    show: Callable[[Any], Any] = lambda stored: stored
    example: str = ""

    @property
    def label(self) -> str:
        """Its column, and the name of its filter."""
        return self.column or self.name


def _one_of(words: tuple[str, ...]) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in words:
            raise ValueUnreadable(sentence("must be one of %(words)s", words=", ".join(words)))
        return text

    return read


def _decimal(text: str, *, most: int) -> Decimal:
    """The decimal number that a text is, from 0 to `most`."""
    if len(text) > 20 or re.fullmatch(r"[0-9]+(\.[0-9]+)?", text, re.ASCII) is None or Decimal(text) > most:
        raise ValueUnreadable(sentence("must be a number from 0 to %(most)s", most=most))
    return Decimal(text)


def read_thickness_mm(text: str) -> int:
    """Nanometres of a thickness in millimetres."""
    try:
        return mm_to_nm(_decimal(text, most=1_000))
    except (ThicknessUnreadable, ValueUnreadable):
        raise ValueUnreadable(sentence("must be a thickness in millimetres, such as 20 or 19.05")) from None


def read_thickness_in(text: str) -> int:
    """Nanometres of a thickness in inches: a number or a fraction."""
    try:
        return inch_to_nm(text if "/" in text else _decimal(text, most=100))
    except (ThicknessUnreadable, ValueUnreadable):
        raise ValueUnreadable(sentence('must be a thickness in inches, such as 0.75 or "3/4"')) from None


def _read_bevel(text: str) -> int:
    try:
        mdeg = _decimal(text, most=90) * 1000
    except ValueUnreadable:
        mdeg = Decimal("0.5")
    if mdeg != int(mdeg):
        raise ValueUnreadable(sentence("must be a bevel in degrees with at most 3 decimals, such as 30"))
    return int(mdeg)


def _known(stored: str) -> str | None:
    """A state of the plate; these have a word for what was not observed."""
    return None if stored == UNKNOWN else stored


def _show_bevel(mdeg: int | None) -> float | int | None:
    return mm(None if mdeg is None else mdeg * 1000)


_ALL: Final = (
    Dimension("thickness", "nominal thickness of the plate", "thickness_nm", "mm", "thickness_mm", is_text=False,
              read=read_thickness_mm, show=mm, example="20"),
    Dimension("material", "material, as first written", "material", named=True, read=name_key, example="S355J2"),
    Dimension("machine", "machine, as first written", "machine", named=True, read=name_key, example="Laser 1"),
    Dimension("gas", "cutting gas", "gas", read=_one_of(GASES), example="oxygen"),
    Dimension("recipe", "recipe, by name and revision: name / revision", "recipe", named=True, read=name_key,
              example="S355-20 / B"),
    Dimension("surface", "state of the plate's surface when the attempt started", "surface",
              read=_one_of(SURFACES), show=_known, example="rusted"),
    Dimension("surface_group", "clean or disturbed surface", "surface",
              read=_one_of(("clean", "disturbed", UNKNOWN)), show=_known, example="clean"),
    Dimension("thermal_history", "hardened, thermal_edge or as_supplied steel at the cut", "thermal_history",
              read=_one_of(HISTORIES), show=_known, example="hardened"),
    Dimension("bevel", "bevel of the cut; null for a square cut", "bevel_mdeg", "deg", "bevel", is_text=False,
              read=_read_bevel, show=_show_bevel, example="30"),
    Dimension("purpose", "production, trial or proof; all asks for each of them", "purpose",
              read=_one_of((*PURPOSES, "all")), example="trial"),
    Dimension("shift", "shift in which the attempt started", "shift", example="early"),
    Dimension("day", "production day", "day", is_window=True, example="2026-03-04"),
    Dimension("week", "ISO 8601 week of the production day", "week", is_window=True, example="2026-W10"),
    Dimension("month", "month of the production day", "day", is_window=True, example="2026-03"),
    Dimension("job", "job", "job", of_attempts=True, example="J-1024"),
    Dimension("part_number", "part number of the job", "part_number", of_attempts=True, example="BR-120"),
    Dimension("plate", "plate", "plate", of_attempts=True, example="P-77"),
    Dimension("mill", "steel mill of the plate or of its ancestor", "mill", of_attempts=True, example="Mill A"),
    Dimension("heat_number", "heat number of the plate or of its ancestor; unique within its mill: by=mill,heat_number",
              "heat_number", of_attempts=True, example="H4711"),
    Dimension("supplier", "supplier of the plate or of its ancestor", "supplier", of_attempts=True, example="Stockist"),
    Dimension("run", "program run", "run", of_attempts=True, example="R-9"),
)  # fmt: skip

DIMENSIONS: Final[dict[str, Dimension]] = {dimension.name: dimension for dimension in _ALL}
#: Only in report rework: what was done.
OPERATION: Final = Dimension("operation", "rework operation", "operation", example="grinding")
#: Only in report losses, one at a time: each divides the same lost parts by another sort of word.
LOST_BY: Final = (
    Dimension("stage", "stage of the cut that the lost parts failed first", "word", example="surface"),
    Dimension("term", "defect term of the lost parts, or the outcome that made none", "word", example="wide_kerf"),
    Dimension("location", "where on the part the defect is", "word", example="corner"),
    Dimension("cause", "cause that was named, suspected and confirmed apart", "word", example="nozzle_worn"),
)

_CLEAN: Final = [surface for surface in SURFACES if surface_group(surface) == "clean"]


def stored_expression(dimension: Dimension, columns: Any) -> ColumnElement[Any]:
    """The dimension as SQL over tallies joined with their combinations, or over attempts."""
    column: ColumnElement[Any] = columns[dimension.stored]
    if dimension.name == "surface_group":
        known = case((column.in_(_CLEAN), "clean"), else_="disturbed")
        return case((column == UNKNOWN, UNKNOWN), else_=known)
    if dimension.name == "month":
        return func.substr(column, 1, 7)
    return column
