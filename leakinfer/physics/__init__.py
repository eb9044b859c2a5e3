"""Units, fluid properties, leak flow and tightness tests. Pressures are absolute unless a name says ``gauge``."""
