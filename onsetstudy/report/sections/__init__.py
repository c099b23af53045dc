"""Sections of documents, one module for each question, in the rooms of those who read them.

Takes results, gives a ``Section`` or nothing. It must not compute a number, or know where the section will stand.
"""
