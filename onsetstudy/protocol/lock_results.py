"""What a lock says: versions of a protocol, and where the present one stands."""

from __future__ import annotations

from onsetstudy.core.serialise import result_kind


@result_kind("lock_version")
class LockVersion:
    """One locked version: ``changes`` are ``(key, before, after)`` against the version before, as JSON text."""

    number: int
    day: str
    digest: str
    reason: str
    changes: tuple[tuple[str, str, str], ...] = ()


@result_kind("protocol_lock")
class ProtocolLock:
    """All versions of a protocol so far, the first being the lock, the others amendments."""

    study_id: str
    versions: tuple[LockVersion, ...]

    @property
    def latest(self) -> LockVersion:
        """The version in force."""
        return self.versions[-1]


@result_kind("planned_analysis")
class PlannedAnalysis:
    """One analysis of the report: ``status`` is primary, secondary, sensitivity or described.

    ``amended`` is the day on which an amendment touched its plan after the first case, empty if none did.
    """

    analysis: str
    status: str
    amended: str = ""


@result_kind("lock_standing")
class LockStanding:
    """Where the protocol of a report stands.

    ``status`` is ``locked_before`` (locked on or before the day of the first case), ``locked_late``,
    ``changed`` (differs from the version locked last; ``changes`` says where) or ``not_locked``.
    """

    status: str
    first_case: str
    versions: tuple[LockVersion, ...]
    changes: tuple[tuple[str, str, str], ...]
    analyses: tuple[PlannedAnalysis, ...]
