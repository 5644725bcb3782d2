"""How long a source stays reliable."""
