"""The `cutledger` command."""

from __future__ import annotations

import gc
from importlib import import_module
from typing import Final

import click

from service import RELEASE

#: Each command: its module and name there, and the first sentence of what it says of itself.
COMMANDS: Final = {
    "audit": ("auditing.audit", "Recount the ledger beside the tallies and compare; exits 1 when they differ."),
    "backup": (
        "backing_up.backup",
        "Copy everything into FILE while the server runs, and read the copy back.",
    ),
    "demo": (
        "demonstrating.demo",
        "Play eight weeks of an invented shop through the real door, and print its last week's report.",
    ),
    "export": (
        "exporting.export",
        "Write the ledger to FILE (- for standard output), for cutledger import elsewhere.",
    ),
    "health": ("checking_health.health", "Say in one sentence whether all is well; exits 1 when it is not."),
    "import": (
        "importing.import_",
        "Import FILE (- for standard input), compressed or not: an exported ledger, events one a line, or a table.",
    ),
    "key": ("keeping_keys.key", "Make, list, replace and revoke keys."),
    "migrate": ("migrating.migrate", "Bring the tables to this release; back up first."),
    "openapi": ("documenting.openapi", "Write the API document to a file."),
    "people": ("unlinking.people", "What is kept of people."),
    "rebuild": ("rebuilding.rebuild", "Compute everything again from the ledger."),
    "restore": (
        "backing_up.restore",
        "Put the backup FILE in place of an installation that holds nothing, and audit it.",
    ),
    "retry": (
        "retrying.retry",
        "Owe again the events that were set aside, after a fix; a running server or worker counts them.",
    ),
    "schedule": (
        "working.schedule",
        "Keep the schedule alone: every few seconds wake a worker, lest a wake-up was lost.",
    ),
    "serve": ("serving.serve", "Answer requests, and count what they bring where no workers do."),
    "site": ("adding_sites.site", "Make sites."),
    "void": (
        "voiding.void",
        "Void all events of one source that happened within a time, in one step; then send the right ones.",
    ),
    "worker": (
        "working.worker",
        "Count what is owed, woken over Redis (CUTLEDGER_BROKER_URL), and by schedule.",
    ),
}


class LoadedWhenCalled(click.Group):
    """A group whose commands are loaded when they are called: what some of them need takes a second to load."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """A command, loaded; None when there is none of this name."""
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(".")
        # What is loaded stays: to look through it for garbage meanwhile takes a tenth of the time.
        gc.disable()
        try:
            found: click.Command = getattr(import_module(f"service.commands.{module}"), name)
        finally:
            gc.enable()
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Say what there is without loading it."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, said) for name, (_, said) in COMMANDS.items()])


@click.group(
    cls=LoadedWhenCalled, context_settings={"auto_envvar_prefix": "CUTLEDGER", "help_option_names": ["-h", "--help"]}
)
@click.version_option(RELEASE, prog_name="cutledger")
def main() -> None:
    """Record and arithmetic for thermal cutting of thick plate.

    Without settings the data is one file in the folder named by --data or CUTLEDGER_DATA (data/ by default).
    CUTLEDGER_DATABASE_URL names a database instead, CUTLEDGER_BROKER_URL a Redis whose workers count.
    """
