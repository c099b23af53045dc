"""The only room that opens files.

Takes paths, gives raw tables, protocols and results, and writes what other rooms have made.
"""
