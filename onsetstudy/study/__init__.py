"""The analysis plan carried out: arrays picked from records, estimators called, results gathered.

Takes a ``Protocol`` and ``Records``, gives ``StudyResults``. It must not open files or draw.
"""
