"""``onsetstudy allocate`` and ``block-sizes``, for who keeps the list."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options, say
from onsetstudy.cli.before.planned import MOST, WITHOUT_PLAN, planned_size, say_slips
from onsetstudy.core.errors import OnsetStudyError

if TYPE_CHECKING:
    from onsetstudy.design.allocation.results import AllocationList
    from onsetstudy.protocol.model import Protocol

WAYS = {
    "passphrases": "The sealed file opens only with the passphrase printed inside each envelope: neither the file nor "
    "a copy of it tells an arm before the envelope is broken. Nothing protects an envelope but that it is opaque, "
    "numbered, and seen to be whole.",
    "paper": "The arm is printed inside an opaque envelope, and no file at the practice holds it. Nothing but the "
    "envelope protects it, and only the numbers show whether one was opened out of order.",
    "coordinator": "Whoever keeps the list opens each slip when a practice asks, with the command open-for, and tells "
    "the arm: nothing at the practice holds an arm that is still to come, and openings stand in the keeper's ledger. "
    "Nothing protects against a keeper who tells the next arm before its case is asked for.",
    "chain": "The sealed file keeps the next arm from the eye and cannot be opened out of order unseen. Whoever makes "
    "a copy of it can open the copy: use it only where the file stays with somebody who does not treat.",
}
"""What each way protects against, and what not."""
LEAST_SEED = 10**11


@click.command("allocate")
@options.protocol
@options.into("Folder for the list; keep it where nobody who treats can look.")
@click.option(
    "--slips",
    type=click.IntRange(1, MOST),
    help=f"Slips in every stratum  [default: enough for the plan, {WITHOUT_PLAN} or more]",
)
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), help="Number of 12 digits or more  [default: by chance]")
@click.option(
    "--after",
    type=options.A_FOLDER,
    help="Folder of a list that is used up: the new list holds its slips and --slips further ones behind them.",
)
@click.option(
    "--way",
    type=click.Choice(list(WAYS)),
    default="passphrases",
    show_default=True,
    help="How arms are concealed: passphrases in envelopes, arms in envelopes, opened by the list's keeper, or each "
    "key in the slip before.",
)
@click.option(
    "--block-sizes",
    type=options.A_FILE,
    help="Keeper's file of block sizes, where PROTOCOL holds its digest only (command block-sizes).",
)
@click.option("--print", "printed", is_flag=True, help="Also make slips to print, fold and close (PDF).")
def allocate(
    protocol: Path,
    into: Path,
    slips: int | None,
    seed: int | None,
    after: Path | None,
    printed: bool,
    way: str,
    block_sizes: Path | None,
) -> None:
    """Draw who receives what, as PROTOCOL says, for somebody who does not treat.

    Each practice gets its file sealed-….json and opens it slip by slip with the command open-slip. With --after, a
    list goes on in new files: what was opened stays opened. A list goes on in the way that it was begun. PROTOCOL is
    locked first (command lock), so that the list stands in its ledger.
    """
    from onsetstudy.cli import entering_lists, order
    from onsetstudy.design.allocation.lists import draw_allocation_list, stratum_levels
    from onsetstudy.files.output import together, write_bytes
    from onsetstudy.files.sealed.allocation_list import read_passphrases, write_minimisation
    from onsetstudy.files.sealed.block_sizes import with_sizes
    from onsetstudy.files.sealed.kept_allocation import read_slips

    if seed is not None and seed < LEAST_SEED:
        told = "a seed of fewer than 12 digits can be found by trying, as the ledger holds the digest of the list"
        raise OnsetStudyError(f"{told}. Give 12 digits or more, by chance, or leave --seed out")
    promised = order.held_to_order(protocol)
    _refuse_list_there(protocol, promised, into)
    if after is None:
        _say_list_held(protocol)
    if printed and way == "coordinator":
        raise OnsetStudyError("slips that the keeper opens are not printed; leave out --print")
    seed = secrets.randbelow(2**53) if seed is None else seed
    if promised.allocation is not None and promised.allocation.method == "minimisation":
        if after is not None:
            raise OnsetStudyError("arms by minimisation are drawn one by one and are never used up; leave out --after")
        if block_sizes is not None or printed:
            told = "minimisation has no blocks and no slips to print; leave out --block-sizes and --print"
            raise OnsetStudyError(told)
        paths = write_minimisation(promised, into, seed=seed)
        entering_lists.enter_list(protocol, promised, commitment="none: drawn one by one", slips=0, paths=paths)
        say.written(paths)
        click.echo("Each arm is drawn when it is asked for, with four chances in five for the arm that is behind.")
        click.echo(WAYS["chain"])
        return
    before = () if after is None else read_slips(after / "list.csv")
    planned, strata = planned_size(promised), sum(map(len, stratum_levels(promised).values()))
    if slips is None:
        slips = WITHOUT_PLAN if planned is None else planned.slips_in_each(strata, len(before))
    rule, salt = with_sizes(promised, block_sizes), secrets.token_hex(16)
    drawn = draw_allocation_list(rule, slips_per_stratum=slips, seed=seed, after=before, salt=salt)
    # List, sealed files and slips to print: all of them or none, for a list is never drawn twice into one folder.
    with together(into) as fresh:
        made = _write(drawn, fresh, way, seed=seed, after=after, case_codes=promised.study.case_codes)
        if printed:
            from onsetstudy.report.sections.before.printed import render_slips

            words = read_passphrases(fresh) if way == "passphrases" else None
            slips_pdf = render_slips(promised, drawn, passphrases=words)
            made.append(write_bytes(fresh / "slips.pdf", slips_pdf, private=True))
    paths = [into / path.name for path in made]
    entering_lists.enter_list(protocol, promised, commitment=drawn.commitment, slips=len(drawn.slips), paths=paths)
    say.written(paths)
    _say(drawn, into, way, after=after, before=len(before))
    say_slips(planned, slips=len(before) + len(drawn.slips), strata=strata)


def _refuse_list_there(protocol: Path, promised: Protocol, into: Path) -> None:
    """A list is never drawn over another.

    Raises
    ------
    OnsetStudyError
        If the folder holds a list or slips that were opened.
    """
    from onsetstudy.cli.entering_lists import enter_list_there
    from onsetstudy.files.output import finish_together

    # A list that was whole when its program was killed is there, and no other is drawn in its place.
    finish_together(into)
    if any(into.glob("opened-*.csv")):
        raise OnsetStudyError(
            f"{into} holds slips that have been opened; a new list there would undo them. Choose another folder; to "
            f"make this list longer, add --after {into}."
        )
    if (into / "list.csv").exists():
        enter_list_there(protocol, promised, into)
        raise OnsetStudyError(
            f"{into} holds a list already; a new one would undo the slips that were handed out. Choose another "
            f"folder; to make this list longer, add --after {into}."
        )


def _say_list_held(protocol: Path) -> None:
    """That the study has a list already: whoever holds two could take the one whose next arm suits."""
    from onsetstudy.cli.ledger_entries import entered

    if held := entered(protocol, "list_drawn"):
        days = ", ".join(sorted({entry.at[:10] for entry in held}))
        longer = " To make a list longer, --after with its folder goes on with it."
        say.please_look(
            f"the ledger holds a list of this study already (drawn {days}), and this is another one beside it. With "
            "two lists an arm could be chosen: let slips be opened from one alone."
            # What minimisation draws one by one is never used up.
            f"{longer if any(entry.body['slips'] for entry in held) else ''}"
        )


def _write(
    drawn: AllocationList, folder: Path, way: str, *, seed: int, after: Path | None, case_codes: str
) -> list[Path]:
    """Files of the list, in the way that its arms are concealed."""
    from onsetstudy.files.sealed.allocation_list import write_allocation, write_enveloped, write_list

    if way == "passphrases":
        secret = secrets.token_bytes(32)
        return write_enveloped(drawn, folder, seed=seed, secret=secret, earlier=after, case_codes=case_codes)
    if way == "chain":
        return write_allocation(drawn, folder, seed=seed, earlier=after, case_codes=case_codes)
    if after is not None and way == "paper":
        told = "a list of envelopes alone goes on as a list of its own, in another folder; leave out --after"
        raise OnsetStudyError(told)
    return write_list(drawn, folder, seed=seed, by_coordinator=way == "coordinator", earlier=after)


def _say(drawn: AllocationList, into: Path, way: str, *, after: Path | None, before: int) -> None:
    """What protects the arms, how well they could be guessed, and what to do with the files."""
    from onsetstudy.files.sealed.allocation_list import newer_parts_of

    click.echo(WAYS[way])
    quality = drawn.quality
    click.echo(
        f"{quality.slips} {'new ' if after else ''}slips; the arms are never more than {quality.largest_imbalance} "
        "apart in a stratum."
    )
    click.echo(
        f"Somebody who knew all earlier arms and always named the one that is behind would be right for "
        f"{quality.guessed_share:.0%} of the slips (guessing blindly {quality.blind_share:.0%})."
    )
    if after is not None:
        click.echo(f"{before} slips of {after} stand before them, as they were.")
        if newer := newer_parts_of(after):
            click.echo(f"Its files hold what this version does not know, kept as it is: {', '.join(newer)}.")
        click.echo(
            f"Open from {into} alone from now on: its logs go on from those of the earlier folder."
            if way == "coordinator"
            else "Each practice puts its new sealed file in place of the earlier one, beside its opening log."
        )
    given = "" if way == "coordinator" else " Give each practice only its own sealed file or closed slips."
    click.echo(f"Keep the list and its seed apart.{given}")


@click.command("block-sizes")
@options.protocol
@click.argument("file", type=options.A_FILE)
@click.option("--size", "sizes", type=click.IntRange(2, 24), multiple=True, help="Size; may be given more than once.")
@click.option("--check", is_flag=True, help="Hold FILE against the digest in PROTOCOL, and tell the sizes.")
def block_sizes(protocol: Path, file: Path, sizes: tuple[int, ...], check: bool) -> None:
    """Write FILE with the block sizes and a nonce, and tell the digest to put into PROTOCOL before it is locked.

    Whoever knows the sizes and the arms so far can foretell the last arms of a block. With --check the file shows,
    once the study is closed, that the sizes are those that were promised.
    """
    from onsetstudy.files.sealed.block_sizes import read_block_sizes, write_block_sizes
    from onsetstudy.files.sources.protocol_toml import read_protocol

    promised = read_protocol(protocol)
    if check:
        told = ", ".join(map(str, read_block_sizes(file, promised)))
        click.echo(f"The protocol holds the digest of this file. Block sizes: {told}.")
        return
    if not sizes:
        raise OnsetStudyError("give the sizes, as --size 4 --size 6")
    digest = write_block_sizes(file, promised, sizes, nonce=secrets.token_hex(16))
    click.echo(f"Written: {file}. Keep it with the list, away from everybody who treats.")
    click.echo("In the protocol, under [allocation], in place of block_sizes, before it is locked:")
    click.echo(f'block_sizes_digest = "{digest}"')
