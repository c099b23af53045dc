"""What the plan of a protocol asks for, told before the first case: its size, and slips that are enough for it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import say
from onsetstudy.core.errors import DesignError

if TYPE_CHECKING:
    from onsetstudy.protocol.model import Protocol
    from onsetstudy.study.planning.results import Aim

WITHOUT_PLAN = 40
"""Slips in every stratum where no size is known, and the fewest that are drawn unless fewer are asked for."""
MOST = 5000
SPARE_OF_ONE, SPARE_OF_SEVERAL = 1.1, 1.5
"""More slips than cases: for slips that were opened in vain, and for strata that fill unevenly (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSize:
    """Cases to include, or patients where each has both arms: as the plan leads with, and with its interim analyses."""

    to_include: int
    with_looks: int
    unit: str

    def slips_in_each(self, strata: int, drawn: int = 0) -> int:
        """Slips in every stratum that are enough beside those that were drawn before."""
        spare = SPARE_OF_ONE if strata == 1 else SPARE_OF_SEVERAL
        return min(MOST, max(WITHOUT_PLAN, math.ceil((spare * self.with_looks - drawn) / strata)))

    def told(self) -> str:
        """What the plan asks for, in words."""
        looks = "" if self.with_looks == self.to_include else f", {self.with_looks} with its interim analyses"
        return f"The plan asks for {self.to_include} {self.unit} to include{looks}"


def aim_if_any(promised: Protocol) -> Aim | None:
    """What the main outcome is planned for; ``None``, with the reason told, where the assumptions give no size."""
    from onsetstudy.study.planning.power import aim_of

    try:
        return aim_of(promised)
    except DesignError as error:
        say.please_look(f"no size can be told for the main outcome. {error}")
        return None


def planned_size(promised: Protocol) -> PlannedSize | None:
    """The size that the plan of a protocol leads with; ``None`` where it has none."""
    from onsetstudy.study.planning.power import plan_of
    from onsetstudy.study.planning.sizes import main_size

    if (aim := aim_if_any(promised)) is None or aim.included is None:
        return None
    # What is simulated is of the study with its interim analyses.
    looks = plan_of(promised) if main_size(promised) else None
    inflated = math.ceil(aim.included * (1.0 if looks is None else looks.inflation))
    return PlannedSize(to_include=aim.included, with_looks=inflated, unit=aim.unit)


def say_slips(planned: PlannedSize | None, *, slips: int, strata: int) -> None:
    """Whether a list is enough for the plan, where that has a size."""
    if planned is None:
        return
    have = f"{slips} slip{'' if slips == 1 else 's'}"
    where = "in one stratum" if strata == 1 else f"in {strata} strata"
    if slips < planned.with_looks:
        say.please_look(
            f"{planned.told()}, and the list holds {have} {where}: it is used up before the study is. When it runs "
            f"short, --after with its folder and --slips {planned.slips_in_each(strata, slips)} goes on with it."
        )
        return
    uneven = "" if strata == 1 else " Strata fill unevenly; --after goes on where one is used up."
    click.echo(f"{planned.told()}; the list holds {have} {where}.{uneven}")
