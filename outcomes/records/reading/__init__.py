"""Files → cells → values: csv, xlsx and parquet, columns and words, dates and units."""
