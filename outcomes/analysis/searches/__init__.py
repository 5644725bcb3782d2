"""Search time and false alerts."""
