"""A practice's own records, from the analysis set to ``StudyResults``.

Takes a protocol, records and what lies beside them, gives results. It must not know other practices' files.
"""
