"""Whether what was mixed may be kept: held to itself, to its case, to the slip, and to what was kept before."""

from __future__ import annotations

from dataclasses import replace

from onsetstudy.chairside.views import SlipView, slip_view
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.chair.event import Event
from onsetstudy.records.chair.event_kinds import entry_faults


def preparation_faults(kept: Event, protocol: Protocol) -> list[str]:
    """What is wrong with a preparation in itself, in sentences."""
    faults = entry_faults(kept, protocol)
    if kept.payload.get("arm") not in {a.code for a in protocol.arms}:
        faults.append("the arm is not one of this study")
    if kept.payload.get("volume_ml") is None:
        faults.append("the volume is missing")
    way, added = kept.payload.get("mix_mode") not in (None, "none"), kept.payload.get("bicarbonate_ml")
    if kept.payload.get("arm") != protocol.reference_arm:
        if not (way and added):
            faults.append("say how the bicarbonate was mixed in, and how much")
    elif way or added:
        faults.append("nothing is mixed into this cartridge")
    return faults


def held_to_case(
    kept: Event, phase: str, *, slip: SlipView | None, slip_needed: bool, before: Event | None, halt: str
) -> tuple[Event, list[str]]:
    """A preparation as it is to be kept, and why it is not.

    What is otherwise than expected is kept with a reason alone, and as the correction of an earlier one if there is
    one: the entry that is returned then stands in its place.

    Parameters
    ----------
    kept : Event
    phase : str
        How far its case is; empty if no such case was opened.
    slip : SlipView or None
        What the slip says that was opened for it.
    slip_needed : bool
        Whether slips of this study are opened here.
    before : Event or None
        The preparation that is kept of it.
    halt : str
        That the study is paused or closed; empty while it is under way.
    """
    told = dict(kept.payload)
    if not phase:
        return kept, ["no case of this code was opened"]
    if before is not None and before.id == kept.id:
        return kept, []  # sent again: the store knows whether it is the same
    if halt and slip is None and before is None and phase == "waiting":
        return kept, [halt]
    odd = [] if phase == "waiting" else [f"{kept.case_id} does not wait for a cartridge"]
    if before is not None and any(before.payload.get(k) != told.get(k) for k in ("arm", "allocation_slip")):
        odd.append("another preparation is kept of this case")
    if slip is None and slip_needed:
        odd.append("no slip was opened for this case")
    if slip is not None and (told.get("arm"), told.get("allocation_slip")) != (slip.arm, slip.slip):
        odd.append(f"the slip opened for this case is {slip.slip}, and it says: {slip.label}")
    reason = told.pop("reason", None)
    if odd and not reason:
        return kept, [*odd, "if it was so all the same, say why: the reason is kept with it"]
    if odd and before is not None:
        payload = {"reason": reason, "instead": told}
        return replace(kept, kind="correction", corrects=before.id, payload=payload), []
    return kept, []


def received(protocol: Protocol, given: Event | None, slip: SlipView | None, doubt: str = "") -> SlipView | None:
    """What a case received, by its preparation, and what its slip says where that differs; ``None`` if neither tells.

    Where nothing was entered as prepared, what the slip says is told, and that it is no more than that. ``doubt`` is
    why nothing is known of the slip.
    """
    if given is None:
        nothing = "Nothing was entered as prepared: this is what its slip says"
        return None if slip is None else replace(slip, differs=nothing)
    typed = str(given.payload.get("allocation_slip") or "")
    told = slip_view(protocol, str(given.case_id), str(given.payload["arm"]), slip=typed)
    if slip is not None and slip.arm != told.arm:
        doubt = f"Its slip {slip.slip} says: {slip.label}"
    return replace(told, differs=f"This is what was prepared. {doubt}" if doubt else "")
