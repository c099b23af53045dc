"""``onsetstudy block-sizes``."""

from __future__ import annotations

import secrets
from pathlib import Path

import click

from onsetstudy.cli import options

__all__ = ["command"]


@click.command("block-sizes")
@options.protocol
@click.argument("file", type=options.A_FILE)
@click.option("--size", "sizes", type=click.IntRange(2, 24), multiple=True, help="Size; may be given more than once.")
@click.option("--check", is_flag=True, help="Hold FILE against the digest in PROTOCOL, and tell the sizes.")
def command(protocol: Path, file: Path, sizes: tuple[int, ...], check: bool) -> None:
    """Write FILE with the block sizes and a nonce, and tell the digest to put into PROTOCOL before it is locked.

    Whoever knows the sizes and the arms so far can foretell the last arms of a block. With --check the file shows,
    once the study is closed, that the sizes are those that were promised.
    """
    from onsetstudy.core.errors import OnsetStudyError
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
