"""Tells a dentist, honestly, whether buffering a local anaesthetic makes teeth numb sooner in their own hands."""

__version__ = "0.1.0"
