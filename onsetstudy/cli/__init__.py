"""Thin doors: a function a command, those of one kind in one module; heavy imports happen inside a command.

Takes words from a terminal, gives files and sentences. It must not compute, and alone may enter in the ledger.
"""
