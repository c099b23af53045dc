"""Doors while cases are treated: the recorder, slips, checks of the records, entries in the ledger.

Takes a locked protocol and the practice's records, gives sentences and what is recorded. It must not compare arms.
"""
