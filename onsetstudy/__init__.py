"""Tells a dentist, honestly, whether buffering a local anaesthetic makes teeth numb sooner in their own hands.

The names below are the front door. Each is imported when it is first used, so that ``import onsetstudy``
and the command line's help are instant.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOME = {
    "Cases": "onsetstudy.core.cases",
    "Intervals": "onsetstudy.core.intervals",
    "NotEstimable": "onsetstudy.core.errors",
    "OnsetStudyError": "onsetstudy.core.errors",
    "analyse": "onsetstudy.study.practice.analyse",
    "check_proportionality": "onsetstudy.survival.hazards.proportionality",
    "compare_arms": "onsetstudy.survival.ranktests.compare",
    "compare_durations": "onsetstudy.survival.summaries.duration",
    "compare_pain": "onsetstudy.outcomes.scores.pain",
    "estimate_quantile": "onsetstudy.survival.summaries.quantiles",
    "estimate_rmst": "onsetstudy.survival.summaries.rmst",
    "fit_accelerated_time": "onsetstudy.survival.parametric.accelerated_time",
    "fit_duration": "onsetstudy.survival.summaries.duration",
    "fit_grouped_hazards": "onsetstudy.survival.hazards.grouped",
    "fit_never_numb": "onsetstudy.survival.parametric.cure",
    "fit_npmle": "onsetstudy.survival.curve.npmle",
    "fit_proportional_hazards": "onsetstudy.survival.hazards.proportional_hazards",
    "fit_shared_frailty": "onsetstudy.survival.hazards.frailty",
    "from_dict": "onsetstudy.core.serialise",
    "never_numb_share": "onsetstudy.survival.summaries.success",
    "probability_numb_sooner": "onsetstudy.survival.summaries.probability_index",
    "read_protocol": "onsetstudy.files.sources.protocol_toml",
    "read_records": "onsetstudy.files.sources.spreadsheet",
    "success_by": "onsetstudy.survival.summaries.success",
    "write_report": "onsetstudy.files.documents.reports",
}

__all__ = [
    "Cases",
    "Intervals",
    "NotEstimable",
    "OnsetStudyError",
    "__version__",
    "analyse",
    "check_proportionality",
    "compare_arms",
    "compare_durations",
    "compare_pain",
    "estimate_quantile",
    "estimate_rmst",
    "fit_accelerated_time",
    "fit_duration",
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
    from onsetstudy.core.cases import Cases
    from onsetstudy.core.errors import NotEstimable, OnsetStudyError
    from onsetstudy.core.intervals import Intervals
    from onsetstudy.core.serialise import from_dict
    from onsetstudy.files.documents.reports import write_report
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.files.sources.spreadsheet import read_records
    from onsetstudy.outcomes.scores.pain import compare_pain
    from onsetstudy.study.practice.analyse import analyse
    from onsetstudy.survival.curve.npmle import fit_npmle
    from onsetstudy.survival.hazards.frailty import fit_shared_frailty
    from onsetstudy.survival.hazards.grouped import fit_grouped_hazards
    from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
    from onsetstudy.survival.hazards.proportionality import check_proportionality
    from onsetstudy.survival.parametric.accelerated_time import fit_accelerated_time
    from onsetstudy.survival.parametric.cure import fit_never_numb
    from onsetstudy.survival.ranktests.compare import compare_arms
    from onsetstudy.survival.summaries.duration import compare_durations, fit_duration
    from onsetstudy.survival.summaries.probability_index import probability_numb_sooner
    from onsetstudy.survival.summaries.quantiles import estimate_quantile
    from onsetstudy.survival.summaries.rmst import estimate_rmst
    from onsetstudy.survival.summaries.success import never_numb_share, success_by


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
