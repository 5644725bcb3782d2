"""Figures: a result in, a figure out; nothing is estimated here.

``theme`` → ``find_panel``, ``lifetime_panel`` → ``main_figure`` → ``save``.
"""
