"""The tables: the ledger (truth), what is derived from it, sites and keys.

The site comes first in every key, so that sites can be spread over databases. Instants are whole microseconds since
1970 UTC, thickness whole nanometres, minutes and seconds thousandths, mass milligrams, money millionths of a unit:
sums of integers are exact in every database. Production days are ISO dates as text: they sort, group and read alike
everywhere.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)
from sqlalchemy.event import listen

NAMING: Final = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = MetaData(naming_convention=NAMING)

#: Number of what the fold makes of events. Raised with each release that makes something else of them: a site that was
#: counted under an older one is computed again from its ledger.
FOLD: Final = 5

# Ids compare by their UTF-8 bytes: SQLite does so by itself, PostgreSQL is told to.
_ident = Text().with_variant(Text(collation="C"), "postgresql")
_day = String(10)
_week = String(8)
# SQLite gives a rowid, and so a position, only to INTEGER.
_position = BigInteger().with_variant(Integer(), "sqlite")


def _site() -> Column[str]:
    return Column("site", _ident, primary_key=True)


def _forms() -> Column[str]:
    """What the sentences in a row are made of (`worker.sentences.forms_text`), so that pages say them in any language.

    None where there is none, and in rows of a release that kept no forms.
    """
    return Column("forms", Text)


installation = Table(
    "installation",
    metadata,
    Column("number", SmallInteger, primary_key=True),
    Column("secret", LargeBinary, nullable=False),
    Column("created_us", BigInteger, nullable=False),
)


def new_series() -> str:
    """A name for numbers of confirmations that no other installation gives."""
    return secrets.token_hex(8)


sites = Table(
    "sites",
    metadata,
    _site(),
    Column("people_key", LargeBinary, nullable=False),
    # How many keys for people were destroyed before this one.
    Column("people_generation", Integer, nullable=False, server_default=text("0")),
    # Numbers of confirmations go on within it; a restored copy begins another.
    Column("series", String(16), nullable=False, default=new_series, server_default=text("''")),
    Column("created_us", BigInteger, nullable=False),
    Column("revision", BigInteger, nullable=False, default=0),
    # All events up to it are counted, but those of set_asides; all others are owed
    Column("counted_position", BigInteger, nullable=False, default=0),
    Column("counted_us", BigInteger),
    Column("fold", Integer, nullable=False, server_default=text("1")),
)

events = Table(
    "events",
    metadata,
    Column("position", _position, primary_key=True, autoincrement=True),
    Column("site", _ident, nullable=False),
    Column("source", _ident, nullable=False),
    Column("id", _ident, nullable=False),
    Column("type", _ident, nullable=False),
    Column("kind", _ident, nullable=False),
    Column("subject", _ident, nullable=False),
    Column("time_us", BigInteger, nullable=False),
    Column("received_us", BigInteger, nullable=False),
    Column("content_hash", LargeBinary, nullable=False),
    Column("void_source", _ident),
    Column("void_id", _ident),
    Column("payload", LargeBinary, nullable=False),
    UniqueConstraint("site", "source", "id"),
    Index(None, "site", "subject"),
    Index(None, "site", "position"),
    Index(
        "ix_events_voids",
        "site",
        "void_source",
        "void_id",
        sqlite_where=text("void_id IS NOT NULL"),
        postgresql_where=text("void_id IS NOT NULL"),
    ),
    Index(
        "ix_events_proofs",
        "site",
        "subject",
        sqlite_where=text("kind = 'proof'"),
        postgresql_where=text("kind = 'proof'"),
    ),
    Index(
        "ix_events_handovers",
        "site",
        "time_us",
        sqlite_where=text("type = 'cutledger.shift.handed_over'"),
        postgresql_where=text("type = 'cutledger.shift.handed_over'"),
    ),
    *(
        Index(
            f"ix_events_{kind}s",
            "site",
            "subject",
            sqlite_where=text(f"kind = '{kind}'"),
            postgresql_where=text(f"kind = '{kind}'"),
        )
        for kind in ("recipe", "hold", "trial")
    ),
    Index(
        "ix_events_checks",
        "site",
        "time_us",
        sqlite_where=text("type = 'cutledger.machine.checked'"),
        postgresql_where=text("type = 'cutledger.machine.checked'"),
    ),
    sqlite_autoincrement=True,
)

#: What became of the parts of an attempt, and its other counts: integers that add up over attempts.
COUNTS: Final = (
    "tried", "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework", "released",
    "hidden", "interruptions", "rework_minutes_e3", "scrap_mass_mg", "lost_pierce", "lost_sever", "lost_surface",
    "lost_size", "lost_unstated",
)  # fmt: skip
#: Counts that an attempt may not know.
COUNTS_OR_NONE: Final = ("seconds_ms", "lost_us", "pierces", "failed_pierces", "cost_e6")
#: What reports count of an attempt within its cluster, besides its dimensions.
COUNTED_BY_CLUSTER: Final = (
    "state", "is_first", "attempt_no", "quantity", "tried", "good", "rework", "scrap", "not_made", "pending",
)  # fmt: skip
#: The dimensions of a tally, besides its production day.
DIMENSIONS: Final = (
    "thickness_nm", "material", "machine", "gas", "recipe", "surface", "thermal_history", "bevel_mdeg", "purpose",
    "shift",
)  # fmt: skip


#: Where a plate's steel came from: together they are one steel.
ORIGIN: Final = ("mill", "heat_number", "supplier")


def _dimension(name: str) -> Column[str] | Column[int]:
    return Column(name, BigInteger) if name in ("thickness_nm", "bevel_mdeg") else Column(name, _ident)


#: The additive sums of a tally: what every measure and interval is made from (see worker.sums).
TALLY_SUMS: Final = (
    "attempts", "first_attempts", "open_attempts",
    "parts_tried", "parts_started", "parts_judged_first", "pending_first", "first_pass_good",
    "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework", "released", "hidden",
    "pierces", "failed_pierces", "attempts_without_pierces",
    "rework_minutes_e3", "cutting_ms", "lost_us", "attempts_without_seconds", "interruptions", "scrap_mass_mg",
    "cost_e6", "attempts_without_cost", "bevelled_attempts",
    "lost_pierce", "lost_sever", "lost_surface", "lost_size", "lost_unstated",
    "first_lost_pierce", "first_lost_sever", "first_lost_surface", "first_lost_size", "first_lost_unstated",
    "clusters", "cluster_n2", "cluster_x2_over_n_e6",
    "pierce_clusters", "pierce_n2", "pierce_x2_over_n_e6",
)  # fmt: skip

REWORK_SUMS: Final = (
    "rework_entries", "booked_rework_minutes_e3", "finishing_minutes_e3", "parts_reworked", "booked_rework_cost_e6",
    "entries_without_cost",
)  # fmt: skip


def _jobs(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}jobs",
        metadata,
        _site(),
        Column("job", _ident, primary_key=True),
        Column("state", String(8), nullable=False),
        Column("opened_us", BigInteger),
        Column("closed_us", BigInteger),
        Column("close_reason", String(16)),
        Column("part_number", _ident),
        Column("material", _ident),
        Column("thickness_nm", BigInteger),
        Column("quantity", Integer),
        Column("stated", Text, nullable=False),
        Index(None, "site", "state", "job"),
        Index(None, "site", "part_number", "job"),
        prefixes=prefixes,
    )


def _plates(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}plates",
        metadata,
        _site(),
        Column("plate", _ident, primary_key=True),
        Column("state", String(8), nullable=False),
        Column("received_us", BigInteger),
        Column("closed_us", BigInteger),
        Column("close_reason", String(16)),
        Column("parent", _ident),
        Column("material", _ident),
        Column("thickness_nm", BigInteger),
        Column("mill", _ident),
        Column("heat_number", _ident),
        Column("supplier", _ident),
        Column("certificate", _ident),
        Column("delivery_condition", _ident),
        Column("surface", String(16), nullable=False),
        Column("thermal_history", String(16), nullable=False),
        Column("stated", Text, nullable=False),
        Column("observations", Text, nullable=False),
        Index(None, "site", "parent"),
        Index(None, "site", "heat_number"),
        Index(None, "site", "state", "plate"),
        prefixes=prefixes,
    )


def _attempts(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}attempts",
        metadata,
        _site(),
        Column("attempt", _ident, primary_key=True),
        Column("state", String(10), nullable=False),
        Column("is_first", SmallInteger, nullable=False),
        Column("day", _day),
        Column("week", _week),
        Column("combination", BigInteger),
        Column("cluster", _ident),
        Column("steel", BigInteger),
        Column("part", BigInteger),
        *(_dimension(name) for name in DIMENSIONS),
        Column("material_name", _ident),
        Column("machine_name", _ident),
        Column("recipe_name", _ident),
        Column("source", _ident),
        Column("job", _ident),
        Column("plate", _ident),
        Column("run", _ident),
        Column("piece", _ident),
        Column("piece_key", _ident),
        Column("retry_of", _ident),
        Column("mode", String(8)),
        Column("operator", _ident),
        Column("part_number", _ident),
        Column("mill", _ident),
        Column("heat_number", _ident),
        Column("supplier", _ident),
        Column("started_us", BigInteger),
        Column("ended_us", BigInteger),
        Column("outcome", String(16)),
        Column("stop_reason", String(16)),
        Column("attempt_no", Integer),
        Column("quantity", Integer, nullable=False),
        *(Column(name, BigInteger, nullable=False) for name in COUNTS),
        *(Column(name, BigInteger) for name in COUNTS_OR_NONE),
        Column("settings", Text),
        # Parts that the first verdict lost to a confirmed cause that is not the process
        Column("lost_otherwise", BigInteger, nullable=False, server_default=text("0")),
        # By it a cluster is found and counted without its rows
        Index(f"ix_{prefix}attempts_clusters", "site", "day", "combination", "cluster", *COUNTED_BY_CLUSTER),
        Index(None, "site", "piece_key", "attempt_no"),
        Index(None, "site", "job", "day"),
        # Of those that name one: most attempts do not
        *(
            Index(
                None,
                "site",
                *columns,
                sqlite_where=text(f"{columns[0]} IS NOT NULL"),
                postgresql_where=text(f"{columns[0]} IS NOT NULL"),
            )
            for columns in (
                ("retry_of",),
                *((name, "day") for name in ("run", "part_number", "heat_number", "supplier")),
            )
        ),
        Index(
            f"ix_{prefix}attempts_open",
            "site",
            "attempt",
            sqlite_where=text("state = 'open'"),
            postgresql_where=text("state = 'open'"),
        ),
        Index(
            f"ix_{prefix}attempts_lost_otherwise",
            "site",
            "day",
            sqlite_where=text("lost_otherwise > 0"),
            postgresql_where=text("lost_otherwise > 0"),
        ),
        Index(
            f"ix_{prefix}attempts_reworked",
            "site",
            "day",
            "combination",
            "rework_minutes_e3",
            "rework",
            sqlite_where=text("rework_minutes_e3 > 0 OR rework > 0"),
            postgresql_where=text("rework_minutes_e3 > 0 OR rework > 0"),
        ),
        Index(None, "site", "plate", "day"),
        Index(None, "site", "machine", "started_us", "attempt", "ended_us", "run"),
        Index(None, "site", "material", "started_us", "attempt"),
        Index(None, "site", "recipe", "started_us", "attempt"),
        prefixes=prefixes,
    )


def _rework(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}rework",
        metadata,
        _site(),
        Column("source", _ident, primary_key=True),
        Column("id", _ident, primary_key=True),
        Column("attempt", _ident, nullable=False),
        Column("time_us", BigInteger, nullable=False),
        Column("day", _day, nullable=False),
        Column("week", _week, nullable=False),
        Column("shift", _ident, nullable=False),
        Column("combination", BigInteger, nullable=False),
        Column("operation", String(16), nullable=False),
        Column("planned", SmallInteger, nullable=False),
        Column("minutes_e3", BigInteger, nullable=False),
        Column("parts", Integer, nullable=False),
        Column("cost_e6", BigInteger),
        Index(None, "site", "attempt"),
        Index(None, "site", "day", "combination"),
        prefixes=prefixes,
    )


def _combinations(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}combinations",
        metadata,
        _site(),
        Column("combination", BigInteger, primary_key=True, autoincrement=False),
        *(_dimension(name) for name in DIMENSIONS),
        prefixes=prefixes,
    )


def _tallies(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}tallies",
        metadata,
        _site(),
        Column("day", _day, primary_key=True),
        Column("combination", BigInteger, primary_key=True, autoincrement=False),
        Column("week", _week, nullable=False),
        *(Column(name, BigInteger, nullable=False) for name in TALLY_SUMS),
        prefixes=prefixes,
    )


def _steel_tallies(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return _finer_tallies("steel", ORIGIN, metadata, prefix, prefixes)


def _part_tallies(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return _finer_tallies("part", ("part_number",), metadata, prefix, prefixes)


def _finer_tallies(by: str, names: tuple[str, ...], metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    """Tallies divided further by a number that stands for some names, which may not be known."""
    return Table(
        f"{prefix}{by}_tallies",
        metadata,
        _site(),
        Column("day", _day, primary_key=True),
        Column("combination", BigInteger, primary_key=True, autoincrement=False),
        Column(by, BigInteger, primary_key=True, autoincrement=False),
        *(Column(name, _ident) for name in names),
        Column("week", _week, nullable=False),
        *(Column(name, BigInteger, nullable=False) for name in TALLY_SUMS),
        prefixes=prefixes,
    )


def _rework_tallies(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}rework_tallies",
        metadata,
        _site(),
        Column("day", _day, primary_key=True),
        Column("combination", BigInteger, primary_key=True, autoincrement=False),
        Column("operation", String(16), primary_key=True),
        Column("week", _week, nullable=False),
        *(Column(name, BigInteger, nullable=False) for name in REWORK_SUMS),
        prefixes=prefixes,
    )


def _names(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}names",
        metadata,
        _site(),
        Column("kind", String(8), primary_key=True),
        Column("name_key", _ident, primary_key=True),
        Column("spelling", _ident, nullable=False),
        prefixes=prefixes,
    )


def _services(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}services",
        metadata,
        _site(),
        Column("source", _ident, primary_key=True),
        Column("id", _ident, primary_key=True),
        Column("subject", _ident, nullable=False),
        Column("machine", _ident, nullable=False),
        Column("machine_name", _ident, nullable=False),
        Column("time_us", BigInteger, nullable=False),
        Column("day", _day, nullable=False),
        Column("week", _week, nullable=False),
        Column("what", String(24), nullable=False),
        Index(None, "site", "subject"),
        Index(None, "site", "day"),
        prefixes=prefixes,
    )


def _lost_parts(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}lost_parts",
        metadata,
        _site(),
        Column("attempt", _ident, primary_key=True),
        Column("sort", String(8), primary_key=True),
        Column("word", String(32), primary_key=True),
        Column("certainty", String(9), primary_key=True),
        Column("day", _day, nullable=False),
        Column("combination", BigInteger, nullable=False),
        Column("parts_lost", BigInteger, nullable=False),
        Column("parts_named", BigInteger, nullable=False),
        Column("rework_minutes_e3", BigInteger, nullable=False),
        Column("cost_e6", BigInteger),
        Index(None, "site", "sort", "day", "combination"),
        prefixes=prefixes,
    )


def _warnings(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}warnings",
        metadata,
        _site(),
        Column("attempt", _ident, primary_key=True),
        Column("code", String(32), primary_key=True),
        Column("day", _day, nullable=False),
        Column("subject_kind", String(8), nullable=False),
        Column("subject", _ident, nullable=False),
        Column("detail", Text, nullable=False),
        Column("figures", Text, nullable=False),
        _forms(),
        Index(None, "site", "day", "code"),
        prefixes=prefixes,
    )


def _readings(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}readings",
        metadata,
        _site(),
        Column("source", _ident, primary_key=True),
        Column("id", _ident, primary_key=True),
        Column("sort", String(8), primary_key=True),
        Column("place", Integer, primary_key=True, autoincrement=False),
        Column("attempt", _ident, nullable=False),
        Column("day", _day, nullable=False),
        Column("combination", BigInteger, nullable=False),
        Column("stage", String(12), nullable=False),
        Column("nominal_nm", BigInteger),
        Column("value_nm", BigInteger, nullable=False),
        Index(None, "site", "attempt"),
        Index(None, "site", "sort", "day", "combination"),
        prefixes=prefixes,
    )


def _findings(metadata: MetaData, prefix: str, prefixes: list[str]) -> Table:
    return Table(
        f"{prefix}findings",
        metadata,
        _site(),
        Column("code", String(32), primary_key=True),
        Column("subject_kind", String(8), primary_key=True),
        Column("subject", _ident, primary_key=True),
        Column("other", _ident, primary_key=True),
        Column("kind", String(16), nullable=False),
        Column("detail", Text, nullable=False),
        Column("figures", Text, nullable=False),
        _forms(),
        Index(None, "site", "other"),
        prefixes=prefixes,
    )


@dataclass(frozen=True)
class Derived:
    """The tables that can be computed again from the ledger, in the order in which they are written."""

    jobs: Table
    plates: Table
    attempts: Table
    rework: Table
    combinations: Table
    tallies: Table
    steel_tallies: Table
    part_tallies: Table
    rework_tallies: Table
    names: Table
    services: Table
    lost_parts: Table
    warnings: Table
    readings: Table
    findings: Table

    @classmethod
    def within(cls, metadata: MetaData, *, prefix: str = "", temporary: bool = False) -> Derived:
        """A set of them in `metadata`."""
        makers = (
            _jobs, _plates, _attempts, _rework, _combinations, _tallies, _steel_tallies, _part_tallies,
            _rework_tallies, _names, _services, _lost_parts, _warnings, _readings, _findings,
        )  # fmt: skip
        return cls(*(make(metadata, prefix, ["TEMPORARY"] if temporary else []) for make in makers))

    @property
    def all(self) -> tuple[Table, ...]:
        """Each of them."""
        return tuple(getattr(self, field.name) for field in fields(self))


#: What reports read.
LIVE: Final = Derived.within(metadata)
#: The same, temporary and on one connection: what an audit or a rebuild computes from the whole ledger.
SHADOW: Final = Derived.within(MetaData(naming_convention=NAMING), prefix="shadow_", temporary=True)

#: Events that were set aside, and why: what the fold made of each, which no recount could say again.
set_asides = Table(
    "set_asides",
    metadata,
    _site(),
    Column("position", BigInteger, primary_key=True, autoincrement=False),
    Column("reason", Text, nullable=False),
    Column("set_aside_us", BigInteger, nullable=False),
    # 1 once it is owed again, until it is counted or set aside anew
    Column("is_owed", SmallInteger, nullable=False, server_default=text("0")),
)

keys = Table(
    "keys",
    metadata,
    Column("key_id", String(16), primary_key=True),
    Column("name", Text, nullable=False),
    Column("secret_hash", LargeBinary, nullable=False),
    Column("roles", Text, nullable=False),
    Column("source_prefix", Text),
    Column("created_us", BigInteger, nullable=False),
    Column("expires_us", BigInteger),
    Column("revoked_us", BigInteger),
    # The key in whose place it was made
    Column("replaces", String(16)),
    # Until when it holds beside the key that replaces it
    Column("overlap_ends_us", BigInteger),
    Column("used_us", BigInteger),
)

ended_sessions = Table(
    "ended_sessions",
    metadata,
    Column("session_id", String(32), primary_key=True),
    Column("until_us", BigInteger, nullable=False),
)

key_sites = Table(
    "key_sites",
    metadata,
    Column("key_id", String(16), primary_key=True),
    Column("site", _ident, primary_key=True),
    Index(None, "site", "key_id"),
)

audits = Table(
    "audits",
    metadata,
    _site(),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("started_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger),
    Column("position", BigInteger),
    Column("events", BigInteger),
    Column("equal", SmallInteger),
    Column("differences", Text, nullable=False),
)

#: What was noticed and when: a finding by its key, opened, brought up to date, closed. The ledger cannot say it again.
kept_findings = Table(
    "kept_findings",
    metadata,
    _site(),
    Column("code", String(32), primary_key=True),
    Column("subject_kind", String(8), primary_key=True),
    Column("subject", _ident, primary_key=True),
    Column("other", _ident, primary_key=True),
    Column("id", String(20), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("state", String(6), nullable=False),
    Column("detail", Text, nullable=False),
    Column("figures", Text, nullable=False),
    _forms(),
    Column("first_day", _day),
    Column("last_day", _day),
    Column("opened_us", BigInteger, nullable=False),
    Column("updated_us", BigInteger, nullable=False),
    Column("closed_us", BigInteger),
    Column("times_opened", Integer, nullable=False),
    Index(None, "site", "state", "code"),
    Index(None, "site", "id"),
)

finding_changes = Table(
    "finding_changes",
    metadata,
    _site(),
    Column("code", String(32), primary_key=True),
    Column("subject_kind", String(8), primary_key=True),
    Column("subject", _ident, primary_key=True),
    Column("other", _ident, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("change", String(8), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("detail", Text, nullable=False),
    Column("figures", Text, nullable=False),
    _forms(),
)

#: The last look at a site for findings: of which revision, on which production day.
looks = Table(
    "looks",
    metadata,
    _site(),
    Column("revision", BigInteger, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("day", _day, nullable=False),
    Column("began_us", BigInteger, nullable=False),
    Column("took_us", BigInteger, nullable=False),
)

published_weeks = Table(
    "published_weeks",
    metadata,
    _site(),
    Column("week", _week, primary_key=True),
    Column("position", BigInteger, nullable=False),
    Column("published_us", BigInteger, nullable=False),
    Column("release", String(16), nullable=False),
)

#: Answers as they stood when their week was published: a report by its name and the words of its question.
published_reports = Table(
    "published_reports",
    metadata,
    _site(),
    Column("week", _week, primary_key=True),
    Column("report", String(16), primary_key=True),
    Column("question", _ident, primary_key=True),
    Column("body", Text, nullable=False),
)

#: Answers that took long, kept for whoever asks again: by report and the words of the question, as of a revision.
kept_answers = Table(
    "kept_answers",
    metadata,
    _site(),
    Column("report", String(16), primary_key=True),
    Column("question", _ident, primary_key=True),
    Column("parameters", Text, nullable=False),
    Column("revision", BigInteger, nullable=False),
    Column("day", _day, nullable=False),
    Column("release", String(16), nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("took_us", BigInteger, nullable=False),
    Column("asked_us", BigInteger, nullable=False),
    Column("answer", LargeBinary, nullable=False),
    _forms(),
)

#: Who made, changed or revoked what. Only ever added to: the databases themselves refuse to change or remove a row.
administration = Table(
    "administration",
    metadata,
    _site(),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("at_us", BigInteger, nullable=False),
    # The key that asked for it; empty where a command of the server did
    Column("actor", String(16), nullable=False),
    Column("actor_name", Text, nullable=False),
    Column("act", String(32), nullable=False),
    Column("subject", _ident, nullable=False),
    Column("details", Text, nullable=False),
)

#: What the ERP is told of a job, one increment after the other; never changed, as `administration`.
confirmations = Table(
    "confirmations",
    metadata,
    _site(),
    Column("job", _ident, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("operation", _ident, nullable=False),
    Column("posting_day", _day, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("amounts", Text, nullable=False),
    # What goes on being true of the job: its state, how many are still to make, and the like
    Column("stated", Text, nullable=False),
)

#: The sum of a job's confirmations by operation and posting day: what the next increment is the difference to.
confirmed = Table(
    "confirmed",
    metadata,
    _site(),
    Column("job", _ident, primary_key=True),
    Column("operation", _ident, primary_key=True),
    Column("posting_day", _day, primary_key=True),
    Column("amounts", Text, nullable=False),
)

#: How each job stood when it was last counted: what is told when it ends or runs short.
told_jobs = Table(
    "told_jobs",
    metadata,
    _site(),
    Column("job", _ident, primary_key=True),
    Column("state", String(8), nullable=False),
    Column("closed_us", BigInteger),
    Column("close_reason", String(16)),
    # Parts that it was said to be short of, since it last had enough under way
    Column("missing", Integer, nullable=False),
    Column("confirmations", Integer, nullable=False),
    # How often it ended or ran short: so each time is news of its own
    Column("changes", Integer, nullable=False),
)

webhooks = Table(
    "webhooks",
    metadata,
    _site(),
    Column("webhook", String(16), primary_key=True),
    Column("name", Text, nullable=False),
    Column("url", Text, nullable=False),
    Column("topics", Text, nullable=False),
    Column("created_us", BigInteger, nullable=False),
    Column("created_by", String(16), nullable=False),
    # The number of its last delivery
    Column("pushed", BigInteger, nullable=False),
    # Which of its secrets signs now; the one before it signs too until `old_secret_until_us`
    Column("secret_number", Integer, nullable=False),
    Column("old_secret_until_us", BigInteger),
    Column("paused_us", BigInteger),
    Column("paused_because", Text),
    Column("removed_us", BigInteger),
)

#: What there is to push: made in the transaction in which it became true, once for each fact.
pushes = Table(
    "pushes",
    metadata,
    _site(),
    Column("push", String(40), primary_key=True),
    Column("topic", String(32), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Index(None, "site", "at_us"),
)

deliveries = Table(
    "deliveries",
    metadata,
    _site(),
    Column("webhook", String(16), primary_key=True),
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("push", String(40), nullable=False),
    Column("state", String(9), nullable=False),
    Column("tries", Integer, nullable=False),
    # Tries before somebody last had it sent again: from then on the schedule begins anew
    Column("earlier_tries", Integer, nullable=False),
    # When it was made, or somebody last had it sent again
    Column("made_us", BigInteger, nullable=False),
    # When it is tried next, were its webhook not paused; None once it is no longer waiting
    Column("due_us", BigInteger),
    # Whoever sends it holds it until then
    Column("held_until_us", BigInteger),
    Column("ended_us", BigInteger),
    Column("status", Integer),
    Column("reason", Text),
    UniqueConstraint("site", "webhook", "push"),
    Index("ix_deliveries_state", "site", "webhook", "state", "number"),
    Index(
        "ix_deliveries_held",
        "site",
        "webhook",
        sqlite_where=text("held_until_us IS NOT NULL"),
        postgresql_where=text("held_until_us IS NOT NULL"),
    ),
    Index(
        "ix_deliveries_due",
        "site",
        "webhook",
        "due_us",
        sqlite_where=text("state = 'waiting'"),
        postgresql_where=text("state = 'waiting'"),
    ),
)

delivery_tries = Table(
    "delivery_tries",
    metadata,
    _site(),
    Column("webhook", String(16), primary_key=True),
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("try_number", Integer, primary_key=True, autoincrement=False),
    Column("at_us", BigInteger, nullable=False),
    Column("took_us", BigInteger, nullable=False),
    Column("status", Integer),
    Column("reason", Text),
)

#: What late events changed of a week since it was published, each time that this was told.
week_revisions = Table(
    "week_revisions",
    metadata,
    _site(),
    Column("week", _week, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("position", BigInteger, nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("digest", LargeBinary, nullable=False),
    Column("changes", Text, nullable=False),
)

#: Tables whose rows nobody may change or remove: the database refuses it by triggers.
APPEND_ONLY: Final = (administration, confirmations)


def _refusals(table: str, key: Sequence[str]) -> dict[str, list[str]]:
    """The statements by which each database is told to refuse changes of a table with this primary key."""
    refusal = f"{table} is only ever added to"
    on_sqlite = [
        f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} BEGIN SELECT RAISE(ABORT, '{refusal}'); END"
        for act in ("UPDATE", "DELETE")
    ]
    # INSERT OR REPLACE deletes without asking the trigger above.
    is_there = " AND ".join(f"{name} = NEW.{name}" for name in key)
    on_sqlite.append(
        f"CREATE TRIGGER {table}_no_replacement BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {is_there}) BEGIN SELECT RAISE(ABORT, '{refusal}'); END"
    )
    on_postgresql = [
        f"CREATE FUNCTION {table}_added_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{refusal}'; END $$",
        f"CREATE TRIGGER {table}_added_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_added_only()",
    ]
    return {"sqlite": on_sqlite, "postgresql": on_postgresql}


def _refuse_changes(table: Table, connection: Connection, **_: Any) -> None:
    for statement in _refusals(table.name, [column.name for column in table.primary_key])[connection.dialect.name]:
        connection.exec_driver_sql(statement)


def _forget_refusals(table: Table, connection: Connection, **_: Any) -> None:
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"DROP FUNCTION IF EXISTS {table.name}_added_only()")


for _table in APPEND_ONLY:
    listen(_table, "after_create", _refuse_changes)
    listen(_table, "after_drop", _forget_refusals)
