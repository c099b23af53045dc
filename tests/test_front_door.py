"""The front door: what it offers, and that opening it is cheap."""

from __future__ import annotations

import doctest
import importlib
import inspect
import os
import subprocess
import sys
from pathlib import Path

import pytest

import onsetstudy


def test_every_name_is_there():
    assert set(onsetstudy.__all__) == {"__version__", *onsetstudy._HOME}
    for name in onsetstudy.__all__:
        assert getattr(onsetstudy, name) is not None
    assert dir(onsetstudy) == sorted(onsetstudy.__all__)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'analyze'"):
        onsetstudy.analyze  # noqa: B018


@pytest.mark.parametrize("code", ["import onsetstudy", "import onsetstudy.cli.main"])
def test_importing_loads_nothing_heavy(code):
    heavy = "{'pandas', 'scipy', 'matplotlib', 'lifelines', 'statsmodels', 'seaborn', 'pandera', 'numpy', 'rich'}"
    script = f"{code}; import sys; print(sorted({heavy} & set(sys.modules)))"
    shown = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_tests_set_the_number_of_threads_before_numpy_is_loaded():
    watch = """
import os, sys
class Watch:
    def find_spec(self, name, path=None, target=None):
        if name == "numpy":
            print(os.environ.get("OPENBLAS_NUM_THREADS"))
sys.meta_path.insert(0, Watch())
import tests.conftest, numpy
"""
    bare = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    shown = subprocess.run([sys.executable, "-c", watch], capture_output=True, text=True, check=True, env=bare)
    assert shown.stdout.strip() == "1"


BEHIND = {
    "compare_families": "survival.parametric.families",
    "fitted_against_curve": "survival.parametric.families",
    "pool_score_pieces": "survival.ranktests.score_statistics",
    "predict_curves": "survival.hazards.ph_curves",
}
"""Verbs for a statistician that are no names of the front door, and where they are."""


@pytest.mark.usefixtures("few_draws")
@pytest.mark.parametrize("name", [*sorted(onsetstudy._HOME), *BEHIND])
def test_every_name_has_an_example_that_holds(name, monkeypatch):
    monkeypatch.chdir(Path(__file__).parents[1])
    home = importlib.import_module(f"onsetstudy.{BEHIND[name]}") if name in BEHIND else onsetstudy
    told = inspect.getdoc(getattr(home, name)) or ""
    (example,) = doctest.DocTestFinder(recurse=False).find(type("Told", (), {"__doc__": told}), name) or (None,)
    assert example is not None
    assert any(name in line.source for line in example.examples), "the example does not use it"
    failed = doctest.DocTestRunner(verbose=False).run(example, out=(said := []).append).failed
    assert not failed, "".join(said)


ARGUMENTS = {"reference_arm": "str", "tau_min": "float", "target_min": "float", "conf_level": "float"}


def test_an_argument_has_one_name_and_one_type_at_every_door():
    other_names = {"ref_arm", "control", "compared_arm", "tau", "horizon", "level", "alpha", "groups", "arms", "strata"}
    kinds: dict[str, set[str]] = {}
    for name in onsetstudy._HOME:
        verb = getattr(onsetstudy, name)
        if not inspect.isfunction(verb):
            continue
        signature = inspect.signature(verb)
        assert signature.return_annotation is not inspect.Signature.empty, name
        for argument in signature.parameters.values():
            assert argument.annotation is not inspect.Parameter.empty, f"{name}: {argument.name}"
            kinds.setdefault(argument.name, set()).add(str(argument.annotation).removesuffix(" | None"))
    assert not other_names & set(kinds)
    assert {name: kinds[name] for name in ARGUMENTS} == {name: {kind} for name, kind in ARGUMENTS.items()}
    # Some need it and some do without, but what it is differs nowhere; each has ways (methods) of its own, and
    # a curve may be given cases of one group.
    assert {name for name, said in kinds.items() if len(said) > 1} <= {"times", "method"}
