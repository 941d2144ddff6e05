"""The decoder of bodies under a coverage-guided fuzzer: `python -m tests.fuzz.bodies`.

Whatever comes: a batch, or one of the exceptions that are declared; and every item is judged. Limits are made small, so
that short inputs reach them.
"""

from __future__ import annotations

import gzip
import importlib.util
import io
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final

import click

from service import bodies
from service.acceptance import Judged, People, judge, taken_quickly
from service.bodies import (
    MEDIA_TYPES,
    BodyTooLarge,
    BodyUnreadable,
    EncodingUnknown,
    EventTooLong,
    MediaTypeUnknown,
    TooManyItems,
    TooManyValues,
    parse_items,
    read_body,
)
from service.schemas.examples import EXAMPLES

DECLARED: Final = (
    BodyTooLarge, BodyUnreadable, EncodingUnknown, EventTooLong, MediaTypeUnknown, TooManyItems, TooManyValues,
)  # fmt: skip
INPUTS: Final = 1_000_000
MOST_MEMORY_MB: Final = 1_024
LONGEST_INPUT: Final = 4_096
#: 2026-03-09T12:00:00Z.
NOW_US: Final = 1_773_057_600_000_000
PEOPLE: Final = People("pseudonym", b"0123456789abcdef")
SMALL: Final = {"LONGEST_EVENT": 1_024, "MOST_ITEMS": 40, "MOST_VALUES": 400}
BODY_LIMIT: Final = 3_000
#: Modules whose branches lead the fuzzer.
WATCHED: Final = [
    "service.bodies",
    "service.strict_json",
    "service.faults",
    "service.acceptance",
    "service.strict_fields",
]
_CHILD: Final = """
import atheris
with atheris.instrument_imports(include={watched!r}, enable_loader_override=False):
    from tests.fuzz.bodies import fuzz
fuzz({inputs}, {folder!r})
"""
_FORMS: Final = [(kind, packing) for kind in (*MEDIA_TYPES, "text/plain") for packing in ("", "gzip", "as it is", "br")]


def decode(data: bytes) -> int:
    """How many events are in a body, whose first byte chooses media type and packing; raises what is not declared."""
    kind, packing = _FORMS[(data[0] if data else 0) % len(_FORMS)]
    body = data[1:]
    # Most that is not packed well is refused at its first byte, so it is packed here; `as it is` leaves it.
    sent = gzip.compress(body, 1) if packing == "gzip" else body
    encoding = {"": None, "gzip": "gzip", "as it is": "gzip", "br": "br"}[packing]
    length = len(sent) if len(data) % 2 else None
    try:
        read = read_body(io.BytesIO(sent), content_length=length, encoding=encoding, limit=BODY_LIMIT)
        batch = parse_items(read, kind)
    except DECLARED:
        return 0
    quick = parse_items(read, kind, lambda raw: taken_quickly(raw, now_us=NOW_US, people=PEOPLE))
    assert len(quick.items) == len(batch.items)
    for one, item in zip(quick.items, batch.items, strict=True):
        if one.taken is not None:
            assert not item.faults
            assert one.taken == judge(item.value, now_us=NOW_US, people=PEOPLE, pointer=item.pointer)
    for item in batch.items:
        found = item.faults or judge(item.value, now_us=NOW_US, people=PEOPLE, pointer=item.pointer)
        if not isinstance(found, Judged):
            assert found
            json.dumps([(fault.pointer, fault.detail) for fault in found]).encode()
            assert len(found) <= 10
    return len(batch.items)


def seeds() -> list[bytes]:
    """Good bodies in every form."""
    events = [json.dumps(event).encode() for event in EXAMPLES.values()]
    found = []
    for at, (kind, packing) in enumerate(_FORMS):
        body = {
            "application/x-ndjson": b"\n".join(events[:4]),
            "application/cloudevents-batch+json": b"[" + b",".join(events[:4]) + b"]",
        }.get(kind, events[at % len(events)])
        found.append(bytes([at]) + (gzip.compress(body) if packing == "as it is" else body))
    return [*found, *(bytes([0]) + event for event in events)]


def fuzz(inputs: int, folder: str) -> None:
    """Run in the process that ends with it; prints what was done."""
    import atheris

    for name, value in SMALL.items():
        setattr(bodies, name, value)
    done: dict[str, Any] = {"inputs": 0, "events": 0, "began": time.monotonic()}

    def one(data: bytes) -> None:
        done["inputs"] += 1
        done["events"] += decode(data)
        if done["inputs"] == inputs:
            seconds = time.monotonic() - done["began"]
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
            figures = {"inputs": inputs, "events": done["events"], "seconds": round(seconds, 1), "peak_mb": round(peak)}
            print(json.dumps(figures), flush=True)  # noqa: T201

    options = [f"-runs={inputs}", f"-max_len={LONGEST_INPUT}", f"-rss_limit_mb={MOST_MEMORY_MB}", "-timeout=10"]
    atheris.Setup([sys.argv[0], *options, "-verbosity=0", f"-artifact_prefix={folder}/", folder], one)
    atheris.Fuzz()


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--inputs", default=INPUTS, show_default=True, help="So many inputs.")
def main(inputs: int) -> None:
    """Feed the decoder of bodies with so many inputs, led by the branches that they reach.

    Exits 1 when one raises what is not declared, takes 10 s, or more memory than a gibibyte.
    """
    if importlib.util.find_spec("atheris") is None:
        raise click.ClickException("atheris is not installed; make fuzz installs it")
    with tempfile.TemporaryDirectory(prefix="cutledger-fuzz-") as folder:
        for at, seed in enumerate(seeds()):
            (Path(folder) / f"seed-{at}").write_bytes(seed)
        code = _CHILD.format(watched=WATCHED, inputs=inputs, folder=folder)
        ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
        corpus = len(list(Path(folder).iterdir()))
        if ran.returncode:
            for crash in Path(folder).glob("crash-*"):
                click.echo(repr(crash.read_bytes()), err=True)
            raise click.ClickException(ran.stdout[-4_000:] + ran.stderr[-4_000:])
    told = json.loads(ran.stdout.splitlines()[-1])
    click.echo(
        f"{told['inputs']:,} bodies, {told['events']:,} events in them judged, in {told['seconds']} s "
        f"({told['inputs'] / told['seconds']:,.0f} a second); {corpus:,} kept for the branches that they reach; "
        f"at most {told['peak_mb']} MB; none raised what is not declared"
    )


if __name__ == "__main__":
    main()
