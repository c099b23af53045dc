"""The teeth that a technique makes numb: a control tooth inside that field says nothing.

Trade facts with their sources stand in the table; a field differs between patients, so that what may be numb is
called uncertain and is asked about, never refused.

References
----------
.. [1] Dressman AS and others. Anesthetic efficacy of a primary articaine infiltration and a repetitive articaine
       infiltration in the incisive/mental nerve region, 2013 (premolars 80 to 87 %, front teeth from 19 %).
.. [2] Cross-innervation of mandibular incisors, Oral Surg Oral Med Oral Pathol Oral Radiol Endod, August 2001.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import StrArray
from onsetstudy.records.teeth import TEETH, Tooth

INSIDE, UNCERTAIN, OUTSIDE, UNKNOWN = "inside", "uncertain", "outside", "unknown"
BLOCKS = ("ianb", "gow_gates", "closed_mouth_block")
REACH = {
    "buccal_infiltration": 2,
    **dict.fromkeys(("intraligamentary", "intraseptal", "intrapulpal", "intraosseous"), 1),
}
"""How many teeth away what is given at one tooth may make numb."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """Positions from the midline outwards: numb, and uncertain, on the side injected and across the midline."""

    numb: tuple[int, ...] = ()
    uncertain: tuple[int, ...] = ()
    across: tuple[int, ...] = ()


FIELDS = {
    **dict.fromkeys(BLOCKS, _Field(numb=(1, 2, 3, 4, 5, 6, 7, 8), across=(1, 2))),
    "mental_incisive": _Field(numb=(1, 2, 3, 4, 5), uncertain=(6,), across=(1, 2)),
    "long_buccal": _Field(),
    "psa": _Field(numb=(6, 7, 8), uncertain=(3, 4, 5)),
    "infraorbital": _Field(numb=(1, 2, 3, 4, 5), uncertain=(6,), across=(1,)),
}
"""Fields that do not depend on which tooth of the side is treated."""


def where_is_control(control: str, target: str, techniques: tuple[str, ...], *, notation: str = "iso3950") -> str:
    """Whether a control tooth lies in the field of the injections.

    Parameters
    ----------
    control, target : str
        Teeth in the notation given; empty where not recorded.
    techniques : tuple of str
        Codes of the injections; the fields are put together.
    notation : str
        ``iso3950`` or ``universal``.

    Returns
    -------
    str
        ``inside``, ``uncertain``, ``outside``, or ``unknown`` where a tooth is not recorded.
    """
    teeth = TEETH[notation]
    if control not in teeth or target not in teeth or not techniques:
        return UNKNOWN
    here, there = (_place(teeth[code]) for code in (control, target))
    if here == there:
        return INSIDE
    if here[0] != there[0]:
        return OUTSIDE
    found = {_of_one(here, there, technique) for technique in techniques}
    return next(answer for answer in (INSIDE, UNCERTAIN, OUTSIDE) if answer in found)


def controls_in_field(cases: pd.DataFrame, *, notation: str) -> StrArray:
    """Of each case, where its control tooth lies in the field of its planned injection: :func:`where_is_control`."""
    rows = zip(*(cases[name].fillna("").astype(str) for name in ("control_tooth", "tooth", "technique")), strict=True)
    return np.array([where_is_control(c, t, (k,) if k else (), notation=notation) for c, t, k in rows], dtype=np.str_)


def _place(tooth: Tooth) -> tuple[str, str, int]:
    """Arch, side and position from the midline; a primary tooth stands where its successor will."""
    # The second primary molar of the upper jaw belongs to the posterior superior field like the first permanent one.
    position = 6 if tooth.iso3950 in ("55", "65") else int(tooth.iso3950[1])
    return tooth.arch, tooth.side, position


def _of_one(here: tuple[str, str, int], target: tuple[str, str, int], technique: str) -> str:
    same = here[1] == target[1]
    if technique in FIELDS:
        field = FIELDS[technique]
        if same and here[2] in field.numb:
            return INSIDE
        return UNCERTAIN if here[2] in (field.uncertain if same else field.across) else OUTSIDE
    apart = abs(here[2] - target[2]) if same else here[2] + target[2] - 1
    if technique == "buccal_infiltration" and apart == 1 and same:
        return INSIDE
    return UNCERTAIN if apart <= REACH.get(technique, 0) else OUTSIDE
