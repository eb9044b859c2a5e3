"""Which way of searching is best: simulated jobs with known truth, policies side by side, what they cost and miss."""
