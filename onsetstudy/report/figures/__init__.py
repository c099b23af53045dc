"""Figures, one module each: ``data_for`` picks numbers from results, ``draw`` puts them on axes."""
