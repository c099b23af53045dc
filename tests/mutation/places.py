"""The one table of paths: what is changed, who must notice, what must never be missed."""

from __future__ import annotations

from tests.mutation.mutants import Named

__all__ = ["DESELECTED", "NAMED", "SUITE", "TARGETS"]

TARGETS = (
    "onsetstudy/core/quantities.py", "onsetstudy/core/cases.py", "onsetstudy/core/claims.py",
    "onsetstudy/report/sentences.py", "onsetstudy/report/names.py", "onsetstudy/report/numbers.py",
    "onsetstudy/study/sets/*.py", "onsetstudy/study/answer/*.py", "onsetstudy/study/counts/*.py",
    "onsetstudy/study/practice/results.py", "onsetstudy/study/practice/cautions.py",
    "onsetstudy/study/group/*.py", "onsetstudy/pool/*.py",
)  # fmt: skip
"""Globs of what is changed; one that fits nothing ends the run."""
SUITE = (
    "tests/core/test_core.py", "tests/core/test_cases.py", "tests/core/test_cases_by_hand.py",
    "tests/core/test_quantities.py", "tests/design/interim/test_looks.py", "tests/test_front_door_input.py",
    "tests/files/test_edited_exchange.py", "tests/files/test_exchange.py", "tests/pool/test_combine.py",
    "tests/pool/test_common_odds.py", "tests/pool/test_funnel.py", "tests/pool/test_pool_by_hand.py",
    "tests/study/counts/test_small_groups.py", "tests/report/test_claims_by_hand.py",
    "tests/report/test_claims_told.py",
    "tests/report/documents/test_names.py", "tests/report/test_numbers.py", "tests/report/test_one_answer.py",
    "tests/report/test_sentences.py", "tests/study/practice/test_adoption.py",
    "tests/study/practice/test_adoption_by_hand.py", "tests/study/counts/test_counting_by_hand.py",
    "tests/study/counts/test_counts_of_meaning.py", "tests/study/counts/test_files_by_hand.py",
    "tests/study/group/test_group.py", "tests/study/group/test_group_by_hand.py",
    "tests/study/group/test_group_meaning.py", "tests/study/group/test_group_success.py",
    "tests/study/group/test_group_parts_by_hand.py", "tests/study/group/test_group_told_by_hand.py",
    "tests/study/answer/test_more_needed_by_hand.py", "tests/study/group/test_not_reproduced_by_hand.py",
    "tests/study/counts/test_disclosure_by_hand.py", "tests/study/group/test_group_gates.py",
    "tests/study/practice/test_looks.py", "tests/study/test_one_number.py",
    "tests/study/group/test_reconciled_by_hand.py", "tests/study/sets/test_strata.py",
    "tests/study/counts/test_tally_by_hand.py", "tests/study/test_treatment_primary.py",
    "tests/study/topics/test_negative_controls.py",
)  # fmt: skip
"""Files of tests of meaning; which of their tests are run for a mutant, says the map of ``trace.py``."""
DESELECTED = (
    # Comparisons with files that contributors make again: they see that something changed, not that it is wrong.
    "tests/report/test_page.py::test_the_page_of_a_small_study_is_as_it_was",
    "tests/files/test_exchange.py::test_shipped_group_report_is_made_again",
    "tests/files/test_exchange.py::test_shipped_files_are_those_of_the_shipped_records",
)
EVERYWHERE = "onsetstudy/**/*.py"
NAMED = (
    Named(
        name="sign of the looks in the group",
        patterns=(
            ("onsetstudy/study/practice/interim.py", r"\(quantity\.toward\(", "(-quantity.toward("),
            ("onsetstudy/core/quantities.py", r"return self\.favours \* distance", "return -self.favours * distance"),
        ),
    ),
    Named(
        name="sooner and later on page 1",
        patterns=(
            ("onsetstudy/report/sentences.py", r"side = quantity\.favours \*", "side = -quantity.favours *"),
            ("onsetstudy/core/quantities.py", r"self\.words\[0\] if side > 0", "self.words[0] if side < 0"),
        ),
    ),
    Named(
        name="sign of less pain",
        patterns=(
            ("onsetstudy/core/quantities.py", r'words=\("lower", "higher"\)', 'words=("higher", "lower")'),
            ("onsetstudy/core/quantities.py", r'(key="pain_difference",[^()]*favours=)-1', r"\g<1>1"),
        ),
    ),
    Named(
        name="sign of the share not numb",
        patterns=(
            ("onsetstudy/core/results.py", r"(estimate=0\.0) - (difference\.estimate)", r"\1 + \2"),
            ("onsetstudy/core/quantities.py", r'(key="not_numb_difference",[^()]*favours=)-1', r"\g<1>1"),
        ),
    ),
    Named(
        name="direction of the verdict",
        patterns=(
            ("onsetstudy/design/interim/interim_analyses.py", r'"sooner" if z > 0', '"sooner" if z < 0'),
            ("onsetstudy/report/**/*.py", r'direction == "sooner"', 'direction != "sooner"'),
        ),
    ),
    Named(
        name="funnel counts successes",
        patterns=(
            (EVERYWHERE, r"(failed=np\.where\()failed\b", r"\1numb"),
            (EVERYWHERE, r'(np\.where\(frame\["outcome"\] == )"not_numb"', r'\1"numb"'),
        ),
    ),
    Named(
        name="degrees of freedom of the interaction",
        patterns=((EVERYWHERE, r"df = len\(kept\) - 1", "df = len(kept)"),),
    ),
    Named(
        name="exactly as many cases as may be sent",
        patterns=(
            ("onsetstudy/study/counts/exchange.py", r"total >= least\b", "total > least"),
            ("onsetstudy/study/counts/exchange.py", r"cases >= least\b", "cases > least"),
        ),
    ),
)  # fmt: skip
"""Changes that once were noticed by comparisons of bytes alone; always run first."""
