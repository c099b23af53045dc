"""The command ``onsetstudy``: finds the door that was asked for and opens only that one."""

from __future__ import annotations

import importlib
import sys

import click

from onsetstudy.cli.options import say_problems
from onsetstudy.core.errors import NotEstimable, OnsetStudyError

__all__ = ["main", "onsetstudy"]

DOORS = {
    "allocate": ("onsetstudy.cli.before.allocate", "Draw the list of arms, sealed files and slips to print."),
    "block-sizes": (
        "onsetstudy.cli.before.block_sizes",
        "As keeper of the list: keep the block sizes out of the protocol, or show them.",
    ),
    "lock": ("onsetstudy.cli.before.lock", "Lock the protocol before the first case; amend it later with a reason."),
    "open-for": (
        "onsetstudy.cli.during.open_for",
        "As keeper of the list: open the next slip for a practice's case, and log it.",
    ),
    "open-slip": ("onsetstudy.cli.during.open_slip", "Open the next allocation slip for a case, and log it."),
    "cartridge": ("onsetstudy.cli.before.cartridge", "Work out what a mixed cartridge holds. Not a dosing tool."),
    "chairside": ("onsetstudy.cli.during.chairside", "Time and record cases at the chair, on a page of this computer."),
    "check": ("onsetstudy.cli.during.check", "Check records and list everything that has to be corrected."),
    "demo": ("onsetstudy.cli.before.demo", "Make the invented demo study anew."),
    "group": ("onsetstudy.cli.after.group", "Pool the practices' files and write the report of the group."),
    "ledger": ("onsetstudy.cli.after.ledger", "Read the ledger of a study as sentences, and verify it."),
    "pause": ("onsetstudy.cli.during.pause", "Enter in the ledger that the study pauses, goes on or is closed."),
    "unblind": (
        "onsetstudy.cli.during.unblind",
        "Tell the arm of a case in an emergency, with the reason, and log it.",
    ),
    "withdraw": ("onsetstudy.cli.during.withdraw", "Enter that a patient took consent back."),
    "look-inside": ("onsetstudy.cli.after.look_inside", "Say what a reader of an exchange file could learn."),
    "new": ("onsetstudy.cli.before.new", "Set up a study or an audit of your own by questions."),
    "reduce": ("onsetstudy.cli.after.reduce", "Count records larger than memory into files for a group."),
    "send": ("onsetstudy.cli.after.send", "Make the file of counts that a practice gives to its group."),
    "plan": ("onsetstudy.cli.before.plan", "Say what a study can show, how many cases it takes and how long."),
    "report": ("onsetstudy.cli.after.report", "Write the quarterly report (HTML, PDF and JSON)."),
    "template": ("onsetstudy.cli.before.template", "Write a workbook for entering cases, or a case sheet on paper."),
}
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
        module = importlib.import_module(DOORS[cmd_name][0])
        command: click.Command = module.command
        return command

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
        say_problems(error.problems, kept=" of such lines; correct these first")
        sys.exit(MEND_YOUR_FILES)
    sys.exit(code if isinstance(code, int) else 0)
