"""What was tapped at the chair, folded into tables.

Takes events as values, gives the tables of a case. It must not know SQLite, browsers, or which arm a case is of.
"""
