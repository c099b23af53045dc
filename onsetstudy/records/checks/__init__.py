"""Text becomes values here, and nowhere else; what cannot is refused with its reason.

Takes untouched text and a protocol, gives ``Records`` with every problem at once. It must not know what follows.
"""
