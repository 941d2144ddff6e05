"""What inspections measured, reading by reading: roughness, squareness, slag and sizes. Pure.

Each value that an inspection of a finished attempt gives is one row, also those of an inspection whose parts are left
out of the counts: what was measured was measured. Values are whole nanometres, Rz5 among them, so that they are exact.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

from worker.events import NM_PER_MM
from worker.folding import Cut
from worker.placing import Row, exact

NM_PER_UM: Final = 1_000
RZ5: Final = "rz5"
U: Final = "u"
DROSS: Final = "dross"
FIRST: Final = "first"
#: Stages whose readings speak of the cut; rework has changed what is measured after it.
OF_THE_CUT: Final = (FIRST, "downstream")


def readings_of(cut: Cut, row: Row) -> Iterable[Row]:
    """Rows of a finished attempt whose own row is `row`, one a reading; `place` counts those of a list from 0."""
    for event in cut.inspected:
        common = {name: row[name] for name in ("attempt", "day", "combination")}
        common |= {"source": event.source, "id": event.id, "stage": event.data.get("stage") or FIRST}
        for sort, place, nominal_nm, value_nm in _placed(event.data):
            yield common | {"sort": sort, "place": place, "nominal_nm": nominal_nm, "value_nm": value_nm}


def _placed(data: dict[str, Any]) -> Iterator[tuple[str, int, int | None, int]]:
    """(sort, place, nominal, value) of each reading of an inspection."""
    for place, value in enumerate(data.get("rz5_um") or ()):
        yield RZ5, place, None, _nm(value, NM_PER_UM)
    for place, value in enumerate(data.get("u_mm") or ()):
        yield U, place, None, _nm(value, NM_PER_MM)
    if (value := data.get("dross_mm")) is not None:
        yield DROSS, 0, None, _nm(value, NM_PER_MM)
    for place, size in enumerate(data.get("sizes") or ()):
        yield size["feature"], place, _nm(size["nominal_mm"], NM_PER_MM), _nm(size["measured_mm"], NM_PER_MM)


def _nm(value: float, nm_per_unit: int) -> int:
    """Whole nanometres of the decimal number that was sent."""
    return round(exact(value) * nm_per_unit)
