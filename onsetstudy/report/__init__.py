"""Results shown: one document of typed blocks, rendered to HTML and PDF.

Takes results, gives a ``Document``, text and bytes. It computes no number and opens no file. The modules directly here
are what all sections share: words, numbers, cells of tables.
"""
