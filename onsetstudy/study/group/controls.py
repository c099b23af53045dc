"""What the injection cannot change: of a group, from its counts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.study.counts.counted_estimates import mean_difference
from onsetstudy.study.group.pool_files import Gathered
from onsetstudy.study.group.results import in_order
from onsetstudy.study.results import NegativeControl
from onsetstudy.study.sets.analysis_set import PRACTICE, by_one_minute
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.study.topics.negative_controls import INSERTION, control_compared


def group_controls(counts: Gathered) -> tuple[NegativeControl, ...]:
    """The negative controls that practices sent, compared within practices by the lines of a practice's own report.

    Parameters
    ----------
    counts : Gathered
        Of the practices in the answer, up to the quarter.

    Returns
    -------
    tuple of NegativeControl
        Pain at insertion, then the control tooth, each where it was sent.
    """
    found, protocol = [], counts.protocol
    rows = counts.values[counts.values["quantity"] == INSERTION]
    if protocol.pain is not None and protocol.pain.moment != "insertion" and len(rows):
        difference = mean_difference(rows, protocol, "insertion_pain_difference", protocol.pain.instrument.unit)
        found.append(NegativeControl(outcome="insertion_pain", difference=difference))
    if protocol.schedule.control_tooth != "none" and (counts.controls["what"] == "tests").any():
        rows = _told(counts.controls)
        tested = CountedSet(frame=rows, protocol=protocol, onset={"treatment": by_one_minute(rows["lost"].to_numpy())})
        found.append(control_compared(tested, tested.counts("treatment")))
    return tuple(found)


def _told(controls: pd.DataFrame) -> pd.DataFrame:
    """Tests that could be an onset by practice and arm: how many were one (``lost``), how many were none."""
    wide = controls.groupby([PRACTICE, "arm", "what"])["n"].sum().unstack("what", fill_value=0)
    wide = wide.reindex(columns=["able", "began"], fill_value=0)
    by_loss = pd.DataFrame({False: wide["able"] - wide["began"], True: wide["began"]})
    rows = by_loss.melt(ignore_index=False, var_name="lost", value_name="n").reset_index()
    return rows[rows["n"] > 0].astype({"lost": bool, "n": np.int64}).reset_index(drop=True)


def controls_untold(counts: Gathered, letters: dict[str, str]) -> tuple[str, ...]:
    """Letters of the practices whose control teeth are not counted, or not up to the quarter."""
    beyond = dict(counts.beyond)
    told = [letters[e.practice] for _, e in counts.files if e.controls is None or e.practice in beyond]
    return tuple(sorted(set(told), key=in_order))
