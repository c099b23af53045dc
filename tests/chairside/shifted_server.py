"""The recorder on a computer whose clocks run on while a test does not wait: seconds are added from a file."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

from onsetstudy.chairside import recorder
from onsetstudy.chairside.clock import ServerClock
from onsetstudy.cli.main import onsetstudy

SHIFT = Path(sys.argv.pop(1))


class Shifted(ServerClock):
    """Both clocks, so many seconds on."""

    def read(self):
        now, by = super().read(), float(SHIFT.read_text()) if SHIFT.exists() else 0.0
        return dataclasses.replace(now, server_s=now.server_s + by, server_wall_s=now.server_wall_s + by)


if __name__ == "__main__":
    recorder.ServerClock = Shifted
    onsetstudy()
