"""Do means that are judged by the interval of their difference keep their error, also with few cases and four analyses?

Run from the project's root::

    python -m tests.simulation.means_at_looks        # writes means_at_looks.csv beside this file (about five minutes)
    python -m tests.simulation.means_at_looks --trials 1000 --to other.csv

Arms alike: the restricted mean time to onset (teeth Weibull, 12 % never numb, one test in ten missed) and mean pain
(standard deviation 20), compared within practices as in the report, once and with four interim analyses of equal steps
whose boundaries spend 5 % by O'Brien and Fleming's type and by Pocock's; a quarter in which an arm has fewer than ten
cases is none.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import math
from pathlib import Path

from onsetstudy.design.interim.interim_analyses import plan_looks
from onsetstudy.design.trials.results import TrialScenario
from onsetstudy.design.trials.trial_power import simulate_power
from onsetstudy.study.planning.power import without_effect
from tests.design.trials.test_mean_trials import PAIN, WAIT

SEED = 20261126
SIZES = (
    *((cases, practices, (1, 1)) for cases, practices in ((20, 1), (40, 1), (40, 4), (80, 4), (200, 5), (600, 5))),
    *((120, 2, ratio) for ratio in ((2, 1), (3, 1))),
)
"""Cases, practices, and cases of the reference arm to one of the other."""
BOUNDARIES = ("none", "obrien_fleming", "pocock")


def looks_of(boundary: str) -> tuple[tuple[float, float], ...]:
    """Fractions and critical values of four analyses; none for a single one."""
    if boundary == "none":
        return ()
    planned = plan_looks((0.25, 0.5, 0.75, 1.0), kind=boundary, planned_information=1.0, alpha=0.05)
    return tuple((p.fraction, p.upper) for p in planned.looks)


def lines(trials: int) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []
    for name, base in (("wait", WAIT), ("pain", PAIN)):
        for cases, practices, ratio in SIZES:
            for boundary in BOUNDARIES:
                scenario: TrialScenario = dataclasses.replace(
                    without_effect(base), cases=cases, operators=practices, ratio=ratio, looks=looks_of(boundary),
                    operator_spread=0.2 if practices > 1 else 0.0,
                )  # fmt: skip
                rejected = simulate_power(scenario, trials=trials, seed=SEED).power
                found.append(
                    {
                        "outcome": name,
                        "cases": cases,
                        "practices": practices,
                        "ratio": "{}:{}".format(*ratio),
                        "boundary": boundary,
                        "trials": trials,
                        "rejected": f"{rejected:.4f}",
                        "mc_error": f"{math.sqrt(0.05 * 0.95 / trials):.4f}",
                    }
                )
                print(*found[-1].values(), flush=True)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--to", type=Path, default=Path(__file__).with_suffix(".csv"))
    given = parser.parse_args()
    found = lines(given.trials)
    with given.to.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(found[0]))
        writer.writeheader()
        writer.writerows(found)


if __name__ == "__main__":
    main()
