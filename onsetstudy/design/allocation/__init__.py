"""Allocation at random: lists in blocks, minimisation, and the seal over a list.

Takes a protocol and a seed, gives lists. It must not know what became of the cases.
"""
