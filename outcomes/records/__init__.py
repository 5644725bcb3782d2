"""Records in: reading, checking, and a blank workbook to fill in."""
