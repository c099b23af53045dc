"""Documents as lists of sections: the practice's, the group's, the plan's, the protocol's.

Takes results, gives a ``Document``. It must not write a sentence that a section could.
"""
