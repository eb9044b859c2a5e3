"""The history format and its reader: plain tables, checked row by row."""
