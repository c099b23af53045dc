"""What was promised: the study as its protocol file describes it.

Takes the content of a protocol file as plain values, gives a checked, frozen ``Protocol``
with its digest. It must not know records, estimators or how a file is opened.
"""
