"""What a study can show, how many cases it takes, and how long.

Takes a protocol and named chance, gives ``PlanningResults``. It must not know records.
"""
