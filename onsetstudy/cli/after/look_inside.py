"""``onsetstudy look-inside``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from onsetstudy.study.exchange_results import Exchange

__all__ = ["command"]


@click.command("look-inside")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def command(files: tuple[Path, ...]) -> None:
    """Check exchange FILES (or their folders) and say what somebody who reads them could learn.

    Of several files of a practice it is also said what one taken from the other gives away. Of two files up to one
    quarter the one that counts more cases is taken to be the later.
    """
    from onsetstudy.files.exchange import find_exchanges, read_exchanges
    from onsetstudy.study.counts.disclosure import learned_by_subtraction, what_can_be_learned

    names = _told_apart(find_exchanges(files))
    found = [(name, exchange) for name, (_, exchange) in zip(names, read_exchanges(files), strict=True)]
    earlier: dict[tuple[str, str], tuple[str, Exchange]] = {}
    for name, exchange in sorted(found, key=lambda item: _age(*item)):
        click.echo(f"{name}:")
        for sentence in what_can_be_learned(exchange):
            click.echo(f"- {sentence}")
        before = earlier.get((exchange.study, exchange.practice))
        if before is not None:
            click.echo(f"- {_which_is_earlier(before, (name, exchange))}")
            for sentence in learned_by_subtraction(before[1], exchange):
                click.echo(f"- {sentence}")
        earlier[exchange.study, exchange.practice] = name, exchange


def _told_apart(paths: Sequence[Path]) -> list[str]:
    """Names of files, with as much of their folders as tells those of one name apart."""
    names = [path.name for path in paths]
    return [path.name if names.count(path.name) == 1 else str(path) for path in paths]


def _cases(exchange: Exchange) -> int:
    return sum(int(row[-1]) for row in exchange.cells.rows)


def _age(name: str, exchange: Exchange) -> tuple[str, str, int, str]:
    """Files of a practice from the earliest on: by their last quarter, then by the cases that they count.

    No file says when it was made; a name says no more than whoever gave it.
    """
    return exchange.practice, exchange.quarters[-1], _cases(exchange), name


def _which_is_earlier(before: tuple[str, Exchange], after: tuple[str, Exchange]) -> str:
    """Which of two files is taken to be the one sent before, and on what ground."""
    (old, earlier), (new, later) = before, after
    counts = _cases(earlier), _cases(later)
    if earlier.quarters[-1] != later.quarters[-1]:
        ground = f"it ends with {earlier.quarters[-1]}, and {new} with {later.quarters[-1]}"
    elif counts[0] == counts[1]:
        return (
            f"{old} and {new} both count {counts[0]} cases up to {later.quarters[-1]}: which was sent before cannot be "
            f"told from them, and {old} is called so here."
        )
    else:
        ground = f"it counts {counts[0]} cases up to {later.quarters[-1]}, and {new} counts {counts[1]}"
    return f"The file sent before is {old}: {ground}."
