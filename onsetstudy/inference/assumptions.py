"""What many estimates rest on alike, said once."""

from __future__ import annotations

from onsetstudy.core.results import Assumption

SCHEDULE = Assumption(
    name="uninformative_schedule",
    detail="when a tooth was tested, and when testing stopped, does not depend on when it became numb",
)
EVEN_WITHIN_GAPS = Assumption(
    name="even_within_gaps", detail="onset is taken as spread evenly over the gap between two tests in which it lies"
)
INDEPENDENT_CASES = Assumption(
    name="independent_cases", detail="cases are independent; repeated patients count as separate cases"
)
SPREAD_EVENLY = (INDEPENDENT_CASES, SCHEDULE, EVEN_WITHIN_GAPS)
"""What a quantity rests on for which onset lies evenly inside gaps."""
