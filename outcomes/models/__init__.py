"""Models as arrays in, estimates out: nothing here knows what a dog or a source is."""
