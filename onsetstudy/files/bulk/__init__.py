"""Records larger than memory, part by part.

Takes paths, gives counts. It must not give numbers other than those of one reading.
"""
