"""The computer's clock: one that runs on through sleep, since a start that has a name."""

from __future__ import annotations

import time
import uuid
from dataclasses import dataclass
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Seconds ``server_s`` since the start ``boot``, and the wall clock in seconds since 1970."""

    boot: str
    server_s: float
    server_wall_s: float


class ServerClock:
    """Reads the clocks.

    On Linux ``CLOCK_BOOTTIME`` counts through sleep and a restarted server goes on with it. Elsewhere the monotonic
    clock of this run is all there is: its name changes with every start of the server, so that nothing is taken for
    continuous that was not.
    """

    def __init__(self) -> None:
        self._boottime = getattr(time, "CLOCK_BOOTTIME", None)
        known = self._boottime is not None and BOOT_ID.exists()
        self.boot = f"boot-{BOOT_ID.read_text(encoding='ascii').strip()}" if known else f"run-{uuid.uuid4()}"

    def read(self) -> Reading:
        """Both clocks now."""
        server_s = time.monotonic() if self._boottime is None else time.clock_gettime(self._boottime)
        return Reading(boot=self.boot, server_s=server_s, server_wall_s=time.time())
