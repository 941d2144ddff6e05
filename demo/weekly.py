"""The weekly report on the screen: by thickness, each rate with its interval."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

Row = Mapping[str, Any]
#: Kinds of findings that say why.
CAUSES: Final = ("bad_lot", "condition", "drift")
NOTHING: Final = "-"
CAUTIONS: Final = (
    "Figures are evidence from past cuts, not permission: local codes, the machine's instructions and qualified people "
    "come first.",
    "Enclosure and interlocks of a Class 4 laser stay in force; oxygen, fume and hot work have rules of their own.",
)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the table: its heading, the measure that it shows, and how."""

    heading: str
    measure: str
    form: str

    def text(self, row: Row, *, between: str) -> str:
        """Return the row's value as people read it; what is not known is a dash, `between` parts rate and interval."""
        value = row.get(self.measure)
        if value is None:
            return NOTHING
        if self.form == "interval":
            low, high = row.get(f"{self.measure}_low"), row.get(f"{self.measure}_high")
            if low is None or high is None:
                return FORMS["share"](value)
            return f"{_percent(value)} %{between}({_percent(low)}-{_percent(high)})"
        return FORMS[self.form](value)


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"


FORMS: Final[Mapping[str, Callable[[Any], str]]] = {
    "number": "{:,.10g}".format,
    "minutes": "{:,.1f}".format,
    "money": "{:,.2f}".format,
    "share": lambda share: f"{_percent(share)} %",
}
COLUMNS: Final = (
    Column("mm", "thickness_mm", "number"),
    Column("attempts", "attempts", "number"),
    Column("parts judged", "parts_judged_first", "number"),
    Column("first-pass yield", "first_pass_yield", "interval"),
    Column("failed pierces", "failed_pierce_rate", "interval"),
    Column("rework min", "rework_minutes", "minutes"),
    Column("scrap", "scrap_ratio", "share"),
    Column("cost", "cost_of_poor_quality", "money"),
)
#: Columns of a screen from which rate and interval stand side by side.
WIDE: Final = 104


def show_week(console: Console, report: Mapping[str, Any], *, currency: str) -> None:
    """Print the report as a table with its totals, its notes, and the cautions."""
    window, confidence = report["window"], f"{100 * report['confidence']:g} %"
    console.print(_table(report, currency=currency, between=" " if console.width >= WIDE else "\n"))
    console.print(
        f"Production days {window['from']} to {window['to']}; production attempts only; "
        f"in brackets {confidence} intervals.",
        style="dim",
        highlight=False,
    )
    for note in report.get("notes", ()):
        console.print(f"Note: {note}", style="dim", markup=False, highlight=False)
    for caution in CAUTIONS:
        console.print(caution, style="dim", markup=False, highlight=False)


def show_findings(console: Console, findings: Sequence[Mapping[str, Any]] | None) -> None:
    """Print what the worker found in all weeks: causes in full, the others by their number."""
    if findings is None:
        console.print("The worker has not looked for findings yet: GET /v1/findings has them soon.", highlight=False)
        return
    causes = [finding for finding in findings if finding["kind"] in CAUSES]
    others = Counter(str(finding["kind"]) for finding in findings if finding["kind"] not in CAUSES)
    console.print("[bold]Found in all weeks[/bold]" if causes else "Found in all weeks: no cause.", highlight=False)
    for finding in causes:
        console.print(f"- {finding['detail']}", markup=False, highlight=False)
    if others:
        told = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in sorted(others.items()))
        console.print(f"Also open: {told}.", style="dim", highlight=False)


def _table(report: Mapping[str, Any], *, currency: str, between: str) -> Table:
    rows, totals = report["rows"], report["totals"]
    table = Table(box=SIMPLE_HEAD, show_footer=True, padding=0, pad_edge=False)
    # A measure that the report does not have gets no column; one that is null everywhere has nothing to show.
    shown = [column for column in COLUMNS if any(row.get(column.measure) is not None for row in (*rows, totals))]
    for column in shown:
        heading = f"{column.heading} {currency}" if column.form == "money" else column.heading
        footer = "all" if column.measure == "thickness_mm" else column.text(totals, between=between)
        table.add_column(heading, footer=footer, justify="right", no_wrap=column.form == "interval")
    for row in rows:
        table.add_row(*(column.text(row, between=between) for column in shown))
    return table
