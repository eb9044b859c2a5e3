"""How well the methods of testing do, learned without a gold standard."""
