"""What US and EU rules say about a system's leak rate and leak checks: a reading aid, the text in force decides."""
