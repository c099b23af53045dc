"""How teeth were tested, as far as it bears on the curve: schedules that differ, gaps that are too wide.

Takes times of tests and arms, gives checks. It must not know onset itself.
"""
