"""Known vulnerabilities of what constraints.txt pins: `python -m tests.vulnerabilities`, a part of `make check`.

pip-audit asks the package index. When that cannot be reached, or knows none of the packages (a mirror need not tell of
vulnerabilities), this is said and nothing fails: only what is known can fail a check.
"""

from __future__ import annotations

import json
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


def audited(command: Sequence[str] = AUDIT, *, seconds: float = SECONDS) -> tuple[int, str]:
    """(exit status, what to say) of an audit."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired:
        return 0, f"vulnerabilities: not asked, no answer within {seconds:g} s"
    try:
        dependencies: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError, TypeError):
        # Found or not reached, its exit status is the same; only an answer has a body.
        last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        return 0, f"vulnerabilities: not asked, {last[:200]}"
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
