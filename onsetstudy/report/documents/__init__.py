"""Documents as lists of sections: of a practice, a group, a protocol, and papers: plan, drafts, results for patients.

Takes results, gives a ``Document``. It must not write a sentence that a section could.
"""
