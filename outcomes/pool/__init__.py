"""Several units answer together: what each may give away, and what it adds up to."""
