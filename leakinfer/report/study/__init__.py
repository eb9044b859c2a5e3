"""The page on a study: which way of searching is sooner, and whether the told chances are right."""
