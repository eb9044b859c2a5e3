"""From jobs to the history format: every job teaches."""
