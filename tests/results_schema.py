"""Write ``docs/results.schema.json``, the schema of ``results.json``, anew.

python tests/results_schema.py
"""

from __future__ import annotations

from pathlib import Path

from outcomes.report.results.schema import results_schema
from outcomes.report.write import results_text

SCHEMA = Path(__file__).parents[1] / "docs/results.schema.json"


def main() -> None:
    """Write the file."""
    SCHEMA.write_text(results_text(results_schema()), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
