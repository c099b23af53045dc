"""What every room shares: intervals, result types, errors, named chance and the onset rule.

Takes and gives plain values and arrays. It must not know what a protocol, a spreadsheet,
a figure or a command line is.
"""
