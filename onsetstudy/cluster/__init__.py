"""Other hands for long work: several processes of this computer, or a Dask cluster (``onsetstudy[cluster]``).

Takes a function and parts, gives their results in order; a door passes it down and no room below knows of this one.
The numbers are the same whoever works.
"""
