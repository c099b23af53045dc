"""Tells a dentist, honestly, whether buffering a local anaesthetic makes teeth numb sooner in their own hands.

The names below are the front door. Each is imported when it is first used, so that ``import onsetstudy``
and the command line's help are instant.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOME = {
    "Intervals": "onsetstudy.core.intervals",
    "NotEstimable": "onsetstudy.core.errors",
    "OnsetStudyError": "onsetstudy.core.errors",
    "analyse": "onsetstudy.study.analyse",
    "check_proportionality": "onsetstudy.survival.proportionality",
    "compare_arms": "onsetstudy.survival.compare",
    "compare_pain": "onsetstudy.outcomes.pain",
    "estimate_quantile": "onsetstudy.survival.quantiles",
    "estimate_rmst": "onsetstudy.survival.rmst",
    "fit_accelerated_time": "onsetstudy.survival.parametric",
    "fit_grouped_hazards": "onsetstudy.survival.grouped",
    "fit_never_numb": "onsetstudy.survival.cure",
    "fit_npmle": "onsetstudy.survival.npmle",
    "fit_proportional_hazards": "onsetstudy.survival.regression",
    "fit_shared_frailty": "onsetstudy.survival.frailty",
    "from_dict": "onsetstudy.core.serialise",
    "never_numb_share": "onsetstudy.survival.success",
    "probability_numb_sooner": "onsetstudy.survival.superiority",
    "read_protocol": "onsetstudy.files.protocol_toml",
    "read_records": "onsetstudy.files.spreadsheet",
    "success_by": "onsetstudy.survival.success",
    "write_report": "onsetstudy.files.results_json",
}

__all__ = [
    "Intervals",
    "NotEstimable",
    "OnsetStudyError",
    "__version__",
    "analyse",
    "check_proportionality",
    "compare_arms",
    "compare_pain",
    "estimate_quantile",
    "estimate_rmst",
    "fit_accelerated_time",
    "fit_grouped_hazards",
    "fit_never_numb",
    "fit_npmle",
    "fit_proportional_hazards",
    "fit_shared_frailty",
    "from_dict",
    "never_numb_share",
    "probability_numb_sooner",
    "read_protocol",
    "read_records",
    "success_by",
    "write_report",
]

if TYPE_CHECKING:
    from onsetstudy.core.errors import NotEstimable, OnsetStudyError
    from onsetstudy.core.intervals import Intervals
    from onsetstudy.core.serialise import from_dict
    from onsetstudy.files.protocol_toml import read_protocol
    from onsetstudy.files.results_json import write_report
    from onsetstudy.files.spreadsheet import read_records
    from onsetstudy.outcomes.pain import compare_pain
    from onsetstudy.study.analyse import analyse
    from onsetstudy.survival.compare import compare_arms
    from onsetstudy.survival.cure import fit_never_numb
    from onsetstudy.survival.frailty import fit_shared_frailty
    from onsetstudy.survival.grouped import fit_grouped_hazards
    from onsetstudy.survival.npmle import fit_npmle
    from onsetstudy.survival.parametric import fit_accelerated_time
    from onsetstudy.survival.proportionality import check_proportionality
    from onsetstudy.survival.quantiles import estimate_quantile
    from onsetstudy.survival.regression import fit_proportional_hazards
    from onsetstudy.survival.rmst import estimate_rmst
    from onsetstudy.survival.success import never_numb_share, success_by
    from onsetstudy.survival.superiority import probability_numb_sooner


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
