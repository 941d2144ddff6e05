"""Known vulnerabilities of what constraints.txt pins: `python -m tests.vulnerabilities`, a part of `make check`.

pip-audit asks the package index. When that cannot be reached, or knows none of the packages (a mirror need not tell of
vulnerabilities), this is said and nothing fails. Whatever else ends an audit fails: a check that cannot work any more
must not look like one that found nothing.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

CONSTRAINTS = Path(__file__).parents[1] / "constraints.txt"
#: The question may take so long; a check must not hang on a network.
SECONDS = 60
AUDIT = (
    sys.executable, "-m", "pip_audit", "--requirement", str(CONSTRAINTS), "--no-deps", "--disable-pip",
    "--format", "json", "--progress-spinner", "off", "--timeout", "10",
)  # fmt: skip
#: What it says of an index that cannot be reached: in words of its own, or with the exception of its HTTP library.
_UNREACHED = re.compile(
    r"requests\.exceptions\.(ConnectionError|\w*Timeout|ProxyError|SSLError|ChunkedEncodingError)\b"
    r"|Could not connect to |is not redirecting properly|HTTPError: 50[234] "
)


def audited(command: Sequence[str] = AUDIT, *, seconds: float = SECONDS) -> tuple[int, str]:
    """(exit status, what to say) of an audit."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired:
        return 0, f"vulnerabilities: not asked, no answer within {seconds:g} s"
    try:
        dependencies: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError, TypeError):
        # Found, not reached or broken, its exit status may be the same; only an answer has a body.
        unreached = [line for line in done.stderr.splitlines() if _UNREACHED.search(line)]
        if unreached:
            return 0, f"vulnerabilities: not asked, {unreached[-1].strip()[:200]}"
        return 1, f"vulnerabilities: the audit itself failed\n{done.stderr.strip() or 'it said nothing'}"
    return _judged(dependencies)


def _judged(dependencies: Sequence[dict[str, Any]]) -> tuple[int, str]:
    known = [each for each in dependencies if "vulns" in each]
    if not known:
        return 0, f"vulnerabilities: not asked, the index tells of none of {len(dependencies)} packages"
    found = [
        f"{each['name']} {each['version']}: {one['id']}, mended in {', '.join(one['fix_versions']) or 'no version yet'}"
        for each in known
        for one in each["vulns"]
    ]
    if found:
        return 1, "\n".join(["vulnerabilities: mend constraints.txt", *found])
    unknown = len(dependencies) - len(known)
    return 0, f"vulnerabilities: none known of {len(known)} packages; {unknown} could not be asked about"


if __name__ == "__main__":
    status, said = audited()
    sys.stdout.write(f"{said}\n")
    sys.exit(status)
