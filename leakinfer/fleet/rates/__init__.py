"""The rates of leaks, circumstances, ages, sizes and workmanship, learned from cells."""
