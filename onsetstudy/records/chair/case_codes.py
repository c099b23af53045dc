"""Codes of cases and patients: random, with a last sign that tells when one was mistyped."""

from __future__ import annotations

ALPHABET = "23456789ABCDEFGHJKLMNPQRSTVWXYZ"
"""Thirty-one signs, a prime number; 0 and O, 1 and I, U and V cannot be mixed up, because one of each is left out."""
DRAWN = 5


def check_sign(body: str) -> str:
    """Sign that makes the weighted sum of a code divisible by 31.

    The weights 1, 2, 3, … from the right are all different below a prime modulus, so that one wrong sign and any two
    that changed places are always noticed (elementary; checked over all of them in the tests).
    """
    total = sum(weight * ALPHABET.index(sign) for weight, sign in enumerate(reversed(body), start=2))
    return ALPHABET[-total % len(ALPHABET)]


def is_case_code(code: str) -> bool:
    """Whether a code is one, and typed right."""
    practice, _, signs = code.rpartition("-")
    return (
        practice != ""
        and practice.replace("-", "").isalnum()
        and len(code) <= 40
        and len(signs) == DRAWN + 1
        and all(sign in ALPHABET for sign in signs)
        and check_sign(signs[:-1]) == signs[-1]
    )


def likely_codes(code: str) -> tuple[str, ...]:
    """Codes that were probably meant by one that is none, by the likeliest kinds of error; none if nothing is likely.

    Two neighbours that changed places, or one sign that no code holds (0, 1, I, O or U): the check sign then says
    which sign stood there. Another wrong sign could stand at any of the six places, so that nothing can be proposed.
    """
    practice, _, signs = code.strip().rpartition("-")
    signs = signs.upper()
    if len(signs) != DRAWN + 1:
        return ()
    strange = [place for place, sign in enumerate(signs) if sign not in ALPHABET]
    if len(strange) == 1:
        place = strange[0]
        tried = [f"{signs[:place]}{sign}{signs[place + 1 :]}" for sign in ALPHABET]
    else:
        tried = [f"{signs[:k]}{signs[k + 1]}{signs[k]}{signs[k + 2 :]}" for k in range(DRAWN)]
    return tuple(found for found in (f"{practice}-{t}" for t in dict.fromkeys(tried)) if is_case_code(found))
