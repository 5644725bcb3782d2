"""From estimates to decisions: threshold, shelf, refrigerated against frozen."""
