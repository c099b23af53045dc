"""The recorder started again in a moment: a process that has read all its code forks one that serves, and again.

Each line on standard input starts one; what it says stands on standard output, after its number. Between two nothing is
kept but the code: store, sessions and port are read from the disk as after any other start.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from onsetstudy.chairside.serving import ServeOptions, serve
from onsetstudy.files.sources.protocol_toml import read_protocol


def say(role, address):
    print(f"{role}: {address}", flush=True)


def main(protocol, store, practice):
    promised = read_protocol(protocol)
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            serve(promised, Path(store), ServeOptions(practice=practice), say=say)
            os._exit(1)
        print(f"pid {child}", flush=True)
        os.waitpid(child, 0)
        print("ended", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
