"""Studies that were simulated once and are kept: what came out of each, in a file, and some made again in every run.

What a simulation shows rests on many studies; whether today's code still makes them shows in a few. So a test that
needs hundreds of fits reads their numbers from ``tests/simulation/kept``, after the first, the middle and the last
study (all of them in a thorough run) were made again and gave the same numbers. A study draws everything from its own
number, so that each can be made alone.

Made anew, from the project's root, after a change that is meant to change them::

    python -m tests.simulation.kept tests.pool.test_funnel   # several names, or without any: all
"""

from __future__ import annotations

import argparse
import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from tests.examples import THOROUGH

FOLDER = Path(__file__).parent / "kept"
TESTS = Path(__file__).parents[1]
CLOSE = {"rtol": 1e-5, "atol": 1e-7}
"""Optimisers end within this on every machine; a changed method moves numbers by far more."""


@dataclass(frozen=True, kw_only=True)
class KeptStudies:
    """``count`` studies that ``one`` makes by number, under a ``name`` of their own."""

    name: str
    one: Callable[[int], Mapping[str, float]]
    count: int
    again: int = 3

    @property
    def path(self) -> Path:
        return FOLDER / f"{self.name}.csv"

    def make(self, numbers: range | tuple[int, ...]) -> pd.DataFrame:
        return pd.DataFrame([{"study": k, **self.one(k)} for k in numbers]).astype(float).set_index("study")

    def numbers(self) -> pd.DataFrame:
        """What came out of every study, one row each, after those that are made again gave the same."""
        kept = pd.read_csv(self.path).astype(float).set_index("study")
        assert kept.index.tolist() == list(range(self.count)), f"make {self.path.name} anew"
        step = (self.count - 1) / max(1, self.again - 1)
        some = range(self.count) if THOROUGH else tuple(sorted({round(i * step) for i in range(self.again)}))
        pd.testing.assert_frame_equal(kept.loc[list(some)], self.make(some), check_exact=False, **CLOSE)
        return kept


def _write(module: str) -> None:
    for found in vars(importlib.import_module(module)).values():
        for studies in found.values() if isinstance(found, dict) else (found,):
            if isinstance(studies, KeptStudies):
                FOLDER.mkdir(exist_ok=True)
                studies.make(range(studies.count)).reset_index().astype({"study": int}).to_csv(
                    studies.path, index=False, float_format="%.10g", lineterminator="\n"
                )
                print(studies.path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*")
    given = parser.parse_args().modules
    holding = sorted(p for p in TESTS.rglob("test_*.py") if "KeptStudies(" in p.read_text(encoding="utf-8"))
    for module in given or [".".join(p.relative_to(TESTS.parent).with_suffix("").parts) for p in holding]:
        _write(module)


if __name__ == "__main__":
    # By its own name, under which the tests know the class.
    importlib.import_module("tests.simulation.kept").main()
