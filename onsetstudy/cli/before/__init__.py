"""Doors before the first case: new protocols, plans, locks, lists and slips, trial mixes.

Takes a protocol and what it plans, gives files and sentences. It must not read a case.
"""
