"""Independent checks of the exact inference engine."""
