"""What the trade knows about parts that leak and about ways of testing them."""
