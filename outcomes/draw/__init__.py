"""Figures: a result in, a figure out; nothing is estimated here."""
