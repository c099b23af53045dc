"""``onsetstudy new``."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from onsetstudy.cli import options, say
from onsetstudy.cli.before.planned import planned_size, say_slips
from onsetstudy.core.errors import OnsetStudyError, ProtocolError

if TYPE_CHECKING:
    from onsetstudy.protocol.guided.content import GuidedAnswers
    from onsetstudy.protocol.guided.questions import GuidedQuestion
    from onsetstudy.protocol.model import Protocol

SLIPS = 200
"""Slips that a list holds at least."""
NO_SIZE = "No size can be told for the main outcome;"
COPIED = "protocols/mandibular_block_group.toml"


@click.command("new")
@options.into("Folder for the protocol; made if it is not there.")
def new(into: Path) -> None:
    """Ask, and write the protocol; if chance decides, also the list, the slips and the lock.

    Everything else stands at its usual, and can be changed in the file before the first case.
    """
    path = into / "protocol.toml"
    refuse_if_there(path)
    if set_up(path, _ask()):
        click.echo(f"What it can show: onsetstudy plan {path} --into {into}")
        click.echo(f"At the chair: onsetstudy chairside {path} --store {into / 'practice.sqlite'}")


def size_lines(promised: Protocol) -> tuple[str, ...]:
    """How many cases the protocol takes, how long that is, and what that rests on, before anybody thinks of a lock."""
    from onsetstudy.protocol.guided.expected import placeholders
    from onsetstudy.report.sections.before.plan_words import on_placeholders, quarters_of
    from onsetstudy.study.planning.sizes import Sizing

    if promised.planning is None:
        return ()
    if (planned := planned_size(promised)) is None:
        return (f"{NO_SIZE} onsetstudy plan says why.",)
    quarters = quarters_of(Sizing.of(promised).pace(planned.to_include))
    lines = [f"{planned.told()} for {promised.plan.planned_power:.0%} power in its main outcome: about {quarters}."]
    if held := placeholders(promised.planning.sources):
        lines.append(on_placeholders(held))
    return tuple(lines)


def refuse_if_there(path: Path) -> None:
    """A set-up never overwrites a protocol.

    Raises
    ------
    OnsetStudyError
        If the file is there.
    """
    if path.exists():
        raise OnsetStudyError(f"{path} is there already; choose another folder")


def set_up(path: Path, answers: GuidedAnswers) -> bool:
    """Write the protocol of a set-up; where chance decides, also lock it, and draw the list and the slips.

    Returns
    -------
    bool
        Whether the first case may come: not before a randomised study is locked.

    Raises
    ------
    ProtocolError
        If the answers contradict each other; nothing is written then.
    """
    from onsetstudy.core.canonical import as_toml
    from onsetstudy.files.output import write_bytes
    from onsetstudy.protocol.check import check_protocol
    from onsetstudy.protocol.guided.content import guided_content

    content = guided_content(answers)
    promised = check_protocol(content, file=path.name)
    click.echo(f"Written: {write_bytes(path, as_toml(content).encode('utf-8'))}")
    say.each(size_lines(promised))
    return not answers.randomised or _allocate_and_lock(path, promised)


def _ask() -> GuidedAnswers:
    from onsetstudy.protocol.guided.content import answers_from
    from onsetstudy.protocol.guided.questions import GUIDED, SETTLED, is_asked
    from onsetstudy.protocol.model import Quarter

    click.echo(
        f"Up to {len(GUIDED)} questions, and {len(SETTLED)} more where chance decides. Enter takes the answer in "
        "brackets; a question without one needs an answer. What is not asked here, as a study before and after, or "
        f"arms by date, is written into the file ([study] design and allocation); {COPIED} shows all tables."
    )
    told: dict[str, str] = {}
    for question in GUIDED:
        if is_asked(question, told):
            told[question.name] = _prompt(len(told) + 1, question, told)
    quarter = Quarter.of(dt.date.today()).label
    if told["randomised"] == "no":
        return answers_from(told, first_quarter=quarter)
    told |= _settled()
    return answers_from(told, first_quarter=quarter, adoption=_adoption(told["pain_scale"]))


def _prompt(number: int, question: GuidedQuestion, told: dict[str, str]) -> str:
    """One question of the terminal; asked again until it is answered."""

    def checked(text: str) -> str:
        if _read(question, text, told) == "pain_difference" and told["pain_scale"] == "none":
            raise click.BadParameter("pain is not recorded here, so it cannot be the main outcome")
        # Later questions hang on what was chosen, however it was typed.
        return text.lower() if question.kind == "choice" else text

    chance, text = told.get("randomised") == "yes", f"{number}. {question.text}"
    if question.kind == "yes_no":
        usual = chance if question.name == "assessor_blind" else question.default == "yes"
        return "yes" if _yes(text, usual=usual) else "no"
    if question.kind == "choice":
        text = f"{text} ({', '.join(question.codes)})"
    if question.kind == "code" or (question.name == "ethics" and chance):
        return str(_needed(text, checked))
    return str(click.prompt(text, value_proc=checked, default=question.default))


def _read(question: GuidedQuestion, text: str, told: dict[str, str] | None = None, *, why: str = "") -> Any:
    """An answer as it was typed; what is none is told what was expected, behind ``why``."""
    from onsetstudy.protocol.guided.questions import read_answer

    try:
        return read_answer(question, text, told)
    except ValueError as error:
        raise click.BadParameter(f"{why}{error}") from None


def _yes(text: str, *, usual: bool) -> bool:
    """A question to say yes or no to; what is neither is told what was expected, and asked again."""

    def checked(said: str) -> bool:
        word = said.strip().lower()
        if word not in ("y", "yes", "n", "no"):
            raise click.BadParameter("write yes or no (y or n)")
        return word[0] == "y"

    shown = "Y/n" if usual else "y/N"
    return bool(
        click.prompt(f"{text} [{shown}]", default="yes" if usual else "no", show_default=False, value_proc=checked)
    )


def _needed(text: str, check: Callable[[str], Any]) -> Any:
    """An answer that has no usual one: Enter alone is told that it is none."""

    def checked(said: str) -> Any:
        if not said.strip():
            raise click.BadParameter("an answer is needed here; Enter alone takes nothing")
        return check(said)

    return click.prompt(text, default="", show_default=False, value_proc=checked)


def _settled() -> dict[str, str]:
    """What has to be settled before a randomised study is locked, as far as it is."""
    from onsetstudy.protocol.guided.questions import NO_RULE, SETTLED

    click.echo("Before the lock, in a sentence each. Enter leaves one open; then there is no lock and no list yet.")
    read = partial(_read, why="this settles nothing; write ")
    return {q.name: _settle_later(f"   {q.text}", partial(read, q)) for q in SETTLED if q.name != NO_RULE}


def _settle_later(text: str, check: Callable[[str], str]) -> str:
    return str(click.prompt(text, default="", show_default=False, value_proc=lambda said: check(said.strip())))


def _adoption(pain: str) -> dict[str, Any]:
    """The rule by which the study will say adopt, the reason why there is none, or nothing yet."""
    if pain == "none" or not _yes("   Is there a rule by which the study will say adopt?", usual=False):
        why = _settle_later("   Why there is no rule by which it will say adopt (Enter: open)", str)
        return {"none_because": why} if why else {}
    return {
        "net_min": _needed("   Minutes that it has to save, mixing counted", options.Amount(0, 60)),
        "pain_margin": _needed("   Points of pain by which it may be worse", options.Amount(0, 100)),
        "not_numb_margin": _needed("   Percent not numb by which it may be worse", options.Amount(0, 99)) / 100,
        "stopping_harms": ["serious"],
    }


def _allocate_and_lock(path: Path, promised: Protocol) -> bool:
    """Lock, draw the list for somebody who does not treat, put the practice's sealed file beside; whether it is locked.

    Where something has to be settled before a lock, there is no list either: it would belong to another protocol.
    """
    from onsetstudy.cli import entering_lists, ledger_entries
    from onsetstudy.design.allocation.lists import draw_allocation_list, stratum_levels
    from onsetstudy.files.ledger.lock import lock_protocol_file
    from onsetstudy.files.sealed.allocation_list import write_allocation

    try:
        lock, lock_file = lock_protocol_file(path, day=dt.date.today())
    except ProtocolError as error:
        click.echo("Not locked yet, and no list is drawn: first settle this in the protocol file.", err=True)
        say.problems(error.problems)
        click.echo(f"What it can show: onsetstudy plan {path} --into {path.parent}; the lock comes after that.")
        click.echo(f"Then: onsetstudy lock {path}, and onsetstudy allocate {path} --into {path.parent / 'keep-apart'}")
        return False
    ledger_entries.enter_lock(path, lock)
    click.echo(f"Locked: version {lock.latest.number} of {lock.latest.day}. Written: {lock_file}")
    seed, planned = secrets.randbelow(2**53), planned_size(promised)
    strata = sum(map(len, stratum_levels(promised).values()))
    slips = SLIPS if planned is None else max(SLIPS, planned.slips_in_each(strata))
    drawn = draw_allocation_list(promised, slips_per_stratum=slips, seed=seed, salt=secrets.token_hex(16))
    keeper = path.parent / "keep-apart"
    paths: list[Path] = []
    for written in write_allocation(drawn, keeper, seed=seed, case_codes=promised.study.case_codes):
        if written.name.startswith("sealed-"):
            written = written.rename(path.parent / written.name)
        paths.append(written)
        click.echo(f"Written: {written}")
    entering_lists.enter_list(path, promised, commitment=drawn.commitment, slips=len(drawn.slips), paths=paths)
    say_slips(planned, slips=len(drawn.slips), strata=strata)
    click.echo(f"Give {keeper} to somebody who does not treat, and take it off this computer.")
    return True
