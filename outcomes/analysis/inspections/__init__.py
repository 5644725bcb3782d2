"""What was weighed and seen of sources: how it changes, and whether finds go along with it."""
