"""The walk from a start to the steel that it is made of, and to all that was made of it. Pure.

Steel flows from a heat to plates, from a plate to its remnants and to the attempts on it, from an attempt to its job
and from there to the order. To go back is to go against that flow, to go forward is to go with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple, Protocol

from worker.events import ATTEMPT, JOB, PLATE
from worker.naming import name_key

Row = Mapping[str, Any]

HEAT: Final = "heat"
RUN: Final = "run"
ORDER: Final = "order"
#: Kinds of nodes, the way that steel flows; a run bundles attempts.
KINDS: Final = (HEAT, PLATE, RUN, ATTEMPT, JOB, ORDER)
BACK: Final = "back"
FORWARD: Final = "forward"
BOTH: Final = "both"
DIRECTIONS: Final = (BOTH, BACK, FORWARD)
START: Final = "start"
#: How a node was reached first.
SIDES: Final = (START, BACK, FORWARD)
#: More nodes than anybody reads; what is traced beyond says that it is cut off.
MOST_NODES: Final = 5_000


class Key(NamedTuple):
    """What a node is: its kind and id. Two mills may give two heats one number, so a heat has its mill's key too."""

    kind: str
    name: str
    mill: str = ""


def heat_key(row: Row) -> Key | None:
    """The heat of a plate; None for one whose heat is not known. Mills are matched as names are."""
    number = row["heat_number"]
    return None if number is None else Key(HEAT, number, name_key(row["mill"] or ""))


class Past(Protocol):
    """What the walk reads. `most`: rows at most, the first by when they happened, then by id."""

    def plates(self, names: Sequence[str]) -> Sequence[Row]:
        """The known plates among these."""

    def remnants(self, parents: Sequence[str], *, most: int) -> Sequence[Row]:
        """Plates that name one of these as the one they were cut from."""

    def attempts(self, column: str, names: Sequence[str], *, most: int) -> Sequence[Row]:
        """Attempts of which a column is one of these."""

    def jobs(self, names: Sequence[str]) -> Sequence[Row]:
        """The known jobs among these."""


@dataclass(frozen=True)
class Starts:
    """Where a walk begins: exactly one of these has something in it.

    heats: the plates of one heat number, of a mill or of all. attempts: of a piece, a run or a machine.
    """

    heats: Sequence[Row] = ()
    plates: Sequence[str] = ()
    attempts: Sequence[Row] = ()
    jobs: Sequence[str] = ()
    orders: Sequence[str] = ()
    #: The jobs of the orders.
    ordered: Sequence[Row] = ()
    #: More were there than were read.
    cut_off: bool = False


@dataclass(frozen=True)
class Node:
    """Something that was reached, and by which way; row: what is known of it, None where others only name it."""

    key: Key
    side: str
    row: Row | None


class Link(NamedTuple):
    """One step of the flow."""

    parent: Key
    child: Key


@dataclass
class Trace:
    """What was reached: nodes by key in the order of the walk; cut_off: there is more."""

    most: int = MOST_NODES
    nodes: dict[Key, Node] = field(default_factory=dict)
    cut_off: bool = False

    def of(self, kind: str) -> list[Node]:
        """The nodes of a kind, by id."""
        return sorted((node for key, node in self.nodes.items() if key.kind == kind), key=lambda node: node.key)

    @property
    def room(self) -> int:
        """So many nodes may still be reached."""
        return self.most - len(self.nodes)

    def reach(self, key: Key, side: str, row: Row | None = None) -> bool:
        """Reach a node; True when it is new."""
        if key in self.nodes:
            return False
        if self.room <= 0:
            self.cut_off = True
            return False
        self.nodes[key] = Node(key, side, row)
        return True

    def links(self) -> list[Link]:
        """The steps between what was reached, in order."""
        rows = ((key, node.row) for key, node in self.nodes.items() if node.row is not None)
        steps = {Link(*step) for key, row in rows for step in _steps(key, row)}
        found = (link for link in steps if link.parent in self.nodes and link.child in self.nodes)
        return sorted(found)


def _steps(key: Key, row: Row) -> Iterable[tuple[Key, Key]]:
    """The steps that a row states."""
    if key.kind == PLATE:
        if (heat := heat_key(row)) is not None:
            yield heat, key
        if row["parent"] is not None:
            yield Key(PLATE, row["parent"]), key
    elif key.kind == ATTEMPT:
        yield from ((Key(kind, row[kind]), key) for kind in (PLATE, RUN) if row[kind] is not None)
        if row[JOB] is not None:
            yield key, Key(JOB, row[JOB])
    elif key.kind == JOB and row[ORDER] is not None:
        yield key, Key(ORDER, row[ORDER])


def walk(past: Past, starts: Starts, *, direction: str = BOTH, most: int = MOST_NODES) -> Trace:
    """What lies back of the starts and forward of them, the nearest first; a ring of parents ends where it began."""
    walker = _Walker(past, Trace(most, cut_off=starts.cut_off))
    walker.begin(starts)
    if direction != FORWARD:
        walker.back(starts)
    if direction != BACK:
        walker.forward(starts)
    return walker.trace


class _Walker:
    def __init__(self, past: Past, trace: Trace) -> None:
        self.past = past
        self.trace = trace

    def begin(self, starts: Starts) -> None:
        for row in starts.heats:
            if (heat := heat_key(row)) is not None:
                self.trace.reach(heat, START)
        self._reach_known(PLATE, starts.plates, START)
        self._reach_attempts(starts.attempts, START)
        self._reach_known(JOB, starts.jobs, START)
        for order in starts.orders:
            self.trace.reach(Key(ORDER, order), START)

    def back(self, starts: Starts) -> None:
        """To the jobs of orders, the attempts of jobs, their plates, what these were cut from, and the heats."""
        for row in starts.ordered:
            self.trace.reach(Key(JOB, row["job"]), BACK, row)
        jobs = [*starts.jobs, *(row["job"] for row in starts.ordered)]
        attempts = [*starts.attempts, *self._read_attempts(JOB, jobs)]
        self._reach_attempts(attempts, BACK)
        self._up([*starts.plates, *_named(attempts, PLATE)])

    def forward(self, starts: Starts) -> None:
        """To the remnants of plates, the attempts on all of them, their jobs and the orders of these."""
        for row in starts.heats:
            self.trace.reach(Key(PLATE, row["plate"]), FORWARD, row)
        plates = self._down([*starts.plates, *(row["plate"] for row in starts.heats)])
        attempts = self._read_attempts(PLATE, plates)
        self._reach_attempts(attempts, FORWARD)
        jobs = [*starts.jobs, *_named([*starts.attempts, *attempts], JOB)]
        self._reach_known(JOB, jobs, FORWARD)
        reached = (self.trace.nodes.get(Key(JOB, job)) for job in jobs)
        for order in _named([node.row for node in reached if node is not None and node.row is not None], ORDER):
            self.trace.reach(Key(ORDER, order), FORWARD)

    def _up(self, plates: Sequence[str]) -> None:
        """Back from plates, themselves too."""
        generation, climbed = _once(plates), set[str]()
        while generation:
            climbed.update(generation)
            self._reach_known(PLATE, generation, BACK)
            nodes = (self.trace.nodes.get(Key(PLATE, plate)) for plate in generation)
            rows = [node.row for node in nodes if node is not None and node.row is not None]
            for row in rows:
                if (heat := heat_key(row)) is not None:
                    self.trace.reach(heat, BACK)
            generation = [parent for parent in _named(rows, "parent") if parent not in climbed]

    def _down(self, plates: Sequence[str]) -> list[str]:
        """Forward from plates to all that was cut from them; these and themselves, as far as there is room."""
        generation, family = _once(plates), dict[str, None]()
        while generation:
            family |= dict.fromkeys(generation)
            rows = self._limited(self.past.remnants(generation, most=self.trace.most + 1))
            for row in rows:
                self.trace.reach(Key(PLATE, row["plate"]), FORWARD, row)
            reached = (row["plate"] for row in rows if Key(PLATE, row["plate"]) in self.trace.nodes)
            generation = [plate for plate in _once(reached) if plate not in family]
        return [*family]

    def _read_attempts(self, column: str, names: Sequence[str]) -> Sequence[Row]:
        if not names:
            return ()
        return self._limited(self.past.attempts(column, names, most=self.trace.most + 1))

    def _limited(self, rows: Sequence[Row]) -> Sequence[Row]:
        """No more rows than there may be nodes."""
        if len(rows) > self.trace.most:
            self.trace.cut_off = True
        return rows[: self.trace.most]

    def _reach_attempts(self, rows: Iterable[Row], side: str) -> None:
        for row in rows:
            if self.trace.reach(Key(ATTEMPT, row["attempt"]), side, row) and row[RUN] is not None:
                self.trace.reach(Key(RUN, row[RUN]), side)

    def _reach_known(self, kind: str, names: Sequence[str], side: str) -> None:
        """Reach plates or jobs by name, with what is known of them."""
        new = [name for name in _once(names) if Key(kind, name) not in self.trace.nodes]
        if len(new) > self.trace.room:
            self.trace.cut_off = True
            new = new[: self.trace.room]
        if not new:
            return
        known = {row[kind]: row for row in (self.past.plates(new) if kind == PLATE else self.past.jobs(new))}
        for name in new:
            self.trace.reach(Key(kind, name), side, known.get(name))


def _once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


def _named(rows: Iterable[Row], column: str) -> list[str]:
    """What rows name in a column, each once."""
    return _once(row[column] for row in rows if row[column] is not None)
