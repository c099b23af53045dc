"""``onsetstudy chairside``."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options, say
from onsetstudy.core.errors import OnsetStudyError, Problem, ProtocolError, Where

if TYPE_CHECKING:
    from onsetstudy.chairside.recorder import LedgerDoor
    from onsetstudy.protocol.model import Protocol

NEXT = (
    "The page at the chair opens now. Where several people share the work, the window of the recorder has an address "
    "for each.",
    "Try it first on an invented patient: stop the recorder there with Ctrl-C, and start it again with --practise.",
    "For a tablet in the same surgery start it with --share and this computer's address there.",
)


@click.command("chairside")
@click.argument("protocol", required=False, type=options.A_PATH)
@click.option(
    "--store", type=options.A_FILE, required=True, help="File that keeps what is tapped; made if it is not there."
)
@click.option("--practice", default="", help="Code of the practice, such as P01  [default: the protocol's only one]")
@click.option("--sealed", type=options.A_FILE, help="Sealed file of the practice  [default: the one beside the store]")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port  [default: as last time, or a free one]")
@click.option(
    "--share",
    metavar="ADDRESS",
    default="",
    help="Also for a tablet in the same surgery: this computer's IP address there, as 192.168.1.20.",
)
@click.option("--no-browser", is_flag=True, help="Do not open a browser; the addresses are printed.")
@click.option("--practise", is_flag=True, help="Practise on invented patients; kept in a store of its own.")
@click.option("--export", type=options.A_FOLDER, help="Write the open tables, and end.")
@click.option("--backup", type=options.A_FILE, help="Copy the store, also while it is in use, and end.")
@click.option("--restore", type=options.A_FILE, help="Put a backup in the place of a store that is gone, and end.")
def chairside(
    protocol: Path | None,
    store: Path,
    practice: str,
    sealed: Path | None,
    port: int,
    share: str,
    no_browser: bool,
    practise: bool,
    export: Path | None,
    backup: Path | None,
    restore: Path | None,
) -> None:
    """Serve the page that times and records cases of PROTOCOL, until it is stopped with Ctrl-C.

    Only this computer can reach it, unless --share is given. `report`, `check` and `send` take the store where they
    take a workbook. Without PROTOCOL the file protocol.toml beside the store is taken; if there is none, the page
    first asks for what it needs and writes it, as `onsetstudy new` does in the terminal.
    """
    from onsetstudy.files.sources.protocol_toml import read_protocol

    acts = ((export, _export), (backup, _backup), (restore, lambda store, backup: _backup(backup, store, read=True)))
    asked = [(path, act) for path, act in acts if path is not None]
    if len(asked) > 1:
        raise click.UsageError("Give one of --export, --backup and --restore.")
    if protocol is not None:
        read_protocol(protocol)
    for path, act in asked:
        act(store, path)
        return
    if protocol is None:
        protocol = store.with_name("protocol.toml")
        if not protocol.exists() and not _set_up(protocol, no_browser=no_browser):
            return
    promised = read_protocol(protocol)
    if practise:
        store = store.with_name(f"{store.stem}.practise{store.suffix}")
    else:
        from onsetstudy.cli.order import lock_fault

        # A randomised study begins with a lock; an audit need not.
        if (fault := lock_fault(protocol, promised)) is not None:
            raise ProtocolError(fault)
    code = _practice(practice, promised)
    _refuse_codes(protocol, promised, code)
    with _installed():
        from onsetstudy.chairside.serving import ServeOptions, serve
        from onsetstudy.files.documents.certificates import share_files
    options = ServeOptions(
        practice=code,
        sealed=sealed or _sealed_beside(store, code),
        port=port,
        practising=practise,
        share=share,
        ledger=None if practise else ledger_door(protocol),
    )
    if share:
        files = share_files(store.with_name(f"{store.stem}.share"), share, now=dt.datetime.now(dt.UTC))
        options = dataclasses.replace(options, certificate=files.certificate, key=files.key)
        click.echo(f"Let the tablet trust {files.authority}; it certifies {share} and nothing else.")
    click.echo("Test the tooth and ask the patient before every procedure. Stop with Ctrl-C.")
    click.echo("Each address lets one browser in, once:")
    serve(promised, store, options, say=_sayer(no_browser))


def _export(store: Path, folder: Path) -> None:
    from onsetstudy.files.sources.recorded import export_store

    say.written(export_store(store, folder))


def _backup(store: Path, target: Path, *, read: bool = False) -> None:
    from onsetstudy.files.store import copy_store

    for path, held in copy_store(store, target, read=read).items():
        click.echo(f"Written: {path} ({held} entries)")


def _refuse_codes(path: Path, promised: Protocol, practice: str) -> None:
    """The recorder makes codes itself: one that is refused would stop it in the middle of a case.

    Raises
    ------
    ProtocolError
        If not all codes that the recorder makes fit.
    """
    from onsetstudy.records.chair.case_codes import is_case_code

    # Six signs, each a digit or a letter: all fit if those of digits alone and of letters alone do.
    made = (f"{practice}-222222", f"{practice}-AAAAAA")
    if not is_case_code(made[0]):  # the last sign of this one fits
        key, what = "practices", "the recorder cannot make codes of cases that begin with the code of this practice"
        mend = "give it a code of letters, digits and hyphens, at most 33 signs, or record this study on sheets"
    elif any(promised.study.code_fault(code, practice) for code in made):
        key, what = "case_codes", "the recorder makes codes such as P01-K7Q2MX, and not all of them fit this pattern"
        mend = 'write case_codes = "{practice}-******", or record this study on sheets'
    else:
        return
    raise ProtocolError(Problem(what=what, where=Where(file=path.name, key=f"study.{key}"), mend=mend, code=key))


def _practice(given: str, promised: Protocol) -> str:
    known = promised.study.practices
    if given and (not known or given in known):
        return given
    if not given and len(known) == 1:
        return known[0]
    listed = ", ".join(known) or "the code of yours"
    raise click.UsageError(f"Name the practice with --practice: {listed}.")


def _sealed_beside(store: Path, practice: str) -> Path | None:
    """The sealed file of the practice, else the only one that there is: whose it is, is asked when it is opened."""
    found = [p for place in (store.parent, store.parent / "allocation") for p in sorted(place.glob("sealed-*.json"))]
    own = [p for p in found if p.name == f"sealed-{practice}.json"] or found
    return own[0] if len(own) == 1 else None


def ledger_door(protocol: Path) -> LedgerDoor:
    """How a recorder reaches the ledger of its study."""
    from onsetstudy.chairside.recorder import LedgerDoor
    from onsetstudy.cli.ledger_entries import enter_event, standing
    from onsetstudy.cli.openings import openings_of_practice, refuse_lost
    from onsetstudy.files.ledger.ledger import ledger_path

    refuse_lost(ledger_path(protocol))
    return LedgerDoor(
        event=lambda kind, body: enter_event(protocol, kind, body),
        standing=lambda: standing(protocol),
        refuse_cut=lambda sealed: openings_of_practice(sealed, protocol).refuse_cut(),
        opened=lambda sealed: openings_of_practice(sealed, protocol).enter(),
    )


def _set_up(protocol: Path, *, no_browser: bool) -> bool:
    """Ask on a page, and write the protocol; whether it was written."""
    from onsetstudy.cli.before.new import refuse_if_there, set_up, size_lines
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.protocol.guided.content import answers_from
    from onsetstudy.protocol.model import Quarter

    def finish(told: Mapping[str, str]) -> tuple[str, ...]:
        refuse_if_there(protocol)
        answers = answers_from(told, first_quarter=Quarter.of(dt.date.today()).label)
        begins = set_up(protocol, answers)
        lines = [f"It stands beside the store: {protocol.name}.", *size_lines(read_protocol(protocol))]
        if not answers.randomised:
            return (*lines, *NEXT)
        if not begins:
            return (*lines, "It is not locked yet, and nothing is drawn: the window of the recorder says what is open.")
        apart = "Give the folder keep-apart to somebody who does not treat, and take it off this computer."
        return (*lines, "It is locked, and the list is drawn.", apart, *NEXT)

    with _installed():
        from onsetstudy.chairside.serving import serve_set_up
    return serve_set_up(finish, say=_sayer(no_browser))


@contextlib.contextmanager
def _installed() -> Iterator[None]:
    """What is imported inside may be missing: that is told with what to install."""
    try:
        yield
    except ModuleNotFoundError as error:
        mend = "Install the recorder: pip install 'onsetstudy[chairside]'"
        raise OnsetStudyError(f"{error.name} is not installed. {mend}") from None


def _sayer(no_browser: bool) -> Callable[[str, str], None]:
    """Prints addresses, and opens the first that lets a browser in."""
    import webbrowser

    opened: list[str] = []

    def say(role: str, address: str) -> None:
        click.echo(f"{role}: {address}")
        if not no_browser and "token" in address and not opened:
            opened.append(address)
            webbrowser.open(address)

    return say
