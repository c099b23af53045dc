"""What is read before the first case: the plan, drafts for the ethics committee, slips and case sheets.

Takes a protocol, its plan or slips, gives sections and the source of a page. It must not know what came of a case.
"""
