"""``results.json``: a file a question, each with its dataclasses and what fills them."""

from outcomes.report.results.make import results as results
