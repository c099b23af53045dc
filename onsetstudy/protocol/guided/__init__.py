"""The guided set-up: its questions, and the protocol that their answers make.

Takes answers as they were typed, gives the content of a protocol file. It must not know who asks, a page or a terminal.
"""
