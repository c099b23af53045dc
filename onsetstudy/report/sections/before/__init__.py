"""What is printed before the first case: slips and case sheets.

Takes a protocol or slips, gives the source of a page. It must not know results.
"""
