"""Cartridge arithmetic, free base as an illustration, and doses held against a dated, replaceable table of limits.

Takes volumes, strengths and a table of limits, gives cautions about what was recorded. Not a dosing tool: nothing here
says that a dose is safe, and it must not know onset.
"""
