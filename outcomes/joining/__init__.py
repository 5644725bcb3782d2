"""Trials with the exposure of their source at the moment of the trial."""
