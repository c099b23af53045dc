"""How teeth were tested, as far as it bears on the curve: schedules that differ, gaps that are too wide.

Takes intervals, times of tests and arms, gives checks, and how far unlike gaps could move a wait. It must not know what
a curve comes to.
"""
