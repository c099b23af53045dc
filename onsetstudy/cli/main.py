"""The command ``onsetstudy``: finds the door that was asked for and opens only that one."""

from __future__ import annotations

import importlib
import sys

import click

from onsetstudy.cli import say
from onsetstudy.core.errors import NotEstimable, OnsetStudyError

DOORS = {
    "allocate": ("before.lists", "Draw the list of arms, sealed files and slips to print."),
    "block-sizes": ("before.lists", "As keeper of the list: keep the block sizes out of the protocol, or show them."),
    "cartridge": ("before.cartridge", "Work out what a mixed cartridge holds. Not a dosing tool."),
    "chairside": ("during.chairside", "Time and record cases at the chair, on a page of this computer."),
    "check": ("during.check", "Check records and list everything that has to be corrected."),
    "demo": ("before.tables", "Make the invented demo study anew."),
    "group": ("after.group", "Pool the practices' files and write the report of the group."),
    "ledger": ("after.ledger", "Read the ledger of a study as sentences, and verify it."),
    "lock": ("before.lock", "Lock the protocol before the first case; amend it later with a reason."),
    "look-inside": ("after.send", "Say what a reader of an exchange file could learn."),
    "new": ("before.new", "Set up a study or an audit of your own by questions."),
    "open-for": ("during.slips", "As keeper of the list: open the next slip for a practice's case, and log it."),
    "open-slip": ("during.slips", "Open the next allocation slip for a case, and log it."),
    "pause": ("during.entries", "Enter in the ledger that the study pauses, goes on or is closed."),
    "plan": ("before.plan", "Say what a study can show, how many cases it takes and how long."),
    "reduce": ("after.reduce", "Count records larger than memory into files for a group."),
    "report": ("after.report", "Write the quarterly report (HTML, PDF and JSON)."),
    "send": ("after.send", "Make the file of counts that a practice gives to its group."),
    "template": ("before.tables", "Write a workbook for entering cases, or a case sheet on paper."),
    "unblind": ("during.slips", "Tell the arm of a case in an emergency, with the reason, and log it."),
    "withdraw": ("during.entries", "Enter that a patient took consent back."),
}
"""The module of each door, and what it is for."""
MEND_YOUR_FILES, USAGE, NOT_ESTIMABLE = 1, 2, 3
"""Exit codes."""


class Doors(click.Group):
    """A group that imports a command when it is used, so that ``--help`` is instant."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the commands."""
        return sorted(DOORS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name."""
        if cmd_name not in DOORS:
            return None
        module = importlib.import_module(f"onsetstudy.cli.{DOORS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command

    def invoke(self, ctx: click.Context) -> int:
        """Exit code of the command; one that does not tell it has done what it was asked for."""
        return super().invoke(ctx) or 0

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in sorted(DOORS.items())])


@click.group(
    cls=Doors,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Exit codes: 0 done, 1 something in your files has to be corrected, 2 the command was not understood, "
    "3 the records cannot answer the question.",
)
@click.version_option(package_name="onsetstudy")
def onsetstudy() -> None:
    """Tell from your own records whether buffering makes teeth numb sooner.

    Every case is a time between two tests: after the last cold test that was felt, not later than the
    first that was not. A statistic about past cases: test the tooth and ask the patient before every procedure.
    """


def main() -> None:
    """Run the command line; what a user can mend ends in a sentence, anything else is a bug and shows its trace."""
    try:
        code = onsetstudy.main(standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except NotEstimable as error:
        click.echo(str(error), err=True)
        sys.exit(NOT_ESTIMABLE)
    except OnsetStudyError as error:
        say.problems(error.problems, kept=" of such lines; correct these first")
        sys.exit(MEND_YOUR_FILES)
    sys.exit(code)
