"""What predicts finds, and how long a source stays reliable."""
