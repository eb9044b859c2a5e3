"""A job: facts about one system, what was found so far, and the exact belief about where it leaks."""
