"""Cartridge arithmetic, free base as an illustration, and doses held against a dated, replaceable table of limits.

Not a dosing tool: results are cautions about what was recorded, and nothing here says that a dose is safe.
"""
