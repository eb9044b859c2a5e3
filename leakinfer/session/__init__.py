"""A job at work: its journal replayed with the priors it began with, and told one more event at a time."""
