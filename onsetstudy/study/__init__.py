"""The plan carried out: who is analysed, by which verb, and what may be said of it.

Takes a ``Protocol`` and ``Records`` or files of counts, gives results with claims. It must not open files or draw.
The modules directly here are types that every sub-room fills.
"""
