"""The only room that opens the files of a study.

Takes paths, gives raw tables, protocols and results, and writes what other rooms have made: all of it or none. It must
not compute, choose or word anything that a reader sees in a report.
"""
