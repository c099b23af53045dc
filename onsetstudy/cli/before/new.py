"""``onsetstudy new``."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from onsetstudy.cli.options import Amount, say_problems

if TYPE_CHECKING:
    from onsetstudy.protocol.guided import GuidedAnswers
    from onsetstudy.protocol.model import Protocol

__all__ = ["command"]

SLIPS = 200


@click.command("new", short_help="Set up a study or an audit of your own by about ten questions.")
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder for the protocol; made if it is not there.",
)
def command(into: Path) -> int:
    """Ask about ten questions and write the protocol; if chance decides, also the list, the slips and the lock.

    Everything else stands at its usual, and can be changed in the file before the first case.
    """
    from onsetstudy.core.errors import OnsetStudyError
    from onsetstudy.files.output import write_bytes
    from onsetstudy.protocol.check import check_protocol
    from onsetstudy.protocol.guided import as_toml, guided_content

    path = into / "protocol.toml"
    if path.exists():
        raise OnsetStudyError(f"{path} is there already; choose another folder")
    answers = _ask()
    content = guided_content(answers)
    promised = check_protocol(content, file=path.name)
    click.echo(f"Written: {write_bytes(path, as_toml(content).encode('utf-8'))}")
    if answers.randomised:
        _allocate_and_lock(path, promised)
    click.echo(f"At the chair: onsetstudy chairside {path} --store {into / 'practice.sqlite'}")
    return 0


def _ask() -> GuidedAnswers:
    from onsetstudy.protocol.guided import GuidedAnswers
    from onsetstudy.protocol.model import Quarter
    from onsetstudy.protocol.vocabulary import CODES

    practice = click.prompt("1. Code of the practice, no name", value_proc=_code)
    randomised = click.confirm("2. Does chance decide who receives what? (no: you choose; an audit)", default=False)
    blind = click.confirm("3. Will whoever tests not know what was mixed?", default=randomised)
    technique = click.prompt("4. Which injection", type=click.Choice(CODES["technique"]), default="ianb")
    agent = click.prompt("5. Which anaesthetic", type=click.Choice(CODES["agent"]), default="lidocaine")
    bicarbonate = click.prompt("6. Bicarbonate 8.4 % per cartridge, mL", type=Amount(0.01, 1.0), default=0.18)
    tests = click.prompt("7. Minutes of the cold tests", value_proc=_minutes, default="1 2 3 4 5 6 8 10 12 15 16")
    target = click.prompt("8. Minute of the first question: how many are numb by", type=Amount(), default=2.0)
    horizon = click.prompt("9. Last minute that counts", type=Amount(), default=15.0)
    control = click.confirm("10. Is a control tooth tested too?", default=True)
    notation = click.prompt("11. How teeth are numbered", type=click.Choice(CODES["tooth_notation"]), default="iso3950")
    pain = click.prompt("12. Scale of pain", type=click.Choice(["none", "nrs11", "vas100"]), default="nrs11")
    month = click.prompt("13. Such injections in a month, about", type=Amount(0.1, 10_000), default=10.0)
    ask = "14. Ethics approval: body, number, date; or that none is needed, and who says so"
    ethics = click.prompt(ask) if randomised else click.prompt(ask, default="audit; local approval to be asked for")
    pain = "" if pain == "none" else pain
    return GuidedAnswers(
        practice=practice,
        randomised=randomised,
        assessor_blind=blind,
        technique=technique,
        agent=agent,
        bicarbonate_ml=bicarbonate,
        tests_min=tests,
        target_min=target,
        tau_min=horizon,
        control_tooth=control,
        notation=notation,
        pain_scale=pain,
        cases_per_month=month,
        first_quarter=Quarter.of(dt.date.today()).label,
        ethics=ethics,
        governance=_settled(ethics) if randomised else {},
        adoption=_adoption(pain) if randomised else {},
    )


def _settled(ethics: str) -> dict[str, str]:
    """What has to be settled before a randomised study is locked, as far as it is."""
    from onsetstudy.protocol.governance import QUESTIONS, is_answer

    def answer(text: str) -> str:
        if text and not is_answer(text):
            raise click.BadParameter('this settles nothing; write an answer, "not required, because …", or nothing yet')
        return text

    click.echo("Before the lock, in a sentence each. Enter leaves one open; then there is no lock and no list yet.")
    asked = {key: text for key, text in QUESTIONS.items() if key != "approval"}
    told = {key: _settle_later(f"   {text[0].upper()}{text[1:]}", answer) for key, text in asked.items()}
    if is_answer(ethics):
        told = {"approval": ethics, **told}
    return {key: text for key, text in told.items() if text}


def _settle_later(text: str, check: Callable[[str], str]) -> str:
    return str(click.prompt(text, default="", show_default=False, value_proc=lambda said: check(said.strip())))


def _adoption(pain: str) -> dict[str, Any]:
    """The rule by which the study will say adopt, the reason why there is none, or nothing yet."""
    if not pain or not click.confirm("   Is there a rule by which the study will say adopt?", default=False):
        why = _settle_later("   Why there is no rule by which it will say adopt (Enter: open)", str)
        return {"none_because": why} if why else {}
    return {
        "net_min": click.prompt("   Minutes that it has to save, mixing counted", type=Amount(0, 60)),
        "pain_margin": click.prompt("   Points of pain by which it may be worse", type=Amount(0, 100)),
        "not_numb_margin": click.prompt("   Percent not numb by which it may be worse", type=Amount(0, 99)) / 100,
        "stopping_harms": ["serious"],
    }


def _code(text: str) -> str:
    code = text.strip().upper()
    if not (code.isascii() and code.isalnum() and 2 <= len(code) <= 12):
        raise click.BadParameter("two to twelve letters and digits, such as P01")
    return code


def _minutes(text: str) -> tuple[float, ...]:
    try:
        found = tuple(float(part.replace(",", ".")) for part in text.replace(";", " ").split())
    except ValueError:
        raise click.BadParameter("minutes with spaces between them, as 1 2 3 4.5") from None
    if not found or list(found) != sorted(set(found)) or found[0] <= 0:
        raise click.BadParameter("every minute once, in order, as 1 2 3 4.5")
    return found


def _allocate_and_lock(path: Path, promised: Protocol) -> None:
    """The lock, then the list for somebody who does not treat, and the practice's own sealed file beside the protocol.

    Where something has to be settled before a lock, there is no list either: it would belong to another protocol.
    """
    from onsetstudy.core.errors import ProtocolError
    from onsetstudy.design.allocation.lists import draw_allocation_list
    from onsetstudy.files.ledger.lock import lock_protocol_file
    from onsetstudy.files.sealed.allocation_list import write_allocation

    try:
        lock, lock_file = lock_protocol_file(path, day=dt.date.today())
    except ProtocolError as error:
        click.echo("Not locked yet, and no list is drawn: first settle this in the protocol file.", err=True)
        say_problems(error.problems)
        click.echo(f"Then: onsetstudy lock {path}, and onsetstudy allocate {path} --into {path.parent / 'keep-apart'}")
        return
    click.echo(f"Locked: version {lock.latest.number} of {lock.latest.day}. Written: {lock_file}")
    seed = secrets.randbelow(2**53)
    drawn = draw_allocation_list(promised, slips_per_stratum=SLIPS, seed=seed)
    keeper = path.parent / "keep-apart"
    for written in write_allocation(drawn, keeper, seed=seed):
        if written.name.startswith("sealed-"):
            written = written.rename(path.parent / written.name)
        click.echo(f"Written: {written}")
    click.echo(f"Give {keeper} to somebody who does not treat, and take it off this computer.")
