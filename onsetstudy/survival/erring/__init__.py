"""The curve of onset where a cold test may err, and limits for what it comes to.

Takes tests of cases or their intervals, and how often a test errs, gives masses on gaps and limits. It must not know
how often tests err: rates are arguments, and a grid stands where nobody knows.
"""
