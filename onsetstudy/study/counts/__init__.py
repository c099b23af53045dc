"""Counts of cases that may leave a practice: made, judged on arrival, and what they give away.

Takes records, gives an ``Exchange`` and tables of counts. It must not know how a group answers.
"""
