"""What few clusters do to intervals that take the cases of a cluster together, and to tests that do not."""

from __future__ import annotations

from onsetstudy.core.results import NOT_INDEPENDENT, Caution

FEWEST = 16
"""Clusters below which a cluster-robust interval is too narrow to be used as one.

With four clusters limits at 95 % missed in 26 % of simulated studies; with so few no P value is given either.
"""


INDEPENDENT_TEST = Caution(
    code=NOT_INDEPENDENT,
    text="No P value: this test takes all cases as independent, while cases of one cluster (such as a patient) repeat "
    "and the interval of the hazard ratio takes them together.",
)
"""Why no P value of a test that takes all cases as independent stands beside a clustered interval."""


def too_few_clusters(clusters: int) -> bool:
    """Whether a cluster-robust error of so many clusters is too small."""
    return clusters < FEWEST


def too_narrow(clusters: int) -> tuple[Caution, ...]:
    """A caution for a cluster-robust interval of fewer than 16 clusters."""
    if not too_few_clusters(clusters):
        return ()
    text = (
        f"Only {clusters} clusters: the cluster-robust interval is too narrow (it takes {FEWEST} at the least), and no "
        "P value is given with it."
    )
    return (Caution(code="clusters_too_narrow", text=text),)
