"""What is written for people and other programs: reports, results, workbooks, demo.

Takes results, writes all files or none. It must not compute.
"""
