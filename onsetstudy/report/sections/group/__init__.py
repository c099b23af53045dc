"""Sections of the report of a group and of its members' pages.

Takes a group's results, gives sections. It must not know a practice's code except the reader's own.
"""
