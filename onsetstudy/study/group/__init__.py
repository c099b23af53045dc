"""A study group's files, from counts to ``GroupResults``.

Takes exchanges and a protocol, gives results with letters for practices. It must never see a row of a case.
"""
