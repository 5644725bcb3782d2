"""The briefing: page, results.json, tables, files."""
