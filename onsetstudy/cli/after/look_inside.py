"""``onsetstudy look-inside``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from onsetstudy.study.exchange_results import Exchange

__all__ = ["command"]


@click.command("look-inside", short_help="Say what a reader of an exchange file could learn.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def command(files: tuple[Path, ...]) -> int:
    """Check exchange FILES (or their folders) and say what somebody who reads them could learn.

    Of several files of a practice it is also said what one taken from the other gives away.
    """
    from onsetstudy.files.exchange import read_exchanges
    from onsetstudy.study.counts.disclosure import learned_by_subtraction, what_can_be_learned

    earlier: dict[tuple[str, str], Exchange] = {}
    found = read_exchanges(files)
    for name, exchange in sorted(found, key=lambda item: (item[1].practice, item[1].quarters[-1], item[0])):
        click.echo(f"{name}:")
        before = earlier.get((exchange.study, exchange.practice))
        told = () if before is None else learned_by_subtraction(before, exchange)
        for sentence in (*what_can_be_learned(exchange), *told):
            click.echo(f"- {sentence}")
        earlier[exchange.study, exchange.practice] = exchange
    return 0
