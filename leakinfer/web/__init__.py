"""The page on the phone: where next, and one tap for what was found; it offers what the commands offer."""
