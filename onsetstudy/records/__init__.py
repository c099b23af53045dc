"""What was seen at the chair, checked, and onset derived from it.

Takes a ``RawTable`` of untouched text and a ``Protocol``, gives ``Records`` and an onset frame. It must not know
estimators, open files or draw.
"""
