"""What is wrong with the records, row by row: a file per table, the rules, what would mend it."""
