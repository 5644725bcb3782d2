"""What ``import outcomes`` offers: a unit's records, and results with sentence, table and picture.

Thin: every answer is worked out by :class:`outcomes.answers.facts.Facts`, as for the command line
and the page, so that all three say the same.
"""
