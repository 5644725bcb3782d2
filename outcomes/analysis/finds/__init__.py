"""What predicts finds."""
