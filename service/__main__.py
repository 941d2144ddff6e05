"""`python -m service` is the `cutledger` command."""

from service.cli import main

main(prog_name="cutledger")
