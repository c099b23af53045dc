"""Figures, one module each: ``data_for`` picks numbers from results, ``draw_figure`` puts them on axes.

Takes results, gives a ``Drawing`` with its alternative text. It must not choose what is true or shown.
"""
