"""Reads the outside values under ``tests/references/`` and holds numbers against them.

Each reference is a folder with ``source.toml`` (``kind``, ``citation``, ``where``, ``decimals``, ``convention``),
``expected.csv`` (columns ``name``, ``value`` and optionally ``decimals``) and, where there are data, ``data.csv``.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).parent / "references"


@dataclass(frozen=True)
class Reference:
    name: str
    source: dict[str, object]
    expected: pd.DataFrame
    data: pd.DataFrame | None

    def value(self, name: str) -> float:
        return float(self.expected.set_index("name").loc[name, "value"])

    def decimals(self, name: str) -> int:
        row = self.expected.set_index("name").loc[name]
        own = row.get("decimals")
        return int(own) if own is not None and not pd.isna(own) else int(self.source["decimals"])

    def check(self, name: str, ours: float) -> None:
        """Fail, with the citation, unless ``ours`` rounds to the printed value."""
        printed, decimals = self.value(name), self.decimals(name)
        assert abs(ours - printed) <= 0.5 * 10.0**-decimals * (1 + 1e-9), (
            f"{self.name}/{name}: ours {ours!r}, printed {printed} to {decimals} decimals. "
            f"{self.source['citation']}; {self.source['where']}"
        )


@cache
def load_reference(name: str) -> Reference:
    folder = ROOT / name
    source = tomllib.loads((folder / "source.toml").read_text(encoding="utf-8"))
    missing = {"kind", "citation", "where", "decimals", "convention"} - set(source)
    assert not missing, f"{name}/source.toml lacks {missing}"
    data = folder / "data.csv"
    return Reference(
        name=name,
        source=source,
        expected=pd.read_csv(folder / "expected.csv", dtype={"name": str}),
        data=pd.read_csv(data) if data.exists() else None,
    )
