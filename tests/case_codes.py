"""Codes of cases as the page at the chair draws them."""

from __future__ import annotations

from onsetstudy.records.chair.case_codes import ALPHABET, DRAWN, check_sign


def new_case_code(practice, draw):
    """A code such as ``P01-K7Q2MX``; ``draw(n)`` gives a whole number below n."""
    body = "".join(ALPHABET[draw(len(ALPHABET))] for _ in range(DRAWN))
    return f"{practice}-{body}{check_sign(body)}"
