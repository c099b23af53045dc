"""Figures, one module each: ``draw_figure`` puts numbers of results on axes; what all share is in ``canvas``.

Takes results, gives a ``Drawing`` with its alternative text. It must not choose what is true or shown.
"""
