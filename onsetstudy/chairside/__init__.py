"""The recorder at the chair: a page, and the server that keeps what is tapped on it.

Takes taps, gives events and views, one a role. It must never see a result, nor whoever tests an arm.
"""
