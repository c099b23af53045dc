"""Documents as bytes: HTML and PDF.

Takes a ``Document``, gives text and bytes. It must not choose, compute or leave out anything.
"""
