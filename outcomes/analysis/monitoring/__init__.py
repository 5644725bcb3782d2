"""Early warning for sources and dogs."""
