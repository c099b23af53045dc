"""Outcomes beside onset: pain and, later, chair time.

Takes plain arrays, gives frozen results. It must not know protocols, records or reports.
"""
