"""Secrets on disk: the sealed list, envelopes with passphrases, the log of opened slips.

Takes paths and passphrases, gives lists and slips. It must not know outcomes.
"""
