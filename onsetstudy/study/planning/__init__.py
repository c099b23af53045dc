"""What a study can show, how many cases it takes, and how long at the pace of ``design/accrual``.

Takes a protocol and named chance, gives ``PlanningResults``. It must not know records.
"""
