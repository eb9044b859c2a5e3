"""Where next: every possible test, what it would tell for its minutes, what is not allowed, and whether to stop."""
