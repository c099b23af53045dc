"""The recorder on a computer whose clocks run on while a test does not wait, or whose wall clock is set.

Seconds are added from a file: one number to both clocks, a second one to the wall clock alone.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

from onsetstudy.chairside import recorder
from onsetstudy.chairside.clock import ServerClock
from onsetstudy.cli.main import onsetstudy

SHIFT = Path(sys.argv.pop(1))


class Shifted(ServerClock):
    """Both clocks, so many seconds on; and the wall clock, so many more."""

    def read(self):
        now, told = super().read(), SHIFT.read_text().split() if SHIFT.exists() else []
        by, more = (float(told[k]) if k < len(told) else 0.0 for k in (0, 1))
        return dataclasses.replace(now, server_s=now.server_s + by, server_wall_s=now.server_wall_s + by + more)


if __name__ == "__main__":
    recorder.ServerClock = Shifted
    onsetstudy()
