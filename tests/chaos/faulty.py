"""`python -m tests.chaos.faulty COMMAND ...`: the `cutledger` command with a fault in it, named by the environment."""

from __future__ import annotations

import os

from service.cli import main
from tests.chaos.faults import CHOSEN, FAULTS

if __name__ == "__main__":
    FAULTS[os.environ[CHOSEN]].install()
    main()
