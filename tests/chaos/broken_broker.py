"""How long `POST /v1/events` takes while Redis is refused, hung or emptied, beside the healthy figure in one run."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from typing import Final

import click

from tests.chaos.figures import Figures, percentile_ms
from tests.chaos.grown import SITES, Plan, Plant, plant, wait_until_counted
from tests.chaos.posting import Client, Teller

REQUESTS: Final = 600
#: Terminals post few events at a time.
BATCH: Final = 1
#: Pause between two requests of a client: a busy shop, not a flood.
PAUSE_SECONDS: Final = 0.01
CLIENTS: Final = 2
#: No answer may take this much longer for what the broker does.
MOST_MORE_MS: Final = 100.0


def run(seed: int, *, requests: int = REQUESTS) -> list[Figures]:
    """Post in each state of Redis, and print the table."""
    plan = Plan(seconds=0, seed=seed, services=1, workers=1)
    with plant(plan) as running:
        states: dict[str, Callable[[], None]] = {
            "healthy": lambda: None,
            "refused": running.broker.kill,
            "healthy again": running.broker.start,
            "hung": lambda: running.broker.signal(signal.SIGSTOP),
            "emptied": lambda: _emptied(running),
        }
        _post(running, seed, requests // 4, 0)  # the first answers of a process pay for its imports
        results: dict[str, tuple[list[float], int]] = {}
        for number, (state, enter) in enumerate(states.items(), 1):
            enter()
            results[state] = _post(running, seed, requests, number)
        counted = wait_until_counted(running.database, SITES, 60)
        return _told(results, seed, counted)


def _emptied(running: Plant) -> None:
    running.broker.signal(signal.SIGCONT)
    time.sleep(1)
    running.broker.empty()


def _post(running: Plant, seed: int, requests: int, number: int) -> tuple[list[float], int]:
    """(seconds of each answer, tries without a 2xx) of so many requests by CLIENTS clients."""
    clients = [
        Client(
            Teller(client, CLIENTS, SITES, seed + number, BATCH),
            running.ports,
            running.key,
            events_a_second=1e9,
            over=threading.Event(),
            abandoned=threading.Event(),
        )
        for client in range(CLIENTS)
    ]
    threads = [threading.Thread(target=_requests, args=(client, requests // CLIENTS)) for client in clients]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    seconds = [one for client in clients for one in client.journal.answer_seconds]
    return seconds, sum(client.journal.failures.total() for client in clients)


def _requests(client: Client, count: int) -> None:
    for _ in range(count):
        client.post_one()
        time.sleep(PAUSE_SECONDS)
    client.close()


def _told(results: dict[str, tuple[list[float], int]], seed: int, counted: float) -> list[Figures]:
    click.echo(f"\n{'Redis':<16}{'requests':>10}{'p50 ms':>10}{'p99 ms':>10}{'most ms':>10}{'not answered':>14}")
    healthy = percentile_ms(results["healthy"][0], 0.99)
    figures: list[Figures] = []
    for state, (seconds, failed) in results.items():
        p50, p99, most = (percentile_ms(seconds, share) for share in (0.5, 0.99, 1))
        click.echo(f"{state:<16}{len(seconds):>10,}{p50:>10}{p99:>10}{most:>10}{failed:>14}")
        values = {"requests": len(seconds), "p50_ms": p50, "p99_ms": p99, "most_ms": most, "not_answered": failed}
        slower = p99 - healthy > MOST_MORE_MS
        missed = [f"p99 with Redis {state} is {p99 - healthy:.0f} ms above the healthy one"] if slower else []
        figures.append(Figures(f"Redis {state}", seed, values, missed=missed))
    click.echo(f"all that was posted was counted {counted} s after the last answer")
    return figures
