"""From the storage log to the state of a source at any moment."""
