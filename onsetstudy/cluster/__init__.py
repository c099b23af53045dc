"""Other hands for long work: several processes of this computer, or a Dask cluster (``onsetstudy[cluster]``).

A door passes a mapper down; no room below knows of this one. The numbers are the same whoever works.
"""
