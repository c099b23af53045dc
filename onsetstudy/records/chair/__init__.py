"""What was tapped at the chair, folded into tables.

Takes events as values, gives the tables of a case. It must not know SQLite or browsers, nor an arm but from a
preparation: no entry of the chair tells one.
"""
