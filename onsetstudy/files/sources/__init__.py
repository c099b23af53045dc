"""What users write: protocols, spreadsheets, the recorder's store, dated tables.

Takes paths, gives raw values for a room below to check. It must not judge them.
"""
