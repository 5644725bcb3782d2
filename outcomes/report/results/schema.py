"""The JSON schema of ``results.json``, made from its dataclasses."""

from __future__ import annotations

from typing import Any

import msgspec

from outcomes.report.results.document import Results


def results_schema() -> dict[str, Any]:
    """The schema (JSON Schema 2020-12) of ``results.json``."""
    made = msgspec.json.schema(Results)
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "results.json of outcomes brief",
    }
    return {**head, **made}
