"""Pages for people who were not there: what a fleet's history says, and what to do about it."""
