"""What happened, on disk: the ledger, the lock, and what lies beside a study.

Takes entries, appends them durably, verifies the chain. It must not decide what is entered.
"""
