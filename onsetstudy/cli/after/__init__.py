"""Doors once cases are recorded: the report, what is sent, the group, the ledger read again.

Takes a protocol with records or practices' files, gives documents and sentences. It must not change a record.
"""
