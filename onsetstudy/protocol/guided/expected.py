"""What a first plan expects of onset by technique, where a practice has no records of its own: placeholders."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedOnset:
    """What is usual for a technique without buffer.

    Parameters
    ----------
    median_min, shape : float
        Of the Weibull curve of teeth that become numb.
    never : float
        Share of teeth that never become numb.
    of : str
        Which teeth it is usual for, and where it comes from.
    """

    median_min: float
    shape: float
    never: float
    of: str

    def still_felt(self, minute: float) -> float:
        """Share not numb by a minute, of those that become numb at all."""
        return math.exp(-math.log(2) * (minute / self.median_min) ** self.shape)

    def numb_by(self, minute: float) -> float:
        """Share of all teeth numb by a minute."""
        return (1 - self.never) * (1 - self.still_felt(minute))


PLACEHOLDER = "placeholder"
"""The word that begins a source of what is planned with until the practice has records of its own."""
SHAPE = 1.6
NO_SOURCE = "median from a published mean, the rest common practice without a source"
"""Of a block the mean is 6.62 min (Malamed 2013, see the table of published results), whose Weibull curve of this shape
has the median 5.9; of an upper molar 4.5 (median 4.0; whose mean it is was not recorded: from memory). Of upper
infiltrations 13 of 92 teeth were never numb (likewise); that of a block, 20 %, and the shape are common practice."""
BLOCK = ExpectedOnset(median_min=6, shape=SHAPE, never=0.2, of=f"a block of a lower molar, pulp normal ({NO_SOURCE})")
UPPER = ExpectedOnset(
    median_min=4,
    shape=SHAPE,
    never=0.1,
    of="an upper molar (in the lower jaw about 6 min and 30 % never numb, in the upper front about 2 min; "
    f"{NO_SOURCE})",
)
NOT_KNOWN = replace(BLOCK, of="a block of a lower molar, as nothing is known of this technique here (no source)")
BY_TECHNIQUE = {
    **dict.fromkeys(("ianb", "gow_gates", "closed_mouth_block", "mental_incisive"), BLOCK),
    **dict.fromkeys(("buccal_infiltration", "psa", "infraorbital"), UPPER),
}
LARGEST_SHARE = 0.99
"""Share numb with buffer that a plan may aim at: nobody plans for all."""
STEEPEST = 2.5
"""Hazard ratio beyond which a gain is not put down to sooner onset alone, where it need not be."""


def placeholders(sources: Sequence[str]) -> tuple[str, ...]:
    """What a plan rests on until the practice has records of its own, by the sources that its protocol names."""
    parts = (source.partition(":") for source in sources)
    return tuple(text.strip() for word, _, text in parts if word.strip().lower() == PLACEHOLDER and text.strip())


def expected_onset(technique: str) -> ExpectedOnset:
    """What is usual for a technique; of one that nothing is known of, what a block takes."""
    return BY_TECHNIQUE.get(technique, NOT_KNOWN)


def most_points(technique: str, minute: float) -> float:
    """Percentage points that buffering can make more teeth numb by a minute, in whole ones."""
    return math.floor(100 * (LARGEST_SHARE - expected_onset(technique).numb_by(minute)) + 1e-9)


def curve_of_gain(onset: ExpectedOnset, minute: float, gain: float, *, usual_ratio: float) -> tuple[float, float]:
    """Hazard ratio, and share never numb with buffer, that make a share ``gain`` more teeth numb by a minute.

    Teeth become numb sooner and as many never do, where a hazard ratio of at most ``STEEPEST`` gains as much. Else
    fewer never become numb, and the others do so at the usual ratio; where even with none left that is too little, the
    gain is put down to the ratio after all.

    Raises
    ------
    ValueError
        If the share would be larger than one that a plan may aim at.
    """
    wanted, felt = onset.numb_by(minute) + gain, onset.still_felt(minute)
    if wanted > LARGEST_SHARE + 1e-9:
        raise ValueError(f"no more than {LARGEST_SHARE:.0%} can be numb")

    def ratio(never: float) -> float:
        return math.log(1 - wanted / (1 - never)) / math.log(felt) if wanted < 1 - never else math.inf

    same, fewer = ratio(onset.never), 1 - wanted / (1 - felt**usual_ratio)
    if same > STEEPEST and fewer >= 0:
        return usual_ratio, fewer
    return (same, onset.never) if math.isfinite(same) else (ratio(0.0), 0.0)
