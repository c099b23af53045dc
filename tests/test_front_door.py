"""The front door: what it offers, and that opening it is cheap."""

from __future__ import annotations

import os
import subprocess
import sys

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
